"""What can still be read of a damaged database, and whether it is enough to go on with.

Enough are the plan, the surveys and the ways back, all of them, and where every device stands: by
the device table, if it agrees with the lines that are left; else worked out from the lines, if
those are all there.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any, Final

from migrate.journal.file import FORMAT
from migrate.journal.replay import STILL, replay
from migrate.journal.rows import COLUMNS, Entry, Row, row_of, table_of, thaw_json
from migrate.model.problems import BadFile, Changed
from migrate.planning.plan import Plan, plan_from_json

ENTRY_COLUMNS: Final = "seq, at, name, wave, direction, kind, before, after, detail"
Numbered = dict[int, tuple[Any, ...]]


class Hopeless(Exception):
    """Too little can be read; in words, what."""


@dataclass(frozen=True)
class Salvage:
    """A whole journal again. `surveys` and `ways_back`: time and JSON by name; `lost`: how many
    lines of the history are missing; `rebuilt`: the devices are worked out from the lines."""

    meta: Mapping[str, str]
    plan: Plan
    surveys: Mapping[str, tuple[str, str]]
    ways_back: Mapping[str, tuple[str, str]]
    rows: Sequence[Row]
    entries: Sequence[Entry]
    last: int
    lost: int
    rebuilt: bool


def salvaged(copy: Path, *, padded: bool = False) -> Salvage:
    """What a copy of a damaged database still holds; the copy is changed by this. `padded`: its end
    was lost, and zeros stand there.

    Raises Hopeless, and sqlite3.Error if nothing at all can be read.
    """
    db = sqlite3.connect(copy, isolation_level=None)
    try:
        # With this SQLite takes the file to be as long as it is, not as long as its head says.
        db.execute("PRAGMA writable_schema=ON")
        db.execute("PRAGMA cell_size_check=ON")
        db.text_factory = bytes  # each text is decoded by itself, so that one bad one costs no more
        scan = _Scan(db, padded)
        meta, plan = _meta(scan)
        surveys, ways_back = _before(scan, plan)
        entries, last, all_there = _entries(scan)
        rows = _devices(scan, plan)
    finally:
        db.close()
    history = None
    if all_there:
        try:
            history = replay(
                plan, entries, {name: thaw_json(text) for name, (_, text) in ways_back.items()}
            )
        except ValueError:
            all_there = False
    fits = rows is not None and (
        _same(rows, history) if history is not None else _agree(rows, entries)
    )
    found = rows if fits else history
    if found is None:
        raise Hopeless("where the devices stand")
    if any(row.sent_at is not None and row.name not in ways_back for row in found):
        raise Hopeless("the way back of each device")
    lost = last - len(entries)
    return Salvage(meta, plan, surveys, ways_back, found, entries, last, lost, rebuilt=not fits)


@dataclass(frozen=True)
class _Scan:
    """Reads tables as far as they can be read."""

    db: sqlite3.Connection
    padded: bool

    def __call__(self, table: str, columns: str) -> tuple[Numbered, bool]:
        """The rows of a table by their numbers, read from both ends as far as that goes, and
        whether they are all there."""
        found: Numbered = {}
        whole = True
        for order in ("ASC", "DESC"):
            try:
                cursor = self.db.execute(
                    f"SELECT rowid, {columns} FROM {table} NOT INDEXED ORDER BY rowid {order}"  # noqa: S608
                )
                for number, *rest in cursor:
                    if self.padded and any(b"\0" in c for c in rest if isinstance(c, bytes)):
                        whole = False  # its end is among what was lost
                    else:
                        found[number] = tuple(rest)
            except sqlite3.DatabaseError:
                whole = False
            if whole:
                break
        return found, whole


def _meta(scan: _Scan) -> tuple[dict[str, str], Plan]:
    found, whole = scan("meta", "key, value")
    try:
        meta = {key.decode(): value.decode() for key, value in found.values()}
        plan = plan_from_json(meta["plan"], "")
    except (ValueError, AttributeError, KeyError, BadFile, Changed):
        raise Hopeless("the plan") from None
    if not whole or meta.get("format") != FORMAT:
        raise Hopeless("the plan")
    return meta, plan


def _before(
    scan: _Scan, plan: Plan
) -> tuple[dict[str, tuple[str, str]], dict[str, tuple[str, str]]]:
    """Surveys and ways back. They are written together, so each tells whether the other is all
    there."""
    tables, wholes = [], []
    for table, column, check in (
        ("survey", "readings", table_of),
        ("way_back", "bundle", thaw_json),
    ):
        found, whole = scan(table, f"name, at, {column}")
        tables.append(_texts(found, check))
        wholes.append(whole and len(tables[-1]) == len(found))
    surveys, ways_back = tables
    known = {device.name for device in plan.devices}
    if surveys.keys() != ways_back.keys() or not surveys.keys() <= known:
        raise Hopeless("the way back of each device")
    if not any(wholes) and surveys.keys() != known:
        raise Hopeless("the way back of each device")
    return surveys, ways_back


def _texts(found: Numbered, check: Callable[[str], object]) -> dict[str, tuple[str, str]]:
    texts = {}
    for columns in found.values():
        try:
            name, at, text = (column.decode() for column in columns)
            check(text)
        except (ValueError, AttributeError):
            continue
        texts[name] = (at, text)
    return texts


def _entries(scan: _Scan) -> tuple[list[Entry], int, bool]:
    """The lines, the number of the last that ever was, as far as known, and whether these are
    all."""
    found, whole = scan("event", ENTRY_COLUMNS)
    entries = []
    for columns in found.values():
        try:
            *rest, detail = columns
            entry = Entry(*[*_decoded(rest), detail.decode("utf-8", "replace")])
        except (ValueError, AttributeError):
            continue
        if isinstance(entry.seq, int) and isinstance(entry.at, str) and isinstance(entry.kind, str):
            entries.append(entry)
    entries.sort(key=lambda entry: entry.seq)
    last = entries[-1].seq if entries else 0
    numbers, known = scan("sqlite_sequence", "name, seq")
    for name, seq in numbers.values():
        if name == b"event" and isinstance(seq, int):
            last = max(last, seq)
    return entries, last, whole and known and last == len(entries)


def _devices(scan: _Scan, plan: Plan) -> list[Row] | None:
    """The devices in the order of the plan, or nothing if any is missing or makes no sense."""
    found, whole = scan("device", f"position, {COLUMNS}")
    try:
        rows = {columns[0]: row_of(_decoded(columns[1:])) for columns in found.values()}
        for row in rows.values():
            for time in (row.sent_at, row.changed_at):
                datetime.fromisoformat(time or "2000-01-01")
    except (ValueError, TypeError):
        return None
    if not whole or len(rows) != len(found):
        return None
    planned = {place: (d.name, plan.wave_of(d.name)) for place, d in enumerate(plan.devices)}
    if {place: (row.name, row.wave) for place, row in rows.items()} != planned:
        return None
    return [rows[place] for place in planned]


def _same(rows: Sequence[Row], history: Sequence[Row]) -> bool:
    """Whether both say the same of every device. What was given may be a bundle of before a turn,
    and the number of intents may be higher, where one was put back."""

    def core(row: Row) -> tuple[object, ...]:
        times = (row.sent_at, row.changed_at)
        return (row.name, row.direction, row.state, row.written_off, row.faults, row.note, *times)

    return all(
        core(row) == core(other) and row.intents >= other.intents and row.given == other.given
        for row, other in zip(rows, history, strict=True)
    )


def _agree(rows: Sequence[Row], entries: Sequence[Entry]) -> bool:
    """Whether the devices are as their last lines have them, as far as those are there."""
    latest = {entry.name: entry for entry in entries if entry.kind not in STILL}
    for row in rows:
        entry = latest.get(row.name)
        if entry is None or (row.changed_at is not None and entry.at < row.changed_at):
            continue  # what it did last is among the lines that are lost
        if (entry.at, entry.after, entry.direction) != (row.changed_at, row.state, row.direction):
            return False
    return True


def _decoded(columns: Sequence[Any]) -> tuple[Any, ...]:
    """With text for octets. Raises ValueError for what is no UTF-8."""
    return tuple(c.decode() if isinstance(c, bytes) else c for c in columns)
