"""Outputs over whole runs: what a restart dropped is on again, and what is not is told.

That a restart can drop what a device switches is common practice, no source. What an output is, and
what was sent to it, is asked of the lab.
"""

from __future__ import annotations

import asyncio
import io
import json
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import timedelta
from functools import partial
from pathlib import Path
from typing import Any, cast

import pytest
from rich.console import Console

import migrate.dialects
from migrate.dialects.messages import HttpRequest, Reply, Request
from migrate.engine.tidings import Outcome, Tidings
from migrate.journal.replay import replay
from migrate.journal.store import Journal
from migrate.lab import BrokerKind, Fault, FaultKind, Unit
from migrate.model.lifecycle import State
from migrate.model.problems import Exit, Refused
from migrate.planning.outputs import (
    AMISS,
    AS_BEFORE,
    BEFORE,
    FOUND,
    KINDS,
    OPEN,
    OTHERWISE_SURVEYED,
    RESTORED,
    STILL,
    SWITCHED_BEFORE,
    SWITCHED_SINCE,
    TOLD,
    UNSURE,
)
from migrate.ports.protocols import At, Line, World
from migrate.views.outputs import outputs_of, show_outputs
from migrate.views.report import report
from migrate.views.status import show_status
from tests.views.report.reading import read

from .harness import Dev, House, HouseMaker, Pace, six
from .test_crash import Fuse, FusedJournal, FusedLine
from .together import Running, Together
from .watch import Passed, Watch

together = Together()
OTHERWISE = FaultKind.OUTPUT_OTHERWISE
DROPS = Fault(OTHERWISE, times=1)
SHIPPED = Path(migrate.dialects.__path__[0]) / "shipped"
ONLY_OUTPUT = {
    "larch": b'{"output":{"on":%s}}',
    "rowan": b'{"output": %s}',  # the params alone, as the watch has them
    "sedge": b"output=%s",
}
"""A message that holds the output and nothing else, by the manuals (docs/manuals)."""


def switch(house: House, name: str, to: bool) -> None:
    """By its button, as a person does it."""
    unit = house.unit(name)
    unit.store = replace(unit.store, output=to)
    unit.running = replace(unit.running, output=to)


async def drop_at_its_restart(house: House, name: str) -> None:
    """What FaultKind.OUTPUT_OTHERWISE does, beside another fault."""
    unit = house.unit(name)
    await house.lab.wait_until(lambda: unit.boots > 1 or not unit.up)
    switch(house, name, False)


def off_from_the_start(house: House, name: str) -> None:
    switch(house, name, False)
    house.before[name] = house.unit(name).store


def when(house: House, name: str, state: State, do: Callable[[], object]) -> None:
    """Do something once, the first time that this device is told to be in this state."""
    done: list[bool] = []

    def hear(tidings: Tidings) -> None:
        if (tidings.name, tidings.state) == (name, state) and not done:
            done.append(True)
            do()

    house.on_tidings.append(hear)


def plan_anew(house: House, playbook: str = "", **dialects: Callable[[str], str]) -> None:
    """As if the owner's files had been so from the start; dialects are changed shipped ones."""
    for name, change in dialects.items():
        text = (SHIPPED / f"{name}.toml").read_text(encoding="utf-8")
        changed = change(text)
        place = house.fleet.parent / "dialects" / f"{name}.toml"
        place.parent.mkdir(exist_ok=True)
        assert changed != text
        place.write_text(changed, encoding="utf-8")
    house.playbook.write_text(house.playbook.read_text("utf-8") + playbook, encoding="utf-8")
    house.plan = house.make_plan()
    house.journal.close()
    house.journal = house.new_journal("anew")


def cannot(text: str) -> str:
    """A dialect that reads its output and cannot set it."""
    return text.replace(', write = "/output/on"', "").replace(', write = "output"', "")


def blind(text: str) -> str:
    """A dialect whose reading of the output finds nothing."""
    return text.replace('pointer = "/output/on"', 'pointer = "/output/state"')


def kinds(house: House, name: str) -> list[str]:
    """What the journal says about the outputs of a device, in order."""
    return [one.kind for one in house.journal.entries(name) if one.kind in KINDS]


