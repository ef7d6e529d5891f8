"""The file a journal lives in: its tables, its connection, and what makes it durable."""

from __future__ import annotations

import fcntl
import os
import sqlite3
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Final

from migrate.model.lifecycle import Direction, State
from migrate.model.problems import JournalTrouble, Problem
from migrate.planning.plan import Plan

FORMAT: Final = "2"
DAMAGED: Final = "is damaged; copy it away before anything else"
LOST: Final = (
    "copy its folder away, then plan anew: devices that are on the new side already are known there"
)
"""What to do where a journal cannot be made whole."""
UNSENT: Final = "nothing was sent by it: run its plan again, and remove its folder"
"""What to do where it was cut off while it was begun."""
SCHEMA: Final = """
CREATE TABLE meta (key TEXT PRIMARY KEY, value TEXT NOT NULL) STRICT;
CREATE TABLE survey (
    name TEXT PRIMARY KEY, at TEXT NOT NULL, readings TEXT NOT NULL) STRICT;
CREATE TABLE way_back (
    name TEXT PRIMARY KEY, at TEXT NOT NULL, bundle TEXT NOT NULL) STRICT;
CREATE TABLE device (
    name TEXT PRIMARY KEY, position INTEGER NOT NULL, wave INTEGER NOT NULL,
    direction TEXT NOT NULL, state TEXT NOT NULL, written_off INTEGER NOT NULL DEFAULT 0,
    faults INTEGER NOT NULL DEFAULT 0, intents INTEGER NOT NULL DEFAULT 0,
    sent_at TEXT, given TEXT,
    note TEXT NOT NULL DEFAULT '', changed_at TEXT) STRICT;
CREATE TABLE event (
    seq INTEGER PRIMARY KEY AUTOINCREMENT, at TEXT NOT NULL, name TEXT, wave INTEGER,
    direction TEXT, kind TEXT NOT NULL, before TEXT, after TEXT,
    detail TEXT NOT NULL DEFAULT '') STRICT;
CREATE TRIGGER no_send_without_way_back BEFORE UPDATE OF state ON device
    WHEN NEW.state = 'sending'
        AND NOT EXISTS (SELECT 1 FROM way_back WHERE way_back.name = NEW.name)
    BEGIN SELECT RAISE(ABORT, 'no way back on disk'); END;
CREATE TRIGGER way_back_stays BEFORE INSERT ON way_back
    WHEN EXISTS (SELECT 1 FROM device WHERE device.name = NEW.name AND sent_at IS NOT NULL)
    BEGIN SELECT RAISE(ABORT, 'the way back was recorded before the first send'); END;
"""


@contextmanager
def connected(
    path: Path, factory: type[sqlite3.Connection] = sqlite3.Connection
) -> Iterator[sqlite3.Connection]:
    """A connection, let go of again if what is done with it first fails."""
    with explained(path):
        # mode=rw: a journal that is gone must not be made anew, empty, in passing.
        connection = sqlite3.connect(
            f"{path.absolute().as_uri()}?mode=rw",
            uri=True,
            isolation_level=None,
            timeout=10,
            factory=factory,
        )
        try:
            mode = connection.execute("PRAGMA journal_mode=WAL").fetchone()
            if mode is None or mode[0] != "wal":
                raise trouble(path, "lies on a file system that cannot write ahead")
            connection.execute("PRAGMA synchronous=FULL")
            # macOS keeps written data in the drive's cache unless asked for more; elsewhere a
            # no-op.
            connection.execute("PRAGMA fullfsync=ON")
            yield connection
        except BaseException:
            connection.close()
            raise


def sync(handle: int) -> None:
    """Have what was written to an open file on the disk itself. Raises OSError."""
    if hasattr(fcntl, "F_FULLFSYNC"):  # macOS keeps it in the drive's cache otherwise
        fcntl.fcntl(handle, fcntl.F_FULLFSYNC)
    else:
        os.fsync(handle)


def sync_folders(folders: Iterable[Path]) -> None:
    """Sync folders: a file is only as durable as the entries of the folders that lead to it.

    Raises OSError."""
    for folder in folders:
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def trouble(
    path: Path, what: str, remedy: str = "look at the path, the disk and its free space"
) -> JournalTrouble:
    """What is wrong with the journal, to be raised."""
    return JournalTrouble(Problem(f"the journal {what}", remedy, str(path)))


def lost(path: Path, name: str) -> JournalTrouble:
    """A device was sent something, and what is needed to go on with it is gone; to be raised."""
    return trouble(path, f"has lost what was done with {name}, or its way back", LOST)


class NoSuchDevice(LookupError):
    """The journal has no device of this name."""


@contextmanager
def explained(path: Path) -> Iterator[None]:
    """Turns what SQLite, the system or the reading of what was stored raises into words."""
    try:
        yield
    except sqlite3.Error as error:
        raise trouble(path, f"cannot be used: {error}") from None
    except OSError as error:
        raise trouble(path, f"cannot be used: {error.strerror}") from None
    except NoSuchDevice as error:
        raise trouble(path, f"knows no device {error}") from None
    except ValueError:
        # Only reading gets here: a word that no journal has, or JSON that is none.
        raise trouble(path, DAMAGED) from None


def fill(connection: sqlite3.Connection, plan: Plan, facts: Mapping[str, str]) -> None:
    """Make the tables, with the plan, the facts, and every device waiting."""
    connection.executescript(f"BEGIN IMMEDIATE; {SCHEMA}")
    try:
        meta = {**facts, "format": FORMAT, "plan": plan.to_json()}
        connection.executemany("INSERT INTO meta VALUES (?, ?)", list(meta.items()))
        connection.executemany(
            "INSERT INTO device (name, position, wave, direction, state) VALUES (?, ?, ?, ?, ?)",
            [
                (d.name, place, plan.wave_of(d.name), Direction.FORWARD, State.WAITING)
                for place, d in enumerate(plan.devices)
            ],
        )
        connection.commit()
    except BaseException:
        connection.rollback()
        raise
