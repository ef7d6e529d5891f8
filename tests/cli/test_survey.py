"""migrate survey against the lab: what is read, kept and told, and that nothing is changed.

Judged by the lab's own truth: what its devices have stored, and what they took.
"""

from __future__ import annotations

import json
import stat
from dataclasses import replace
from pathlib import Path

from migrate.lab import Fault, FaultKind
from migrate.model.problems import Exit

from .house import LAMP, LIGHT, LOGIN, PLUG, House, house
from .paper import SECRETS, Ended, Paper
from .starter import Starter


async def surveyed(one: House, *more: str | Path) -> Ended:
    return await one.there("survey", one.playbook, "--fleet", one.fleet, *more)


def kept(one: House) -> list[Path]:
    return sorted((one.state / "surveys").iterdir())


async def test_a_full_rollback_restores_every_readable_setting(
    tmp_path: Path, starter: Starter
) -> None:
    """Invariant 12 by the command: survey, run, rollback, survey; then one is changed by hand."""
    async with house(tmp_path, starter) as one:
        before = {name: unit.store for name, unit in one.lab.units.items()}
        first = await surveyed(one)
        assert first.code == Exit.DONE, first.all
        assert "3 on the old side" in first.out
        assert one.changed() == [0, 0, 0]
        (snapshot,) = kept(one)
        assert stat.S_IMODE(snapshot.stat().st_mode) == 0o600
        assert stat.S_IMODE(snapshot.parent.stat().st_mode) == 0o700
        # Everything the devices can tell, not only what this playbook changes: the manuals.
        told = {d["name"]: d for d in json.loads(snapshot.read_text())["device"]}
        assert told[PLUG]["settings"]["group.topic"] == before[PLUG].group
        assert told[LAMP]["settings"]["wifi.spare.ssid"] == ""
        assert told[PLUG]["settings"]["addressing.address"] == ""
        assert told[LIGHT]["signal_dbm"] == one.unit(LIGHT).spec.signal_dbm

        one.plan()
        moved = await one.run()
        assert moved.code == Exit.DONE, moved.all
        run = one.run_folder
        beside = run / "survey.json"
        assert stat.S_IMODE(beside.stat().st_mode) == 0o600
        there = {d["name"]: d["settings"] for d in json.loads(beside.read_text())["device"]}
        assert there == {name: d["settings"] for name, d in told.items()}

        away = await surveyed(one, "--against", run.name)
        assert away.code == Exit.CHANGED, away.all
        assert "3 on the new side" in away.out
        assert "3 devices changed" in away.out

        back = await one.there("rollback")
        assert back.code == Exit.DONE, back.all
        for earlier in (run.name, snapshot.stem, str(beside)):
            again = await surveyed(one, "--against", earlier)
            assert again.code == Exit.DONE, again.all
            assert "read the same as then" in again.out
        assert {name: unit.store for name, unit in one.lab.units.items()} == before

        # Somebody changes one by hand, behind everybody's back.
        unit = one.unit(PLUG)
        unit.store = replace(unit.store, group="attic")
        other = await surveyed(one, "--against", run.name)
        assert other.code == Exit.CHANGED, other.all
        assert "1 device changed" in other.out
        assert f"{PLUG} group.topic house attic" in " ".join(other.out.split())
        for secret in (*SECRETS.values(), LOGIN):
            assert secret.encode() not in one.in_state()


async def test_who_is_missing_who_answers_for_another_and_what_the_file_has_wrong(
    tmp_path: Path, starter: Starter
) -> None:
    wrong_mac = Fault(FaultKind.WRONG_MAC, mac="00-00-5E-00-53-02")
    async with house(tmp_path, starter, (LIGHT, wrong_mac)) as one:
        text = one.fleet.read_text()
        text = text.replace('dialect = "larch"', 'dialect = "larch"\nfirmware = "0.1"')
        text = text.replace(f'topic = "{LAMP}"', 'topic = "nobody"')
        one.fleet.write_text(text)
        one.edit(one.playbook, "reply_seconds = 2", "reply_seconds = 0.4")
        said = await surveyed(one, "--to", tmp_path / "mine.json")
        assert said.code == Exit.UNREACHABLE, said.all
        assert f"{LIGHT}: " in said.out
        assert "answers as 00-00-5E-00-53-02, which is another device" in said.out
        assert f"which is {PLUG}" in " ".join(said.out.split())
        assert "firmware  0.1" in said.out
        assert "nothing is said of it at the broker" in said.out
        assert (tmp_path / "mine.json").is_file()
        assert not (one.state / "surveys").exists()
        # Of one that is missing nobody can say that it is the same.
        again = await surveyed(one, "--against", tmp_path / "mine.json")
        assert again.code == Exit.UNREACHABLE, again.all


async def test_the_new_broker_is_not_there_yet(tmp_path: Path, starter: Starter) -> None:
    """A survey is made before anything of the new side is up."""
    async with house(tmp_path, starter) as one:
        text = one.playbook.read_text()
        port = f"port = {one.lab.new.broker_port}"
        one.playbook.write_text(text.replace(port, "port = 1", 1))
        said = await surveyed(one)
        assert said.code == Exit.DONE, said.all
        assert "3 on the old side" in said.out
        assert "Not heard, so nobody is found over it" in said.out


def test_files_that_are_no_snapshots(paper: Paper) -> None:
    """Words, and nothing is asked or written."""
    bad = paper.folder / "bad.json"

    def told(against: str | Path, *more: str) -> Ended:
        args = ["survey", paper.playbook, "--fleet", paper.fleet, "--against", against, *more]
        return paper.cli(*args, "--state", paper.folder / "state")

    for octets in (b"", b"[" * 100_000, b'{"format": 1}', b"\xff\xfe", b'{"device": [NaN]}'):
        bad.write_bytes(octets)
        ended = told(bad)
        assert ended.code == Exit.BAD_FILE, ended.all
        assert "bad.json" in ended.err
    with bad.open("wb") as file:
        file.truncate(33 * 1024 * 1024)
    ended = told(bad)
    assert ended.code == Exit.BAD_FILE
    assert "is longer than" in ended.err
    for name in ("nobody", "no/body", "x" * 5000):
        ended = told(name)
        assert ended.code == Exit.BAD_FILE, ended.all
        assert "there is no snapshot and no run" in ended.err
    ended = told(paper.folder)
    assert ended.code == Exit.BAD_FILE
    assert "is a folder" in ended.err
    assert not (paper.folder / "state" / "surveys").exists()


def test_another_file_is_not_written_over(paper: Paper) -> None:
    letter = paper.folder / "letter.json"
    letter.write_text('{"dear": "aunt"}')
    state = paper.folder / "state"
    args = ("survey", paper.playbook, "--fleet", paper.fleet, "--to", letter, "--state", state)
    ended = paper.cli(*args)
    assert ended.code == Exit.BAD_FILE
    assert "is no snapshot" in ended.err
    assert letter.read_text() == '{"dear": "aunt"}'