def words(house: House) -> dict[str, str]:
    return {one.name: one.words for one in outputs_of(house.journal)}


def said(house: House) -> list[tuple[str, str]]:
    """What was told of outputs while it ran."""
    return [
        (one.name, one.words)
        for _, one in house.told
        if one.kind == "note" and one.words.startswith("output")
    ]


def told_only(why: str) -> str:
    return f"off, was on; not restored: {why}"


def screen(show: Callable[[Console], object]) -> str:
    file = io.StringIO()
    show(Console(file=file, width=80, force_terminal=False))
    return file.getvalue()


def told_everywhere(house: House, sentence: str) -> None:
    """At the end of the run, in the status, and in the report."""
    flat = " ".join(screen(lambda console: show_outputs(house.journal, console)).split())
    assert sentence in flat
    assert sentence in " ".join(screen(lambda c: show_status(house.journal, c)).split())
    page = read(report(house.journal, "run"))
    assert (2, "What they switch") in page.headings
    assert sentence in page.words("outputs")


@together
async def restored_by_every_family_over_both_transports(make_house: HouseMaker) -> None:
    devices = [Dev("a-pilot"), *six()]
    async with make_house(*devices, change=("wifi", "broker")) as house:
        names = [device.name for device in devices[1:]]
        # Half of them were off, and come back on: they are to be off again.
        for name in names[::2]:
            off_from_the_start(house, name)
        for name in names:
            house.unit(name).fault = DROPS
        watch = Watch(house)
        assert (await house.forward(bend=watch)).done
        assert [name for name in house.lab.units if not house.moved(name)] == []
        for name in names:
            family, state = name.split("-")[0], house.before[name].output
            word = (
                (b"on" if state else b"off") if family == "sedge" else str(state).lower().encode()
            )
            sent = [one.text for one in watch.writes if one.name == name]
            assert len(sent) == 2
            assert sent[1] == ONLY_OUTPUT[family] % word
            assert kinds(house, name)[-1] == RESTORED
            after = "off" if state else "on"
            back = "on" if state else "off"
            assert words(house)[name] == f"output was {after} after the restart, restored to {back}"
        assert kinds(house, "a-pilot")[-1] == AS_BEFORE
        assert sorted(name for name, _ in said(house)) == sorted(names)
        told_everywhere(house, "larch-mqtt: output was off after the restart, restored to on")
        # And the same on the way back.
        for name in names:
            house.unit(name).fault = DROPS
        assert (await house.back()).done
        assert [name for name in house.lab.units if not house.as_before(name)] == []
        # Lines about outputs do not disturb what a damaged journal is mended by.
        ways_back = {name: house.journal.way_back(name) or {} for name in house.lab.units}
        entries = house.journal.entries()
        assert replay(house.plan, entries, ways_back) == house.journal.rows()
        assert {kinds(house, name)[-1] for name in names} == {RESTORED}


@together
async def told_where_the_dialect_cannot(make_house: HouseMaker) -> None:
    devices = Dev("freezer-plug", load="freezer", fault=DROPS), Dev("lamp", "sedge", fault=DROPS)
    async with make_house(*devices) as house:
        plan_anew(house, larch=cannot, sedge=cannot)
        outcome = await house.forward()
        # It has moved: the exit code stays.
        assert (outcome.exit, outcome.done) == (Exit.DONE, True)
        assert set(house.states().values()) == {State.SETTLED}
        assert house.unit("freezer-plug").store.output is False
        assert [house.bundles(name) for name in house.lab.units] == [1, 1]
        sentence = "output off, was on; not restored: its dialect cannot"
        assert words(house) == dict.fromkeys(house.lab.units, sentence)
        assert ("freezer-plug", sentence) in said(house)
        told_everywhere(house, f"freezer-plug (freezer hangs on it): {sentence}")
        # It is off still when another process takes it back; that it was on is not forgotten.
        assert (await house.back()).done
        assert words(house) == dict.fromkeys(house.lab.units, f"output {told_only(UNSURE)}")


