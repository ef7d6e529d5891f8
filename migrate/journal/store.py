"""The journal: one SQLite file a run, write-ahead, synced to disk at every step.

Write-ahead logging with synchronous=FULL syncs each commit before it returns, so whatever is sent
afterwards is preceded by its intent and its way back on disk (invariants 1 and 5). The database
itself refuses an intent without a way back. Secrets never get here: bundles are stored as frozen,
with references.
"""

from __future__ import annotations

import json
import os
import sqlite3
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any, Final

from migrate.journal.file import (
    DAMAGED,
    FORMAT,
    SCHEMA,
    connected,
    explained,
    sync_folders,
    trouble,
)
from migrate.model.lifecycle import TURNS, Direction, Event, IllegalTransition, State, step
from migrate.model.problems import BadFile, Changed, Problem
from migrate.model.secrets import SecretRef
from migrate.model.settings import FrozenBundle, FrozenValue, Setting
from migrate.planning.gates import Standing
from migrate.planning.plan import Plan, plan_from_json

FLIPPED: Final = "flipped"
"""Kind of the line that keeps the owner's word that the access point has been changed."""
NOT_FLIPPED: Final = "not flipped"
"""Kind of the line by which that word is taken back."""
ALL_TOLD: Final = "all told"
"""Kind of the line that says that every device of one step for all has been told, and is gone."""


@dataclass(frozen=True)
class Row:
    """One device as the journal has it. Times are ISO 8601 in UTC."""

    name: str
    wave: int
    direction: Direction
    state: State
    written_off: bool
    sent_at: str | None
    given: Mapping[Setting, FrozenValue] | None
    note: str
    changed_at: str | None
    faults: int = 0

    @property
    def standing(self) -> Standing:
        """What the gates look at."""
        sent = self.sent_at is not None
        return Standing(self.state, self.direction, self.written_off, self.faults, sent)


@dataclass(frozen=True)
class Entry:
    """One line of the journal: a step of a device, or (without a name) something about the run."""

    seq: int
    at: str
    name: str | None
    wave: int | None
    direction: str | None
    kind: str
    before: str | None
    after: str | None
    detail: str


def freeze_json(bundle: FrozenBundle) -> str:
    """A bundle as JSON, secrets as references."""
    return json.dumps(
        {
            str(setting): value.model_dump(exclude_none=True)
            if isinstance(value, SecretRef)
            else value
            for setting, value in bundle.items()
        }
    )


def thaw_json(text: str) -> dict[Setting, FrozenValue]:
    """The inverse of freeze_json. Raises ValueError for any other text."""
    return {
        Setting(name): SecretRef.model_validate(value) if isinstance(value, dict) else value
        for name, value in _table(text).items()
    }


