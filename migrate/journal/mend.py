"""A damaged journal is mended where it can be: the damaged files are kept, a whole one takes over.

The order is such that a crash at any point leaves either the damaged files, whole as they were, or
a new journal that the next start puts in their place.
"""

from __future__ import annotations

import fcntl
import os
import shutil
import sqlite3
import tempfile
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from dataclasses import astuple
from datetime import datetime
from pathlib import Path
from typing import Final

from migrate.journal.file import (
    DAMAGED,
    FORMAT,
    LOST,
    SCHEMA,
    UNSENT,
    explained,
    lost,
    sync,
    sync_folders,
    trouble,
)
from migrate.journal.intents import beyond_help, none, read
from migrate.journal.rows import freeze_json
from migrate.journal.salvage import ENTRY_COLUMNS, Hopeless, Salvage, salvaged
from migrate.journal.steps import line
from migrate.model.lifecycle import Direction, State
from migrate.model.problems import BadFile, Changed
from migrate.planning.plan import Plan, plan_from_json

ENDS: Final = ("", "-wal")
ASIDE: Final = "mending-"
PAGE: Final = 4096
"""Octets of a page; SQLite's own size, which the journal leaves as it is."""
MENDED: Final = "mended"
"""Kind of the line that says what of a damaged journal is lost."""


def mend(path: Path, now: Callable[[], datetime]) -> tuple[Plan, str]:
    """See that a journal is sound; mend it if it is not. Its plan, and in words what was done, if
    anything was.

    Raises JournalTrouble if it cannot be made sound. Then its files are as they were.
    """
    with explained(path):
        if not _ready(path).exists() and (plan := _sound(path)):
            return plan, ""
        with _alone(path):
            # What a crash has left undone, and what it has left behind.
            _take_over(path)
            for folder in path.parent.glob(f"{ASIDE}*"):
                shutil.rmtree(folder)
            if plan := _sound(path):
                return plan, ""
            _refuse_if_in_use(path)
            try:
                words = _prepare(path, now)
            except Hopeless as what:
                remedy = UNSENT if none(path) else LOST
                raise trouble(path, f"is damaged: {what} can no longer be read", remedy) from None
            except sqlite3.Error as error:
                remedy = UNSENT if none(path) else LOST
                raise trouble(path, f"is damaged: {error}", remedy) from None
            _take_over(path)
            if plan := _sound(path):
                return plan, words
            raise trouble(path, DAMAGED, LOST)


def _sound(path: Path) -> Plan | None:
    """The plan, if the database is whole, and the devices are as their last lines say.

    It is opened for reading only: closing it would otherwise write its log into a damaged file. If
    it is empty it is not opened at all: SQLite would throw its log away. Raises JournalTrouble if
    intents that it has lost cannot be put back.
    """
    kept = read(path)  # first: what is added meanwhile is in the database
    size = path.stat().st_size
    if size == 0 or size % PAGE:
        return None
    uri = f"{path.absolute().as_uri()}?mode=ro"
    with closing(sqlite3.connect(uri, uri=True, isolation_level=None, timeout=10)) as db:
        try:
            if db.execute("PRAGMA quick_check").fetchone() != ("ok",):
                return None
            meta = dict(db.execute("SELECT key, value FROM meta WHERE key IN ('format', 'plan')"))
            if meta.get("format") != FORMAT:
                raise trouble(path, "was written by another version of migrate")
            if db.execute(CONTRADICTIONS).fetchone() != (0,):
                return None
            plan = plan_from_json(meta.get("plan", ""), str(path))
            ways_back = {name for (name,) in db.execute("SELECT name FROM way_back")}
            devices = {
                name: (Direction(direction), State(state), intents)
                for name, direction, state, intents in db.execute(
                    "SELECT name, direction, state, intents FROM device"
                )
            }
        except (ValueError, BadFile, Changed):
            return None
        except sqlite3.DatabaseError as error:
            # Without a code it is a text that is no UTF-8.
            code = getattr(error, "sqlite_errorcode", None)
            if code is None or code & 0xFF in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB):
                return None
            raise
    if devices.keys() != {device.name for device in plan.devices}:
        return None
    if name := beyond_help(kept, devices, ways_back):
        raise lost(path, name)
    return plan


CONTRADICTIONS: Final = """
SELECT count(*) FROM device LEFT JOIN
    (SELECT name, direction, after, max(seq) FROM event
        WHERE name IS NOT NULL GROUP BY name) AS line
    USING (name)
WHERE device.state <> coalesce(line.after, 'waiting')
    OR device.direction <> coalesce(line.direction, 'forward')
"""
"""Devices that stand elsewhere than their last line says. Source: sqlite.org, SELECT, section 2.5:
beside max() the other columns are from the row that has it."""


@contextmanager
def _alone(path: Path) -> Iterator[None]:
    """One process mends at a time."""
    handle = os.open(path.parent, os.O_RDONLY | os.O_CLOEXEC)
    try:
        fcntl.flock(handle, fcntl.LOCK_EX)
        yield
    finally:
        os.close(handle)


def _refuse_if_in_use(path: Path) -> None:
    """A process that still works by the damaged file must end first: it would go on with a file
    that is no longer the journal."""
    # Source: sqlite.org, file format, section 1.6, and os.h: whoever uses a database in this mode
    # holds a shared lock on these octets.
    first, length = 0x40000002, 510
    with path.open("r+b") as file:
        try:
            fcntl.lockf(file, fcntl.LOCK_EX | fcntl.LOCK_NB, length, first)
        except (BlockingIOError, PermissionError):
            raise trouble(
                path, "is damaged, and a run still works by it", "stop that run with Ctrl-C first"
            ) from None


