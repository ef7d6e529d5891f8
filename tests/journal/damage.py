"""Journals of runs in many states, damaged in many ways, and what opening them comes to.

python -m tests.journal.damage JOURNALS [SEED]    prints how often each kind of damage came to what
"""

from __future__ import annotations

import random
import shutil
import sqlite3
import sys
import tempfile
from collections import Counter
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from itertools import takewhile
from pathlib import Path
from unittest import mock

from migrate.journal.intents import place_of, read
from migrate.journal.rows import UPTIME, Entry, Row
from migrate.journal.steps import PUT_BACK
from migrate.journal.store import Journal
from migrate.model.lifecycle import TRANSITIONS, TURNS, Direction, Event, State
from migrate.model.problems import JournalTrouble
from migrate.planning.plan import Plan
from tests.journal.helpers import BACK, FACTS, READINGS, Clock
from tests.planning.samples import device, plan_of

PAGE = 4096
WORDS = "it said yes; no route to the host; found where it came from; "


@dataclass(frozen=True)
class Run:
    """A journal as it was before the damage, and all that was ever in it."""

    path: Path
    rows: list[Row]
    entries: list[Entry]
    after: list[dict[str, Row]]
    """The devices after each line, beginning with none."""


@dataclass(frozen=True)
class Damage:
    kind: str
    main: bytes
    log: bytes | None
    log_is_cut: bool = False


def fleet(devices: int) -> Plan:
    return plan_of([device(f"lamp-{n:03}", n + 1) for n in range(devices)])


@contextmanager
def lived(folder: Path, plan: Plan, rng: random.Random, steps: int) -> Iterator[Run]:
    """A run of so many random lawful steps; closing it would fold its log in. What is on the disk
    is what is written here: waiting for the disk would only take time."""
    journal = Journal.create(folder / "journal.sqlite3", plan, Clock(), FACTS)
    journal._db.execute("PRAGMA synchronous=OFF")
    names = [one.name for one in plan.devices]
    for name in names:
        journal.record_before(name, READINGS, BACK)
    after = [{row.name: row for row in journal.rows()}]
    for _ in range(steps):
        _step(journal, plan, rng.choice(names), rng)
        rows = {row.name: row for row in journal.rows()}
        after += [rows] * (len(journal.entries()) + 1 - len(after))
        if rng.random() < 0.02:
            journal._db.execute("PRAGMA wal_checkpoint(PASSIVE)")
    try:
        yield Run(journal.path, journal.rows(), journal.entries(), after)
    finally:
        journal.close()


def _step(journal: Journal, plan: Plan, name: str, rng: random.Random) -> None:
    row = journal.row(name)
    events = [e for way, s, e in TRANSITIONS if (way, s) == (row.direction, row.state)]
    if row.state is State.WAITING and row.sent_at is None and Event.SENT in events:
        events.remove(Event.SENT)  # it was never sent anything
    choices: list[str] = [*events, *events, *events, "note", "remark", "off"]
    if row.direction is Direction.FORWARD and row.state in TURNS:
        choices.append("turn")
    what = rng.choice(choices)
    if what == Event.INTEND:
        forward = row.direction is Direction.FORWARD
        journal.intend(name, plan.device(name).bundle if forward else BACK)
    elif what == "note":
        journal.note(name, WORDS * rng.randrange(1, 4))
    elif what == "remark":
        journal.remark("gate open", "wave 1", wave=0)
    elif what == "off":
        journal.write_off(name)
    elif what == "turn":
        journal.turn(name)
    else:
        took = rng.random() * 40 if what == Event.ARRIVE else None
        journal.step(name, Event(what), WORDS, took=took)


def frames(log: bytes) -> list[int]:
    """Where frames end. Source: sqlite.org, file format, section 4.1: a head of 32 octets, then
    frames of 24 octets and a page."""
    return list(range(32, len(log) + 1, 24 + PAGE))