@together
async def left_alone_at_the_owners_word(make_house: HouseMaker) -> None:
    devices = Dev("hall-door", fault=DROPS), Dev("lamp", fault=DROPS)
    async with make_house(*devices) as house:
        plan_anew(house, '[outputs]\nleave = ["hall-door"]\n')
        assert (await house.forward()).done
        assert (house.bundles("hall-door"), house.bundles("lamp")) == (1, 2)
        assert house.moved("lamp")
        why = "the playbook says to leave it"
        assert words(house)["hall-door"] == f"output off, was on; not restored: {why}"
    async with make_house(*devices) as house:
        plan_anew(house, "[outputs]\nrestore = false\n")
        assert (await house.forward()).done
        assert [house.bundles(name) for name in house.lab.units] == [1, 1]
        assert set(words(house).values()) == {f"output off, was on; not restored: {why}"}
    async with make_house(*devices) as house:
        with pytest.raises(Refused, match="'hall-dor' is not in the fleet"):
            plan_anew(house, '[outputs]\nleave = ["hall-dor"]\n')


@together
async def one_that_cannot_be_read_is_told(make_house: HouseMaker) -> None:
    async with make_house(Dev("lamp", fault=DROPS), Dev("fan", "sedge")) as house:
        plan_anew(house, larch=blind)
        assert (await house.forward()).done
        assert house.bundles("lamp") == 1
        sentence = "output cannot be read now; could not be read before either; look at it"
        assert words(house) == {"lamp": sentence}
        told_everywhere(house, f"lamp: {sentence}")


@together
async def switched_by_a_person_while_it_soaks(make_house: HouseMaker) -> None:
    pace = Pace(soak_seconds=0.5)
    async with make_house(Dev("lamp"), Dev("fan", fault=DROPS), pace=pace) as house:
        # Off though it came back on; and on though its restart had dropped it.
        when(house, "lamp", State.SEEN, lambda: switch(house, "lamp", False))
        when(house, "fan", State.SEEN, lambda: switch(house, "fan", True))
        assert (await house.forward()).done
        assert [house.bundles(name) for name in house.lab.units] == [1, 1]
        assert house.unit("lamp").store.output is False
        since = "it changed after it had come back, so somebody may have switched it"
        assert words(house) == {"lamp": f"output off, was on; not restored: {since}"}
        assert kinds(house, "fan")[-1] == AS_BEFORE


@together
async def switched_by_a_person_before_it_was_sent(make_house: HouseMaker) -> None:
    """The survey has it on; the last reading before the send counts."""
    async with make_house(Dev("a-pilot"), Dev("fan", fault=DROPS)) as house:
        when(house, "a-pilot", State.SETTLED, lambda: switch(house, "fan", False))
        assert (await house.forward()).done
        survey = house.journal.survey("fan")
        assert survey is not None
        assert survey["outputs"] == {"relay": True}
        assert kinds(house, "fan") == [BEFORE, FOUND, AMISS]
        assert words(house) == {"fan": f"output on, was off; not restored: {OTHERWISE_SURVEYED}"}


@together
async def an_impulse_is_not_made_a_state(make_house: HouseMaker) -> None:
    """What lets go by itself was on when it was read just before the send, and off before that."""
    async with make_house(Dev("a-pilot"), Dev("door", fault=DROPS)) as house:
        off_from_the_start(house, "door")
        when(house, "a-pilot", State.SETTLED, lambda: switch(house, "door", True))
        assert (await house.forward()).done
        assert (house.bundles("door"), house.unit("door").store.output) == (1, False)
        assert words(house) == {"door": f"output {told_only(OTHERWISE_SURVEYED)}"}


@together
async def switched_off_before_its_restart_while_it_is_looked_at(make_house: HouseMaker) -> None:
    """It took its settings, the word to restart is lost, and it is told once more."""
    async with make_house(Dev("heater", "sedge"), pace=Pace(reply_seconds=0.5)) as house:
        unit, watch = house.unit("heater"), Watch(house)

        def lose_the_restart(one: Passed) -> None:
            if one.kind == "write":
                unit.fault = Fault(FaultKind.SILENT, times=1)

        watch.after.append(lose_the_restart)
        when(house, "heater", State.AWAY, lambda: switch(house, "heater", False))
        assert (await house.forward(bend=watch)).done
        assert [one.kind for one in watch.passed if one.kind != "read"] == [
            "write",
            "restart",
            "restart",
        ]
        assert unit.store.output is False
        assert kinds(house, "heater")[:2] == [BEFORE, STILL]
        assert words(house) == {"heater": f"output {told_only(SWITCHED_BEFORE)}"}