def _ready(path: Path) -> Path:
    return path.with_name(f"{path.stem}.mended{path.suffix}")


def _prepare(path: Path, now: Callable[[], datetime]) -> str:
    """Read what can be read, keep the damaged files, and have the new journal ready beside them.

    Raises Hopeless, sqlite3.Error and OSError."""
    with tempfile.TemporaryDirectory(dir=path.parent, prefix=ASIDE) as folder:
        new = Path(folder) / "new.sqlite3"
        found = _found(path, Path(folder))
        devices = {row.name: (row.direction, row.state, row.intents) for row in found.rows}
        if name := beyond_help(read(path), devices, found.ways_back):
            raise lost(path, name)
        kept = _keep(path, Path(folder))
        words = _in_words(found, kept)
        os.close(os.open(new, os.O_CREAT | os.O_EXCL | os.O_RDWR, 0o600))
        with closing(sqlite3.connect(new, isolation_level=None)) as db:
            _write(db, found, now().isoformat(timespec="milliseconds"), words)
        _synced(new)
        new.rename(_ready(path))
        sync_folders([path.parent])
    return words


def _found(path: Path, folder: Path) -> Salvage:
    """What can be read of copies of the files. Raises Hopeless, sqlite3.Error and OSError."""
    whole, rest = divmod(path.stat().st_size, PAGE)
    # A page of which the end is gone is not to be trusted; but if it is needed, that end may have
    # been empty. A file without any page is made longer for its log to be read: all may be there.
    lengths = [max(whole, 1) * PAGE, *([(whole + 1) * PAGE] if whole and rest else [])]
    trouble: Exception = Hopeless("it")
    for number, length in enumerate(lengths):
        copy = folder / f"copy{number}.sqlite3"
        for end in ENDS:
            if path.with_name(path.name + end).exists():
                shutil.copyfile(path.with_name(path.name + end), copy.with_name(copy.name + end))
        os.truncate(copy, length)
        try:
            return salvaged(copy, padded=length > whole * PAGE)
        except (Hopeless, sqlite3.Error) as error:
            trouble = error
    raise trouble


def _take_over(path: Path) -> None:
    """Put the new journal in the place of the damaged one. Doing it twice does no harm."""
    if not _ready(path).exists():
        return
    # The old log first: SQLite would write it into the new file.
    for end in ("-wal", "-shm"):
        path.with_name(path.name + end).unlink(missing_ok=True)
    sync_folders([path.parent])
    _ready(path).replace(path)
    sync_folders([path.parent])


def _keep(path: Path, folder: Path) -> Path:
    """Copies of the damaged files under a name of their own, on the disk; made in a folder aside,
    so that what has that name is whole."""
    number = 1
    while (kept := path.with_name(f"{path.stem}.damaged-{number}{path.suffix}")).exists():
        number += 1
    for end in reversed(ENDS):
        source, copy = path.with_name(path.name + end), folder / f"kept{end}"
        if source.exists():
            os.close(os.open(copy, os.O_CREAT | os.O_RDWR, 0o600))
            shutil.copyfile(source, copy)
            _synced(copy)
            copy.rename(kept.with_name(kept.name + end))
    sync_folders([path.parent])
    return kept


def _synced(path: Path) -> None:
    handle = os.open(path, os.O_RDWR)
    try:
        sync(handle)
    finally:
        os.close(handle)


def _in_words(found: Salvage, kept: Path) -> str:
    lines = "1 line" if found.lost == 1 else f"{found.lost} lines"
    lost = (
        f"{lines} of its history can no longer be read" if found.lost else "no line of it is lost"
    )
    how = ", worked out from its lines" if found.rebuilt else ""
    return (
        f"the journal was damaged and has been mended: every device stands in it again{how}; "
        f"{lost}. The damaged file is kept as {kept.name}"
    )


def _write(db: sqlite3.Connection, found: Salvage, at: str, words: str) -> None:
    db.execute("PRAGMA synchronous=FULL")
    db.execute("PRAGMA fullfsync=ON")
    db.executescript(f"BEGIN IMMEDIATE; {SCHEMA}")
    db.executemany("INSERT INTO meta VALUES (?, ?)", list(found.meta.items()))
    for table, texts in (("survey", found.surveys), ("way_back", found.ways_back)):
        db.executemany(
            f"INSERT INTO {table} VALUES (?, ?, ?)",  # noqa: S608
            [(name, *rest) for name, rest in texts.items()],
        )
    db.executemany(
        f"INSERT INTO event ({ENTRY_COLUMNS}) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",  # noqa: S608
        [astuple(entry) for entry in found.entries],
    )
    db.executemany(
        "INSERT INTO device (name, position, wave, direction, state, written_off, faults, intents, "
        "sent_at, given, note, changed_at) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
        [
            (
                row.name,
                place,
                row.wave,
                row.direction,
                row.state,
                row.written_off,
                row.faults,
                row.intents,
                row.sent_at,
                None if row.given is None else freeze_json(row.given),
                row.note,
                row.changed_at,
            )
            for place, row in enumerate(found.rows)
        ],
    )
    db.execute(
        "INSERT INTO event (seq, at, kind, detail) VALUES (?, ?, ?, ?)",
        (found.last + 1, at, MENDED, words),
    )
    latest = {entry.name: (entry.after, entry.direction) for entry in found.entries}
    start = (State.WAITING, Direction.FORWARD)
    for row in found.rows:
        if latest.get(row.name, start) != (row.state, row.direction):
            line(db, row.changed_at or at, row, MENDED, row.state, "what led here is lost")
    db.execute("COMMIT")
