"""`--json`: what a program reads of real commands, against what the lab and the journal say."""

from __future__ import annotations

import asyncio
import signal
import sqlite3
from pathlib import Path
from random import Random
from typing import Any

import pytest

from migrate.cli.looking import Looking, watching
from migrate.engine.tidings import Outcome, Tidings
from migrate.journal.store import Journal
from migrate.lab import Fault, FaultKind
from migrate.model.problems import Exit, JournalTrouble, Problem
from migrate.ports.files import read_plan
from migrate.ports.sockets import now
from migrate.views.ending import Ending
from tests.views.test_events import checked

from .house import LAMP, LIGHT, PLUG, House, house
from .paper import SECRETS, Ended, Paper
from .starter import Starter
from .test_legs import ACCEPT, journal_of, leg_file, run, switch

__all__ = ["switch"]


def events_of(ended: Ended) -> list[dict[str, Any]]:
    """Every line of standard output; all of them are events, from begun to ended."""
    events = [checked(line) for line in ended.out.splitlines()]
    assert [one["seq"] for one in events] == list(range(1, len(events) + 1))
    kinds = [one["event"] for one in events]
    assert (kinds[0], kinds[-1]) == ("begun", "ended")
    assert kinds.count("begun") == kinds.count("ended") == 1
    assert events[-1]["exit"] == ended.code
    assert events[-1]["name"] == Exit(ended.code).name
    return events


def steps_of(one: House) -> dict[str, list[str]]:
    """What states each device came to, by plain SQL from the journal."""
    with sqlite3.connect(one.run_folder / "journal.sqlite3") as db:
        found: dict[str, list[str]] = {}
        sql = (
            "SELECT name, after FROM event WHERE name IS NOT NULL AND before != after ORDER BY seq"
        )
        for name, after in db.execute(sql):
            found.setdefault(name, []).append(after)
    db.close()
    return found


def told_of(events: list[dict[str, Any]]) -> dict[str, list[str]]:
    found: dict[str, list[str]] = {}
    for one in events:
        if one["event"] == "device":
            found.setdefault(one["device"], []).append(one["state"])
    return found


async def test_a_run_that_is_held_and_rolled_back(tmp_path: Path, starter: Starter) -> None:
    fault = Fault(FaultKind.RETURNS_TO_OLD, times=1)
    async with house(tmp_path, starter, (PLUG, fault)) as one:
        one.plan()
        held = await one.run("--json")
        assert held.code == Exit.HELD
        assert held.err == ""
        events = events_of(held)
        begun, ended = events[0], events[-1]
        assert begun["plan"] == read_plan(one.plan_file).digest
        assert begun["run"] == one.run_folder.name
        macs = {unit.spec.mac for unit in one.lab.units.values()}
        assert {device["mac"] for device in begun["devices"]} == macs
        assert [e["device"] for e in events if e["event"] == "survey" and e["well"]]
        gates = [(e["wave"], e["open"], e["shut_by"]) for e in events if e["event"] == "gate"]
        assert gates == [(1, True, []), (2, False, [PLUG])]
        assert told_of(events) == steps_of(one)
        states = {device["device"]: device["state"] for device in ended["devices"]}
        assert states == {LAMP: "settled", PLUG: "returned", LIGHT: "waiting"}
        assert one.wheres() == ["new", "old", "old"]
        commands = [advice["command"] for advice in ended["advice"]]
        assert f"migrate resume {begun['run']} --state {one.state} --again {PLUG}" in commands
        assert ended["report"] in {str(path) for path in one.run_folder.iterdir()}
        assert ended["journal"] == str(one.run_folder / "journal.sqlite3")

        back = events_of(await one.there("rollback", "--json"))
        first = {device["device"]: device["state"] for device in back[0]["devices"]}
        assert first == states  # where they stood
        states = {device["device"]: device["state"] for device in back[-1]["devices"]}
        assert states == {LAMP: "restored", PLUG: "restored", LIGHT: "waiting"}
        assert {e["direction"] for e in back if e["event"] == "wave"} == {"back"}
        assert one.wheres() == ["old", "old", "old"]


@pytest.mark.parametrize("presses", [1, 2])
async def test_ended_comes_after_ctrl_c(tmp_path: Path, starter: Starter, presses: int) -> None:
    async with house(tmp_path, starter, soak=0.6) as one:
        one.plan()
        async with one.begun("run", one.plan_file, "--json", "--state", one.state) as command:
            await command.until_it_says('"state": "away"', "out")
            command.press()
            await command.until_it_says("stopping: nothing more is sent")
            if presses == 2:
                command.press()
            stopped = await command.ended()
        assert stopped.code == Exit.STOPPED
        (lamp,) = (d for d in events_of(stopped)[-1]["devices"] if d["device"] == LAMP)
        assert (lamp["state"] == "settled") is (presses == 1)