@together
async def on_and_off_again_by_hand_while_it_soaks(make_house: HouseMaker) -> None:
    async with make_house(Dev("heater", fault=DROPS), pace=Pace(soak_seconds=0.5)) as house:
        watch, by_hand = Watch(house), [True, False]
        when(house, "heater", State.SEEN, lambda: switch(house, "heater", by_hand.pop(0)))

        def after_it_was_read(one: Passed) -> None:
            if by_hand == [False]:
                switch(house, "heater", by_hand.pop())

        watch.after.append(after_it_was_read)
        assert (await house.forward(bend=watch)).done
        assert (by_hand, house.bundles("heater")) == ([], 1)
        assert house.unit("heater").store.output is False
        assert words(house) == {"heater": f"output {told_only(SWITCHED_SINCE)}"}


@together
async def a_clock_that_stands_still_hides_nothing(make_house: HouseMaker) -> None:
    """It does not answer for longer than the longest deadline, in the soak."""
    pace = Pace(least=1, most=1, reply_seconds=1.5, soak_seconds=2)
    async with make_house(Dev("lamp", fault=DROPS), pace=pace) as house:
        silent = Fault(FaultKind.SILENT, times=1, only="reads")
        when(house, "lamp", State.SEEN, partial(setattr, house.unit("lamp"), "fault", silent))

        def bend(world: World) -> World:
            still = world.now()
            return replace(world, now=lambda: still)

        assert (await house.forward(bend=bend)).done
        assert (house.bundles("lamp"), house.unit("lamp").store.output) == (1, False)
        assert words(house) == {"lamp": f"output {told_only(UNSURE)}"}


@together
async def a_clock_that_jumps_makes_it_unsure(make_house: HouseMaker) -> None:
    """Ahead, as after a machine has slept; or back."""
    for hours in (3, -3):
        async with make_house(Dev("lamp", fault=DROPS)) as house:
            jump = [timedelta()]
            when(house, "lamp", State.AWAY, partial(jump.__setitem__, 0, timedelta(hours=hours)))

            def bend(world: World, jump: list[timedelta] = jump) -> World:
                return replace(world, now=lambda: world.now() + jump[0])

            assert (await house.forward(bend=bend)).done
            assert (house.bundles("lamp"), house.unit("lamp").store.output) == (1, False)
            assert words(house) == {"lamp": f"output {told_only(UNSURE)}"}


@together
async def a_device_that_came_back_is_told_and_not_touched(make_house: HouseMaker) -> None:
    fault = Fault(FaultKind.RETURNS_TO_OLD, times=1)
    async with make_house(Dev("lamp", fault=fault)) as house:
        drop = asyncio.create_task(drop_at_its_restart(house, "lamp"))
        assert (await house.forward()).exit is Exit.HELD
        await drop
        assert house.states() == {"lamp": State.RETURNED}
        why = "it has not settled where it was sent"
        assert words(house) == {"lamp": f"output off, was on; not restored: {why}"}
        assert house.unit("lamp").store.output is False
        # Sent once more it arrives, off still. How much later nobody knows; it was off just before,
        # so it stays off. What it was before all this is not forgotten.
        assert (await house.forward("lamp")).done
        assert house.unit("lamp").store == replace(house.target("lamp"), output=False)
        assert words(house) == {"lamp": f"output {told_only(UNSURE)}"}


@together
async def stopped_it_is_told_and_the_next_process_looks_again(make_house: HouseMaker) -> None:
    async with make_house(Dev("a-lamp", fault=DROPS), Dev("fan")) as house:
        async with house.conductor() as conductor:
            when(house, "a-lamp", State.SEEN, conductor.stop)
            assert (await conductor.forward()).exit is Exit.STOPPED
        assert house.states()["a-lamp"] is State.SETTLED
        assert house.bundles("a-lamp") == 1
        assert kinds(house, "a-lamp")[-1] == OPEN
        assert (
            words(house)["a-lamp"] == "output off, was on; not restored, since the run was stopped"
        )
        house.reopen()
        assert (await house.forward()).done
        assert (house.bundles("a-lamp"), house.unit("a-lamp").store.output) == (1, False)
        assert kinds(house, "a-lamp")[-1] == AMISS
        assert words(house)["a-lamp"] == f"output {told_only(UNSURE)}"
        # Once is enough: a further process does nothing more.
        before = kinds(house, "a-lamp")
        assert (await house.forward()).done
        assert kinds(house, "a-lamp") == before


