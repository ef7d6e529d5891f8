"""A journal that was cut off, overwritten or lost its log: whole again, or refused in words."""

from __future__ import annotations

import os
import random
import shutil
import sqlite3
import subprocess
import sys
import zlib
from collections import Counter
from pathlib import Path

import pytest
from typer.testing import CliRunner

from migrate.cli.app import app
from migrate.journal import mend as mending
from migrate.journal.intents import Intent, add, place_of, read, way_to_intent
from migrate.journal.replay import replay
from migrate.journal.salvage import Hopeless, salvaged
from migrate.journal.store import Journal
from migrate.model.lifecycle import TRANSITIONS, TURNS, Direction, Event, State
from migrate.model.problems import Exit
from tests.journal.damage import campaign, fleet, lived, no_waiting_for_the_disk
from tests.journal.helpers import (
    BACK,
    NAMES,
    Clock,
    in_state,
    in_trouble,
    new_journal,
    path_in,
    plan,
    surveyed,
)

ROOT = Path(__file__).parents[2]


def test_whatever_is_cut_off_every_device_stands_where_it_did_or_the_journal_says_no() -> None:
    counts = campaign(2, seed=4)
    outcomes = Counter[str]()
    for (_, outcome), number in counts.items():
        outcomes[outcome] += number
    for outcome in ("mended", "mended, lines lost", "intents put back", "whole"):
        assert outcomes[outcome] > 3, outcome
    assert 0 < outcomes["refused in words"] < counts.total() / 3


@pytest.mark.parametrize("seed", range(6))
@no_waiting_for_the_disk()
def test_the_lines_alone_tell_where_every_device_stands(tmp_path: Path, seed: int) -> None:
    rng = random.Random(seed)  # noqa: S311 - the same each time
    planned = fleet(5)
    with lived(tmp_path / "run", planned, rng, 150) as run:
        ways_back = dict.fromkeys((row.name for row in run.rows), BACK)
        assert replay(planned, run.entries, ways_back) == run.rows
        # One line less, changed or twice: that is told, or changes what comes of it.
        for place in rng.sample(range(len(run.entries)), 20):
            if run.entries[place].before == run.entries[place].after:
                continue
            less = run.entries[:place] + run.entries[place + 1 :]
            try:
                assert replay(planned, less, ways_back) != run.rows
            except ValueError:
                pass


# The intents beside it.