class Journal:
    """A run's journal. Every method that writes returns only once it is on disk.

    All methods raise JournalTrouble when SQLite cannot do its work.
    """

    def __init__(
        self, connection: sqlite3.Connection, path: Path, now: Callable[[], datetime]
    ) -> None:
        self._db = connection
        self._now = now
        self.path = path
        self.plan = self._plan()

    @classmethod
    def create(
        cls, path: Path, plan: Plan, now: Callable[[], datetime], facts: Mapping[str, str]
    ) -> Journal:
        """Start the journal of a run; `facts` are kept beside the plan (paths of the files)."""
        new_folders = [folder for folder in path.parents if not folder.exists()]
        try:
            path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
            # SQLite gives its own files the mode of the database, so the mode is set first.
            os.close(os.open(path, os.O_CREAT | os.O_EXCL | os.O_RDWR, 0o600))
        except OSError as error:
            raise trouble(path, f"cannot be created: {error.strerror}") from None
        try:
            with connected(path) as connection:
                _fill(connection, plan, facts)
                sync_folders({path.parent, *(folder.parent for folder in new_folders)})
                return cls(connection, path, now)
        except BaseException:
            # Nothing was sent by it, and what is not whole must not be gone on with.
            for end in ("", "-wal", "-shm"):
                path.with_name(path.name + end).unlink(missing_ok=True)
            raise

    @classmethod
    def open(cls, path: Path, now: Callable[[], datetime]) -> Journal:
        """Go on with a run's journal."""
        if not path.is_file():
            raise trouble(path, "does not exist")
        with connected(path) as connection:
            found = connection.execute("PRAGMA quick_check").fetchone()
            if found is None or found[0] != "ok":
                raise trouble(path, DAMAGED)
            form = connection.execute("SELECT value FROM meta WHERE key = 'format'").fetchone()
            if form is None or form[0] != FORMAT:
                raise trouble(path, "was written by another version of migrate")
            return cls(connection, path, now)

    def close(self) -> None:
        """Let go of the file."""
        self._db.close()

    def fact(self, key: str, otherwise: str | None = None) -> str:
        """A fact given at creation, or what is said otherwise. Raises JournalTrouble if there is
        neither."""
        with explained(self.path):
            row = self._db.execute("SELECT value FROM meta WHERE key = ?", (key,)).fetchone()
        if row is None and otherwise is None:
            raise trouble(self.path, f"has no {key}")
        return str(otherwise if row is None else row[0])

    def record_before(self, name: str, readings: Mapping[str, Any], bundle: FrozenBundle) -> None:
        """The survey of a device and its way back, both durable when this returns."""
        with self._writing() as db:
            db.execute(
                "INSERT OR REPLACE INTO survey VALUES (?, ?, ?)",
                (name, self._at(), json.dumps(readings)),
            )
            db.execute(
                "INSERT OR REPLACE INTO way_back VALUES (?, ?, ?)",
                (name, self._at(), freeze_json(bundle)),
            )

    def survey(self, name: str) -> dict[str, Any] | None:
        """What was read of a device before anything was sent to it."""
        with explained(self.path):
            row = self._db.execute("SELECT readings FROM survey WHERE name = ?", (name,)).fetchone()
            return None if row is None else _table(row[0])

    def way_back(self, name: str) -> dict[Setting, FrozenValue] | None:
        """The rollback bundle of a device, if it has been recorded."""
        with explained(self.path):
            row = self._db.execute("SELECT bundle FROM way_back WHERE name = ?", (name,)).fetchone()
            return None if row is None else thaw_json(row[0])

    def intend(self, name: str, bundle: FrozenBundle) -> Row:
        """The intent to send this bundle: on disk before the first byte leaves."""
        with self._writing() as db:
            self._advance(db, name, Event.INTEND, "")
            db.execute(
                "UPDATE device SET given = ?, sent_at = ? WHERE name = ?",
                (freeze_json(bundle), self._at(), name),
            )
        return self.row(name)

    def step(self, name: str, event: Event, detail: str = "") -> Row:
        """One step of a device's life cycle. Raises IllegalTransition."""
        with self._writing() as db:
            self._advance(db, name, event, detail)
        return self.row(name)

    def turn(self, name: str) -> Row:
        """Begin to take a device back; only from a state in which it may have the new settings."""
        with self._writing() as db:
            row = self._row(db, name)
            after = TURNS.get(row.state)
            if row.direction is Direction.BACK or after is None:
                raise IllegalTransition(
                    Problem(
                        f"a device that is {row.state} ({row.direction}) cannot turn",
                        "this is a mistake in migrate; nothing was sent after it",
                        device=name,
                    )
                )
            fault = row.state in (State.AWAY, State.SEEN, State.ADRIFT, State.RETURNED)
            db.execute(
                "UPDATE device SET direction = ?, state = ?, written_off = 0, changed_at = ?, "
                "faults = faults + ? WHERE name = ?",
                (Direction.BACK, after, self._at(), fault, name),
            )
            self._line(db, row, "turn", row.state, after, "", Direction.BACK)
        return self.row(name)

    def write_off(self, name: str) -> Row:
        """The owner's word: this device keeps nobody waiting any more."""
        with self._writing() as db:
            row = self._row(db, name)
            db.execute("UPDATE device SET written_off = 1 WHERE name = ?", (name,))
            self._line(db, row, "written off", row.state, row.state, "by the owner")
        return self.row(name)

    def note(self, name: str, words: str) -> None:
        """Something about a device that does not change its state."""
        words = _tellable(words)
        with self._writing() as db:
            row = self._row(db, name)
            if row.note != words:
                db.execute("UPDATE device SET note = ? WHERE name = ?", (words, name))
                self._line(db, row, "note", row.state, row.state, words)

    def remark(self, kind: str, detail: str, wave: int | None = None) -> None:
        """Something about the run as a whole."""
        with self._writing() as db:
            db.execute(
                "INSERT INTO event (at, wave, kind, detail) VALUES (?, ?, ?, ?)",
                (self._at(), wave, kind, _tellable(detail)),
            )

    def flip(self) -> None:
        """The owner's word: the access point has been changed. Once is enough."""
        if not self.flipped:
            self.remark(FLIPPED, "the access point has been changed, the owner says")

    def unflip(self, words: str) -> None:
        """The owner's word is taken back: these words say what shows that it was not so."""
        self.remark(NOT_FLIPPED, words)

    @property
    def flipped(self) -> bool:
        """Whether the access point has been changed, as far as the owner said and nothing has
        shown otherwise since."""
        return self.last_of(FLIPPED, NOT_FLIPPED) == FLIPPED

    def last_of(self, *kinds: str) -> str | None:
        """Which of these kinds the run's latest line of any of them has."""
        marks = ", ".join("?" * len(kinds))
        with explained(self.path):
            found = self._db.execute(
                f"SELECT kind FROM event WHERE kind IN ({marks}) ORDER BY seq DESC LIMIT 1",  # noqa: S608
                kinds,
            ).fetchone()
        return None if found is None else str(found[0])

    def row(self, name: str) -> Row:
        """One device."""
        with explained(self.path):
            return self._row(self._db, name)

    def rows(self) -> list[Row]:
        """All devices, in the order of the plan."""
        with explained(self.path):
            found = self._db.execute(f"SELECT {_COLUMNS} FROM device ORDER BY position")  # noqa: S608
            return [_row_of(row) for row in found]

    def standings(self) -> dict[str, Standing]:
        """Where every device stands."""
        return {row.name: row.standing for row in self.rows()}

    def entries(self) -> list[Entry]:
        """Every line, in order."""
        with explained(self.path):
            found = self._db.execute(
                "SELECT seq, at, name, wave, direction, kind, before, after, detail "
                "FROM event ORDER BY seq"
            )
            return [Entry(*row) for row in found]

    def _plan(self) -> Plan:
        try:
            return plan_from_json(self.fact("plan"), str(self.path))
        except (BadFile, Changed):
            raise trouble(self.path, DAMAGED) from None

    def _advance(self, db: sqlite3.Connection, name: str, event: Event, detail: str) -> None:
        detail = _tellable(detail)
        row = self._row(db, name)
        after = step(row.direction, row.state, event)
        # Sent once more, a device that came back leaves its fault behind as evidence.
        fault = event is Event.INTEND and (row.direction, row.state) == _FAULT
        db.execute(
            "UPDATE device SET state = ?, changed_at = ?, note = ?, faults = faults + ? "
            "WHERE name = ?",
            (after, self._at(), detail, fault, name),
        )
        self._line(db, row, event, row.state, after, detail)

    def _line(
        self,
        db: sqlite3.Connection,
        row: Row,
        kind: str,
        before: State,
        after: State,
        detail: str,
        direction: Direction | None = None,
    ) -> None:
        db.execute(
            "INSERT INTO event (at, name, wave, direction, kind, before, after, detail) "
            "VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
            (
                self._at(),
                row.name,
                row.wave,
                direction or row.direction,
                str(kind),
                before,
                after,
                detail,
            ),
        )

    def _row(self, db: sqlite3.Connection, name: str) -> Row:
        found = db.execute(f"SELECT {_COLUMNS} FROM device WHERE name = ?", (name,)).fetchone()  # noqa: S608
        if found is None:
            raise trouble(self.path, f"knows no device {name}")
        return _row_of(found)

    def _at(self) -> str:
        return self._now().isoformat(timespec="milliseconds")

    @contextmanager
    def _writing(self) -> Iterator[sqlite3.Connection]:
        with explained(self.path):
            self._db.execute("BEGIN IMMEDIATE")
            try:
                yield self._db
                # A commit can fail as well, as on a full disk; then nothing of it may stay.
                self._db.commit()
            except BaseException:
                self._db.rollback()
                raise