@together
async def refused_or_unanswered_it_is_told_what_came_of_it(make_house: HouseMaker) -> None:
    names = ("declines", "loses-ack", "silent")
    devices = [Dev(name, fault=DROPS) for name in names]
    async with make_house(*devices, pace=Pace(reply_seconds=1)) as house:
        later = {
            "declines": Fault(FaultKind.DECLINES),
            "loses-ack": Fault(FaultKind.LOSES_ACK, only="writes"),
            "silent": Fault(FaultKind.SILENT, only="writes"),
        }
        for name, fault in later.items():
            unit = house.unit(name)
            when(house, name, State.SETTLED, partial(setattr, unit, "fault", fault))
        watch = Watch(house)
        assert (await house.forward(bend=watch)).done
        found = words(house)
        once = "output off, was on; told once to be on, and not told again"
        assert found["declines"] == f"{once}; it declined: busy"
        assert found["silent"].startswith(f"{once}; no clear answer: ")
        assert found["loses-ack"] == "output was off after the restart, restored to on"
        assert house.moved("loses-ack")
        assert [watch.written().count(name) for name in names] == [2, 2, 2]


@together
async def a_sleeper_is_told_while_it_is_awake(make_house: HouseMaker) -> None:
    sleeper = Dev("valve", wakes=4.0, awake=2.0, fault=DROPS)
    async with make_house(Dev("lamp"), sleeper) as house:
        assert (await house.forward()).done
        assert house.unit("valve").store == house.target("valve")
        assert words(house) == {"valve": "output was off after the restart, restored to on"}


@together
async def one_that_was_away_for_long_is_told_and_not_touched(make_house: HouseMaker) -> None:
    pace = Pace(least=1, most=1, reply_seconds=1)
    fault = Fault(FaultKind.SLOW_RETURN, times=1, seconds=2)
    async with make_house(Dev("lamp", fault=fault), pace=pace) as house:
        drop = asyncio.create_task(drop_at_its_restart(house, "lamp"))
        assert (await house.forward()).exit is Exit.HELD
        await drop
        await house.lab.wait_until(lambda: house.unit("lamp").boots == 2 and house.unit("lamp").up)
        assert (await house.forward()).done
        assert house.bundles("lamp") == 1
        assert words(house) == {"lamp": f"output {told_only(UNSURE)}"}


@together
async def mute_since_it_was_told_it_is_to_be_looked_at(make_house: HouseMaker) -> None:
    async with make_house(Dev("lamp", fault=DROPS), pace=Pace(reply_seconds=0.3)) as house:
        mute = Fault(FaultKind.SILENT)
        when(house, "lamp", State.SETTLED, partial(setattr, house.unit("lamp"), "fault", mute))
        assert (await house.forward()).done
        assert "told to, and cannot be read since" in words(house)["lamp"]
        assert kinds(house, "lamp")[-1] == AMISS


STRIP = """
[outputs.left]
read = { pointer = "/strip/left" }
write = "/strip/left"
[outputs.right]
read = { pointer = "/strip/right" }
write = "/strip/right"
[outputs.fan]
read = { pointer = "/strip/fan" }
write = "/strip/fan"
holds = "level"
[outputs.lamp]
read = { pointer = "/strip/lamp" }
"""


@dataclass
class Strip:
    """A line to a device that has a plug strip as well, of which the lab knows nothing: what it
    switches is dropped when the device restarts."""

    line: Line
    unit: Unit
    state: dict[str, Any]
    after_restart: dict[str, Any]
    set_to: list[dict[str, Any]]
    dropped: bool = False

    async def exchange(self, request: Request, at: At, seconds: float) -> Reply:
        assert isinstance(request, HttpRequest)
        patch = json.loads(request.body) if request.body else {}
        if "strip" in patch:
            self.set_to.append(patch)
            self.state |= patch["strip"]
            return Reply(b'{"taken": true, "restart": false}', 200)
        reply = await self.line.exchange(request, at, seconds)
        if patch:
            return reply
        if self.unit.boots > 1 and not self.dropped:
            self.dropped = True
            self.state |= self.after_restart
        whole = json.loads(reply.body) | {"strip": self.state}
        return replace(reply, body=json.dumps(whole).encode())