def test_every_intent_stands_beside_the_journal_before_it_is_said_to_be_on_disk(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    journal = surveyed(tmp_path)
    place = place_of(journal.path)
    assert place.name == "journal.intents"
    synced: list[tuple[int, int]] = []
    sync = os.fsync

    def seen(handle: int) -> None:
        sync(handle)
        status = os.fstat(handle)
        synced.append((status.st_ino, status.st_size))

    monkeypatch.setattr(os, "fsync", seen)
    bundle = plan().device("plug").bundle
    row = journal.intend("plug", bundle)
    assert (place.stat().st_ino, place.stat().st_size) in synced
    assert read(journal.path) == [Intent(1, "plug", Direction.FORWARD, row.sent_at or "")]
    journal.step("plug", Event.UNSENT)
    journal.intend("plug", bundle)
    journal.step("plug", Event.SENT)
    journal.turn("plug")
    journal.step("plug", Event.COME_BACK)
    journal.intend("plug", BACK)
    assert [(i.number, i.direction) for i in read(journal.path)] == [
        (1, Direction.FORWARD),
        (2, Direction.FORWARD),
        (3, Direction.BACK),
    ]
    # Names and numbers: nothing of what was given.
    assert b"loft" not in place.read_bytes()
    assert b"secret" not in place.read_bytes()
    journal.close()


def test_an_intent_that_cannot_be_kept_is_none(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    journal = surveyed(tmp_path)

    def full(journal: Path, intent: Intent) -> None:
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as patch:
        patch.setattr("migrate.journal.intents.add", full)
        problem = in_trouble(lambda: journal.intend("plug", BACK), "No space left")
    assert "free space" in problem.remedy
    assert journal.row("plug").state is State.WAITING
    assert journal.intend("plug", BACK).intents == 2
    assert [intent.number for intent in read(journal.path)] == [2]
    journal.close()


@pytest.mark.parametrize(
    "left", [b"[1, ", b'[1, "plug"', b"\xff\x00", b'[1,"plug","up","x"]', b"7"]
)
def test_half_a_line_is_passed_over_and_spoils_no_other(tmp_path: Path, left: bytes) -> None:
    path = tmp_path / "journal.sqlite3"
    first = Intent(1, "lamp\n\u2028 \ud800", Direction.FORWARD, "2026-01-01T00:00:00.000+00:00")
    second = Intent(2, "plug", Direction.BACK, "2026-01-01T00:00:01.000+00:00")
    add(path, first)
    with place_of(path).open("ab") as file:
        file.write(left)
    assert read(path) == [first]
    add(path, second)
    assert read(path) == [first, second]
    assert place_of(path).stat().st_mode & 0o777 == 0o600


def test_no_flipped_bit_makes_up_an_intent(tmp_path: Path) -> None:
    path = tmp_path / "journal.sqlite3"
    kept = [
        Intent(number, "plug", Direction.FORWARD, f"2026-01-01T00:00:0{number}.000+00:00")
        for number in (1, 2)
    ]
    for intent in kept:
        add(path, intent)
    octets = place_of(path).read_bytes()
    # RFC 1952 section 8 and ISO 3309: the CRC-32 of the array itself, as zlib has it.
    line, check = octets.split(b"\n")[0].rsplit(b" ", 1)
    assert int(check, 16) == zlib.crc32(line)
    for bit in range(0, len(octets) * 8, 3):
        wrong = bytearray(octets)
        wrong[bit // 8] ^= 1 << bit % 8
        place_of(path).write_bytes(wrong)
        found = read(path)
        assert len(found) < 2
        assert set(found) < set(kept)


@pytest.mark.parametrize("state", [s for s in State if s is not State.RESTORED])
@pytest.mark.parametrize("goal", Direction)
def test_an_intent_is_put_back_by_lawful_steps(
    tmp_path: Path, state: State, goal: Direction
) -> None:
    journal = surveyed(tmp_path)
    in_state(journal, "plug", Direction.FORWARD, state)
    journal._db.execute("UPDATE event SET detail = '3600' WHERE kind = 'uptime'")
    before, lines = journal.row("plug"), journal.entries()
    journal.close()
    intent = Intent(before.intents + 1, "plug", goal, "2026-01-01T10:00:00.000+00:00")
    add(journal.path, intent)
    if (Direction.FORWARD, state) == (goal, State.SETTLED):
        # Nothing leads from there to another intent forward: the two files are of two runs.
        assert way_to_intent(Direction.FORWARD, state, goal) is None
        in_trouble(lambda: Journal.open(journal.path, Clock()), "has lost what was done with plug")
        return
    again = Journal.open(journal.path, Clock())
    assert "plug may have been sent something" in again.salvaged
    row = again.row("plug")
    assert (row.state, row.direction, row.intents) == (State.SENDING, goal, intent.number)
    assert row.given == (plan().device("plug").bundle if goal is Direction.FORWARD else BACK)
    assert row.sent_at == intent.at
    here = (before.direction, before.state)
    *added, uptime = again.entries()[len(lines) :]
    assert (uptime.kind, uptime.detail) == ("uptime", "")  # that of an earlier intent is not its
    assert again.uptime("plug") is None
    for entry in added:  # each step by the table
        if entry.kind == "turn":
            assert TURNS[here[1]] == entry.after
        else:
            assert TRANSITIONS[*here, Event(entry.kind)] == entry.after
        here = (Direction(entry.direction or ""), State(entry.after or ""))
    assert "the journal had lost this line" in added[-1].detail
    again.step("plug", Event.SENT)
    again.close()
    third = Journal.open(journal.path, Clock())
    assert third.salvaged == ""
    assert third.row("plug").state is State.AWAY
    third.close()


def test_intents_of_a_device_that_the_plan_has_not(tmp_path: Path) -> None:
    surveyed(tmp_path).close()
    add(path_in(tmp_path), Intent(1, "stranger", Direction.FORWARD, "2026-01-01T00:00:00Z"))
    in_trouble(lambda: Journal.open(path_in(tmp_path), Clock()), "stranger")


# A crash while it is mended, and others who look meanwhile.


def broken(folder: Path) -> tuple[Path, bytes]:
    """A journal without its last page: every device has gone far, and the log is folded in."""
    journal = surveyed(folder)
    for name in NAMES:
        journal.intend(name, plan().device(name).bundle)
        journal.step(name, Event.SENT, "it said yes")
    for number in range(60):
        journal.remark("odd", f"{number}: " + "words " * 20)
    journal.step("plug", Event.ARRIVE, "found")
    journal.close()
    journal.path.write_bytes(journal.path.read_bytes()[:-4096])
    return journal.path, journal.path.read_bytes()


def test_the_damaged_file_is_kept_and_the_owner_told_once(tmp_path: Path) -> None:
    path, octets = broken(tmp_path)
    journal = Journal.open(path, Clock())
    assert journal.salvaged.startswith("the journal was damaged and has been mended")
    assert "lines of its history can no longer be read" in journal.salvaged
    kept = path.with_name("journal.damaged-1.sqlite3")
    assert kept.name in journal.salvaged
    assert kept.read_bytes() == octets
    assert {file.stat().st_mode & 0o777 for file in path.parent.iterdir()} == {0o600}
    (line,) = [entry for entry in journal.entries() if entry.kind == "mended" and not entry.name]
    assert line.detail == journal.salvaged
    assert journal.row("plug").state is State.SEEN
    journal.step("plug", Event.SOAK)
    journal.close()
    again = Journal.open(path, Clock())
    assert again.salvaged == ""
    assert again.row("plug").state is State.SETTLED
    again.close()
    # Damaged once more, nothing that was kept is written over.
    path.write_bytes(path.read_bytes()[:-1])
    Journal.open(path, Clock()).close()
    assert kept.read_bytes() == octets
    assert path.with_name("journal.damaged-2.sqlite3").exists()


def test_the_command_line_says_it_once(tmp_path: Path) -> None:
    path, _ = broken(tmp_path)  # runs/one below it, as a state folder has it
    for command, *more in (["status"], ["report", "--to", "-"]):
        said = CliRunner().invoke(app, [command, "one", *more, "--state", str(tmp_path)])
        assert said.exit_code == 0, said.output
        told = "one: the journal was damaged and has been mended" in " ".join(said.stderr.split())
        assert told == (command == "status")
    assert "has been mended" in said.stdout  # for the record
    path.write_bytes(b"")
    Path(f"{path}-wal").unlink(missing_ok=True)
    said = CliRunner().invoke(app, ["status", "one", "--state", str(tmp_path)])
    assert said.exit_code == Exit.JOURNAL
    assert "is damaged" in said.stderr
    assert "plan anew" in " ".join(said.stderr.split())
    assert "Traceback" not in said.output


class Crash(BaseException):
    """The process ends here."""


def test_a_crash_at_any_point_of_mending_loses_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    crashes = 0
    made, octets = broken(tmp_path / "made")
    while True:
        folder = tmp_path / str(crashes)
        shutil.copytree(made.parent, folder)
        path = folder / made.name
        left = iter(range(crashes))

        def tick(left: object = left) -> None:
            if next(left, None) is None:  # type: ignore[call-overload]
                raise Crash

        with monkeypatch.context() as patch:
            for owner, name in (
                (mending, "sync"),
                (mending, "sync_folders"),
                (shutil, "copyfile"),
                (Path, "rename"),
                (Path, "replace"),
                (Path, "unlink"),
            ):
                real = getattr(owner, name)
                patch.setattr(
                    owner, name, lambda *a, real=real, tick=tick, **k: (tick(), real(*a, **k))[1]
                )
            try:
                Journal.open(path, Clock()).close()
            except Crash:
                crashes += 1
            else:
                break
        again = Journal.open(path, Clock())
        assert {row.name: row.state for row in again.rows()} == {
            "attic-lamp": State.AWAY,
            "desk-lamp": State.AWAY,
            "plug": State.SEEN,
        }
        again.close()
        kept = list(path.parent.glob("journal.damaged-*.sqlite3"))
        assert kept
        assert {file.read_bytes() for file in kept} == {octets}
        assert not list(path.parent.glob("mending-*"))
    assert crashes >= 8


def test_a_run_that_still_works_by_it_must_end_first(tmp_path: Path) -> None:
    path, octets = broken(tmp_path)
    hold = (
        "import sqlite3, sys\n"
        "db = sqlite3.connect(sys.argv[1], isolation_level=None)\n"
        "db.execute('PRAGMA writable_schema=ON')\n"
        "db.execute('SELECT count(*) FROM meta').fetchone()\n"
        "print('held', flush=True); sys.stdin.read()\n"
    )
    with subprocess.Popen(
        [sys.executable, "-c", hold, str(path)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    ) as other:
        assert other.stdout is not None
        assert other.stdout.readline() == "held\n"
        problem = in_trouble(lambda: Journal.open(path, Clock()), "a run still works by it")
        assert "stop that run" in problem.remedy
        assert path.read_bytes() == octets
        other.kill()
    Journal.open(path, Clock()).close()


def test_a_journal_that_lives_in_its_log_alone(tmp_path: Path) -> None:
    """The database is empty, and everything is in the log: SQLite would throw that away."""
    journal = surveyed(tmp_path / "one")
    log = Path(f"{journal.path}-wal").read_bytes()
    rows = journal.rows()
    path = tmp_path / "two" / "journal.sqlite3"
    path.parent.mkdir()
    path.touch()
    Path(f"{path}-wal").write_bytes(log)
    again = Journal.open(path, Clock())
    assert again.rows() == rows
    again.close()
    journal.close()


@pytest.mark.parametrize("octets", [1, 30, 60, 500])
def test_zeros_at_the_end_of_a_page_are_not_taken_for_what_stood_there(
    tmp_path: Path, octets: int
) -> None:
    """As where the last page is cut off within, and the rest is made up with zeros."""
    rng = random.Random(7)  # noqa: S311 - the same each time
    with no_waiting_for_the_disk(), lived(tmp_path / "run", fleet(3), rng, 40) as run:
        pass
    whole = run.path.read_bytes()
    outcomes = Counter[str]()
    for end in range(4096, len(whole) + 1, 4096):
        copy = tmp_path / f"{end}.sqlite3"
        copy.write_bytes(whole[: end - octets] + bytes(octets) + whole[end:])
        try:
            found = salvaged(copy, padded=True)
        except (Hopeless, sqlite3.Error):
            outcomes["nothing"] += 1
            continue
        assert found.rows == run.rows
        assert set(found.entries) <= set(run.entries)
        outcomes["some" if found.lost or found.rebuilt else "all"] += 1
    assert outcomes["nothing"]
    assert outcomes["some"]
    assert outcomes["all"]


def test_what_no_salvage_can_read_stays_as_it_is(tmp_path: Path) -> None:
    surveyed(tmp_path).close()
    path = path_in(tmp_path)
    octets = path.read_bytes()
    for change in (octets[:4096], b"\0" * 8192, octets[:4096] + b"\0" * (len(octets) - 4096)):
        path.write_bytes(change)
        problem = in_trouble(lambda: Journal.open(path, Clock()), "is damaged")
        assert "run its plan again" in problem.remedy
        assert path.read_bytes() == change
        assert not list(path.parent.glob("*damaged*"))
        assert not list(path.parent.glob("mending-*"))


@pytest.mark.parametrize("octets", [0, 100, 4096])
def test_a_journal_cut_off_while_it_was_begun_says_that_nothing_was_sent(
    tmp_path: Path, octets: int
) -> None:
    surveyed(tmp_path).close()
    path = path_in(tmp_path)
    path.write_bytes(path.read_bytes()[:octets])
    assert (
        "nothing was sent by it"
        in in_trouble(lambda: Journal.open(path, Clock()), "is damaged").remedy
    )
    # Not so if that is not sure.
    place_of(path).unlink()
    assert (
        "nothing was sent"
        not in in_trouble(lambda: Journal.open(path, Clock()), "is damaged").remedy
    )
    add(path, Intent(1, "plug", Direction.FORWARD, "2026-01-01T00:00:00.000+00:00"))
    assert (
        "nothing was sent"
        not in in_trouble(lambda: Journal.open(path, Clock()), "is damaged").remedy
    )


def test_intents_that_are_there_before_the_journal_are_left_alone(tmp_path: Path) -> None:
    path = path_in(tmp_path)
    path.parent.mkdir(parents=True)
    place_of(path).write_text("another's")
    in_trouble(lambda: new_journal(tmp_path), "cannot be created: File exists")
    assert [file.name for file in path.parent.iterdir()] == ["journal.intents"]
    assert place_of(path).read_text() == "another's"


def test_words_with_a_wrong_octet_do_not_hide_the_others(tmp_path: Path) -> None:
    journal = surveyed(tmp_path)
    journal.note("plug", "asleep")
    journal.note("plug", "awake")
    journal._db.execute("UPDATE event SET detail = CAST(x'61ff' AS TEXT) WHERE detail = 'asleep'")
    assert [entry.detail for entry in journal.entries("plug")] == ["a\ufffd", "awake"]
    journal.close()


def test_a_device_that_stands_elsewhere_than_its_last_line_says_is_noticed(tmp_path: Path) -> None:
    journal = surveyed(tmp_path)
    journal.intend("plug", plan().device("plug").bundle)
    journal.close()
    with sqlite3.connect(journal.path) as other:
        other.execute("UPDATE device SET state = 'waiting' WHERE name = 'plug'")
    other.close()
    again = Journal.open(journal.path, Clock())
    assert again.row("plug").state is State.SENDING
    assert "worked out from its lines" in again.salvaged
    again.close()
    with sqlite3.connect(journal.path) as other:
        other.execute("DELETE FROM device WHERE name = 'plug'")
        other.execute("DELETE FROM event WHERE kind = 'intend'")
    other.close()
    in_trouble(lambda: Journal.open(journal.path, Clock()), "where the devices stand")