async def test_trouble_and_a_reader_that_goes_away(tmp_path: Path, starter: Starter) -> None:
    async with house(tmp_path, starter) as one:
        one.plan()
        await one.unit(LIGHT).power_off()
        ended = await one.run("--json")
        assert ended.code == Exit.UNREACHABLE
        assert f"{LIGHT}: " in ended.err  # for people, as always
        last = events_of(ended)[-1]
        assert [problem["device"] for problem in last["problems"]] == [LIGHT]
        assert not [e for e in events_of(ended) if e["event"] == "wave"]
        one.unit(LIGHT).power_on()
        async with one.begun("run", one.plan_file, "--json", "--state", one.state) as command:
            await command.until_it_says('"event": "wave"', "out")
            command.stop_reading()
            gone = await command.ended()
        assert gone.code == Exit.DONE, gone.all
        assert gone.err == ""
        assert one.wheres() == ["new", "new", "new"]


def test_what_never_begins_has_no_events(paper: Paper) -> None:
    ended = paper.cli("run", paper.folder / "no.plan.json", "--json", "--state", paper.state)
    assert (ended.code, ended.out) == (Exit.BAD_FILE, "")
    assert "no.plan.json" in ended.err
    assert paper.plan().code == 0
    ended = paper.cli("run", paper.plan_file, "--json", "--dry-run", "--state", paper.state)
    assert (ended.code, ended.out) == (Exit.USAGE, "")
    assert "--json" in ended.err


def test_nobody_is_asked(switch: Paper, monkeypatch: pytest.MonkeyPatch) -> None:
    """Neither before a leg for which the access point must have been changed, nor in the midst of
    one in which it is to be changed."""

    def asked() -> bool:
        raise AssertionError("a program was asked")

    monkeypatch.setattr("migrate.cli.legs.asked_and_done", asked)
    monkeypatch.setattr("migrate.cli.conduct.changed_now", asked)
    switch.edit(switch.playbook, ACCEPT, "")
    switch.edit(switch.fleet, 'dialect = "rowan"', 'dialect = "larch"')
    assert switch.plan().code == 0
    journal_of(switch, read_plan(leg_file(switch, 1)), "20260101-first")
    ended = run(switch, 2, "--json")
    assert (ended.code, ended.out) == (Exit.REFUSED, "")
    assert "change the passphrase at the access point" in ended.err

    async def told_all(*given: Any) -> Ending:
        watch = given[-1]
        ending = Ending(Outcome(Exit.HELD, "now change it", flip=True))
        watch.audience.end(ending, ())
        return ending

    monkeypatch.setattr("migrate.cli.conduct.conduct_in_loop", told_all)
    events = events_of(run(switch, 1, "--json"))
    assert events[-1]["waits_for_access_point"] is True


@pytest.mark.parametrize(
    ("error", "code"),
    [
        (RuntimeError(f"with {SECRETS['NEW_WIFI']}"), Exit.BUG),
        (ExceptionGroup("g", [JournalTrouble(Problem("is full", "make room"))]), Exit.JOURNAL),
        (KeyboardInterrupt(), Exit.STOPPED),
    ],
    ids=["a mistake", "trouble in a group", "Ctrl-C"],
)
async def test_ended_comes_whatever_happens(
    paper: Paper, capfd: pytest.CaptureFixture[str], error: BaseException, code: Exit
) -> None:
    assert paper.plan().code == 0
    path = paper.state / "runs" / "a-run" / "journal.sqlite3"
    journal = Journal.create(path, read_plan(paper.plan_file), now, {})
    with pytest.raises(type(error)):  # noqa: PT012 - it is raised inside of it
        async with watching(journal, "a-run", Looking(events=True)) as watch:
            watch.audience.tell(Tidings("note", "something"))
            raise error
    journal.close()
    printed = capfd.readouterr()
    events = events_of(Ended(code, printed.out, printed.err))
    assert [one["event"] for one in events] == ["begun", "remark", "ended"]
    assert [one["what"] for one in events[-1]["problems"]] == (
        ["is full"] if code is Exit.JOURNAL else []
    )


@pytest.mark.long
@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGHUP, signal.SIGINT])
@pytest.mark.parametrize("seed", range(8))
async def test_ended_comes_after_a_signal_at_any_moment(
    tmp_path: Path, starter: Starter, number: signal.Signals, seed: int
) -> None:
    """Before the conductor is at work, while it is, and after it: chance says when."""
    async with house(tmp_path, starter) as one:
        one.plan()
        async with one.begun("run", one.plan_file, "--json", "--state", one.state) as command:
            await one.lab.wait_until(lambda: list((one.state / "runs").glob("*/*.sqlite3")))
            await asyncio.sleep(Random(f"{number}{seed}").random() * 1.5)  # noqa: S311
            command.press(number)
            ended = await command.ended()
        # One that comes before the first line has been printed ends it without any.
        if ended.out or ended.code not in (-number, Exit.STOPPED):
            events_of(ended)