@together
async def a_plug_strip_is_restored_by_one_message(make_house: HouseMaker) -> None:
    before = {"left": True, "right": False, "fan": 40, "lamp": True}
    after = {"left": False, "right": False, "fan": 0, "lamp": False}
    sent: list[dict[str, Any]] = []
    async with make_house(Dev("strip")) as house:
        plan_anew(house, larch=lambda text: text.partition("[outputs]")[0] + STRIP)

        def bend(world: World) -> World:
            return replace(
                world, line=Strip(world.line, house.unit("strip"), dict(before), after, sent)
            )

        assert (await house.forward(bend=bend)).done
        assert sent == [{"strip": {"left": True, "fan": 40}}]
        assert words(house)["strip"] == (
            "output left was off after the restart, restored to on; "
            "output fan was 0 after the restart, restored to 40; "
            "output lamp off, was on; not restored: its dialect cannot"
        )
        assert kinds(house, "strip")[-1] == AMISS


@together
async def where_no_output_is_named_nothing_is_done(make_house: HouseMaker) -> None:
    async with make_house(Dev("lamp", fault=DROPS)) as house:
        plan_anew(house, larch=lambda text: text.partition("[outputs]")[0])
        assert (await house.forward()).done
        assert (kinds(house, "lamp"), words(house), house.bundles("lamp")) == ([], {}, 1)


@pytest.mark.asyncio(loop_scope="module")
@pytest.mark.parametrize("scenario", together.names)
async def test_outputs(scenario: str, running: Running) -> None:
    await running(scenario)


class FusedMarks(FusedJournal):
    """Lines about outputs count as well."""

    def __getattr__(self, name: str) -> Any:
        if name != "mark":
            return super().__getattr__(name)
        return lambda *args: self._write("mark", self._journal.mark, *args)


async def test_a_crash_at_any_moment(make_house: HouseMaker) -> None:
    """Whenever the process ends: what the next one finds off though it was on before, it tells and
    leaves, since it cannot know how much later it is. Only what it sent itself it sets; and nothing
    is ever set twice."""
    gate = asyncio.Semaphore(8)

    async def at(point: int) -> tuple[int, bool]:
        async with gate, make_house(Dev("lamp", fault=DROPS), brokers=BrokerKind.NONE) as house:
            fuse, watch, later = Fuse(point), Watch(house), Watch(house)
            fused = cast(Journal, FusedMarks(house.journal, fuse))

            def bend(world: World) -> World:
                return replace(world, line=FusedLine(watch(world).line, fuse))

            try:
                await house.run(lambda c: c.forward(), fused, bend)
            except BaseException as error:
                if not fuse.blown or isinstance(error, asyncio.CancelledError):
                    raise
            house.reopen()
            outcome: Outcome = await house.forward(bend=later)
            assert outcome.done, (point, outcome)
            first, second = (
                [b"output" in one.text for one in each.writes] for each in (watch, later)
            )
            assert sum(first + second) <= 1, point
            assert second in ([], [False, True]), point  # its bundle first, or nothing at all
            on = house.unit("lamp").store.output
            # What became of the word to the output is known only where the next one can read it.
            assert kinds(house, "lamp")[-1] == (RESTORED if on else AMISS), point
            if not on:
                why = told_only(UNSURE)
                why = (
                    "told once to be on, and not told again"
                    if TOLD in kinds(house, "lamp")
                    else why
                )
                assert why in words(house)["lamp"], point
            assert replace(house.unit("lamp").store, output=True) == house.target("lamp")
            return fuse.count, on

    passed, _ = await at(10**6)
    assert passed >= 15
    results = await asyncio.gather(*(at(point) for point in range(passed)))
    assert {on for _, on in results} == {True, False}