_FAULT: Final = (Direction.FORWARD, State.RETURNED)
_COLUMNS: Final = (
    "name, wave, direction, state, written_off, sent_at, given, note, changed_at, faults"
)


def _row_of(row: tuple[Any, ...]) -> Row:
    name, wave, direction, state, written_off, sent_at, given, note, changed_at, faults = row
    return Row(
        name,
        wave,
        Direction(direction),
        State(state),
        bool(written_off),
        sent_at,
        None if given is None else thaw_json(given),
        note,
        changed_at,
        faults,
    )


def _fill(connection: sqlite3.Connection, plan: Plan, facts: Mapping[str, str]) -> None:
    with connection:
        connection.executescript(f"BEGIN IMMEDIATE; {SCHEMA}")
        meta = {**facts, "format": FORMAT, "plan": plan.to_json()}
        connection.executemany("INSERT INTO meta VALUES (?, ?)", list(meta.items()))
        connection.executemany(
            "INSERT INTO device (name, position, wave, direction, state) VALUES (?, ?, ?, ?, ?)",
            [
                (d.name, place, plan.wave_of(d.name), Direction.FORWARD, State.WAITING)
                for place, d in enumerate(plan.devices)
            ],
        )


def _table(text: str) -> dict[str, Any]:
    found = json.loads(text)
    if not isinstance(found, dict):
        raise ValueError("is no table")
    return found


def _tellable(text: str) -> str:
    """Words for the database, which holds no halves of character pairs; a device may say them."""
    return text.encode("utf-8", "backslashreplace").decode()