def damages(run: Run, rng: random.Random, folder: Path) -> Iterator[Damage]:
    """Every kind of damage, on the log and, with the log folded in, on the database."""
    main, log = run.path.read_bytes(), Path(f"{run.path}-wal").read_bytes()
    ends = frames(log)
    for end in [*ends[-12:], *rng.sample(ends, min(len(ends), 6))]:
        yield Damage("log cut at a frame", main, log[:end], log_is_cut=True)
        yield Damage("log cut in a frame", main, log[: end - rng.randrange(1, 32)], log_is_cut=True)
    yield Damage("log gone", main, None, log_is_cut=True)
    for cut in (1, PAGE):
        yield Damage("database cut, log there", main[:-cut], log)
    folded = folder / "folded.sqlite3"
    folded.write_bytes(main)
    Path(f"{folded}-wal").write_bytes(log)
    sqlite3.connect(folded).execute("PRAGMA wal_checkpoint(TRUNCATE)").connection.close()
    main = folded.read_bytes()
    pages = len(main) // PAGE
    for cut in (1, 2, 100, 511, PAGE // 2, PAGE - 1, PAGE):
        yield Damage("last page cut", main[:-cut], None)
    for many in (2, 3, 5):
        if many < pages:
            yield Damage("last pages cut", main[: -many * PAGE - rng.randrange(PAGE)], None)
    yield Damage("last page zeroed", main[:-PAGE] + bytes(PAGE), None)
    yield Damage("last page noise", main[:-PAGE] + rng.randbytes(PAGE), None)
    for _ in range(12):
        wrong = bytearray(main)
        wrong[-1 - rng.randrange(PAGE)] ^= 1 << rng.randrange(8)
        yield Damage("octet of the last page flipped", bytes(wrong), None)
    for _ in range(6):
        page = rng.randrange(1, pages)
        zeroed = main[: page * PAGE] + bytes(PAGE) + main[(page + 1) * PAGE :]
        yield Damage("any page zeroed", zeroed, None)


def opened(run: Run, damage: Damage, folder: Path) -> str:
    """Open a damaged copy and say what came of it. Raises AssertionError if that is not right."""
    path = folder / "journal.sqlite3"
    folder.mkdir()
    path.write_bytes(damage.main)
    if damage.log is not None:
        Path(f"{path}-wal").write_bytes(damage.log)
    shutil.copy(place_of(run.path), place_of(path))
    try:
        journal = Journal.open(path, Clock())
    except JournalTrouble as trouble:
        if not trouble.problems[0].remedy or not _untouched(path, damage):
            raise
        return "refused in words"
    try:
        outcome = _judged(run, damage, journal)
        rows = journal.rows()
    except JournalTrouble:
        assert "flipped" in damage.kind
        return "opened, then refused in words"
    finally:
        journal.close()
    again = Journal.open(path, Clock())  # once mended it is sound, and is told once
    assert (again.salvaged, again.rows()) == ("", rows)
    again.close()
    shutil.rmtree(folder)
    return outcome


def _untouched(path: Path, damage: Damage) -> bool:
    """Nothing is lost by trying."""
    log = Path(f"{path}-wal")
    return path.read_bytes() == damage.main and (
        damage.log is None or log.read_bytes() == damage.log
    )


def _judged(run: Run, damage: Damage, journal: Journal) -> str:
    rows = journal.rows()
    counts = Counter(intent.name for intent in read(journal.path))
    for row in rows:
        assert row.intents == counts[row.name], row
    if not damage.log_is_cut:
        lines = [entry for entry in journal.entries() if entry.kind != "mended"]
        strange = rows != run.rows or not set(lines) <= set(run.entries)
        if strange:
            # A flipped bit inside a text cannot be told by anything but its sense.
            differ = [(a, b) for a, b in zip(rows, run.rows, strict=True) if a != b]
            assert "flipped" in damage.kind, (damage.kind, differ, set(lines) - set(run.entries))
            assert [_core(row) for row in rows] == [_core(row) for row in run.rows]
            return "opened, a text differs"
        if not journal.salvaged:
            return "whole"
        if "worked out" in journal.salvaged:
            return "mended, devices from the lines"
        return "mended" if len(lines) == len(run.entries) else "mended, lines lost"
    if "has been mended" in journal.salvaged:
        # Part of what the log had was in the database by then: each device is as it once was.
        for row in rows:
            assert row.note == PUT_BACK or any(row == then[row.name] for then in run.after)
        return "mended"
    was = _after(run, journal)
    put_back = 0
    for row in rows:
        if row.intents == was[row.name].intents:
            assert row == was[row.name]
            continue
        put_back += 1
        last = [intent for intent in read(journal.path) if intent.name == row.name][-1]
        assert (row.state, row.direction) == (State.SENDING, last.direction)
        assert (row.sent_at, row.note) == (last.at, PUT_BACK)
        forward = row.direction is Direction.FORWARD
        assert row.given == (journal.plan.device(row.name).bundle if forward else BACK)
    assert bool(put_back) == bool(journal.salvaged)
    if put_back:
        return "intents put back"
    return "whole" if len(journal.entries()) == len(run.entries) else "gone back, no intent lost"


def _core(row: Row) -> tuple[object, ...]:
    return (row.name, row.wave, row.direction, row.state, row.written_off, row.faults, row.intents)


def _after(run: Run, journal: Journal) -> dict[str, Row]:
    """The devices at the last commit that the log still has."""
    found = journal.entries()
    left = sum(
        1 for _ in takewhile(lambda pair: pair[0] == pair[1], zip(found, run.entries, strict=False))
    )
    assert {e.kind for e in found[left:]} <= {"turn", UPTIME, *Event}, found[left:]
    return run.after[left]


@contextmanager
def no_waiting_for_the_disk() -> Iterator[None]:
    """Nothing is synced meanwhile; the damage is done by hand here."""
    with ExitStack() as patches:
        for place in ("mend.sync", "mend.sync_folders", "intents.sync", "store.sync_folders"):
            patches.enter_context(mock.patch(f"migrate.journal.{place}"))
        yield


@no_waiting_for_the_disk()
def campaign(journals: int, seed: int) -> Counter[tuple[str, str]]:
    """How often each kind of damage came to what."""
    counts: Counter[tuple[str, str]] = Counter()
    for number in range(journals):
        rng = random.Random(seed + number)  # noqa: S311 - the same each time
        with tempfile.TemporaryDirectory() as name:
            folder = Path(name)
            plan = fleet(rng.choice((1, 3, 8, 40)))
            with lived(folder / "run", plan, rng, rng.choice((1, 10, 60, 200))) as run:
                for place, damage in enumerate(damages(run, rng, folder)):
                    try:
                        outcome = opened(run, damage, folder / str(place))
                    except Exception as error:
                        error.add_note(f"seed {seed + number}, damage {place}: {damage.kind}")
                        raise
                    counts[damage.kind, outcome] += 1
    return counts


def main() -> None:
    journals, seed = int(sys.argv[1]), int(sys.argv[2]) if len(sys.argv) > 2 else 1
    counts = campaign(journals, seed)
    for (kind, outcome), number in sorted(counts.items()):
        sys.stdout.write(f"{kind:32} {outcome:32} {number:7}\n")
    sys.stdout.write(f"{'in all':65} {counts.total():7}\n")


if __name__ == "__main__":
    main()
