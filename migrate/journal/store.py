"""The journal: one SQLite file a run, write-ahead, synced to disk at every step.

Write-ahead logging with synchronous=FULL syncs each commit before it returns, so whatever is sent
afterwards is preceded by its intent and its way back on disk (invariants 1 and 5). The database
itself refuses an intent without a way back. The intents stand in a second file as well, for a
database that loses its end (intents.py), and one that is damaged is mended where it can be
(mend.py). Secrets never get here: bundles are stored as frozen,
with references.
"""

from __future__ import annotations

import json
import os
import sqlite3
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from datetime import datetime
from pathlib import Path
from typing import Any, Final

from migrate.journal import intents, steps
from migrate.journal.file import (
    connected,
    explained,
    fill,
    sync_folders,
    trouble,
)
from migrate.journal.intents import Intent
from migrate.journal.mend import mend
from migrate.journal.rows import (
    COLUMNS,
    RETURN,
    SEEMED_UNSENT,
    UPTIME,
    Entry,
    Row,
    freeze_json,
    row_of,
    table_of,
    tellable,
    thaw_json,
)
from migrate.model.lifecycle import Direction, Event
from migrate.model.problems import JournalTrouble
from migrate.model.settings import FrozenBundle, FrozenValue, Setting
from migrate.planning.gates import Standing
from migrate.planning.plan import Plan

FLIPPED: Final = "flipped"
"""Kind of the line that keeps the owner's word that the access point has been changed."""
NOT_FLIPPED: Final = "not flipped"
"""Kind of the line by which that word is taken back."""
ALL_TOLD: Final = "all told"
"""Kind of the line that says that every device of one step for all has been told, and is gone."""
ADMITTED: Final = "admitted"
"""Kind of the line that says how many devices were let go together."""
GATE_OPEN: Final = "gate open"
"""Kind of the line that says that a wave is well, and the next may go."""
GATE_SHUT: Final = "gate shut"
"""Kind of the line that says which devices of a wave were not well."""
HELD: Final = "held"
"""Kind of the line that says that nothing more is sent until the owner decides."""
ANSWERED: Final = "answered"
"""Kind of the line that says which errand of a campaign brought the owner's answers."""
BACK: Final = "back"
"""Kind of the line that says how many of a wave have gone back, as `3 of 4`."""
BACK_HELD: Final = "way back held"
"""Kind of the line that says that the way back has stopped, and because of whom."""
QUIET: Final = "quiet hours"
"""Kind of the line that says whose quiet hours are waited for, or not."""
STOPPED: Final = "stopped"
"""Kind of the line that says that the owner ended it between two devices."""
FINISHED: Final = "finished"
"""Kind of the line that says that every device has settled or is written off."""
ROLLED_BACK: Final = "rolled back"
"""Kind of the line that says how many devices are back on the old side."""
SIMULATED: Final = "simulated"
"""Fact of a run whose devices are the lab's, as those of the demo."""


class Journal:
    """A run's journal. Every method that writes returns only once it is on disk.

    All methods raise JournalTrouble when SQLite cannot do its work.
    """

    def __init__(
        self, connection: sqlite3.Connection, path: Path, now: Callable[[], datetime], plan: Plan
    ) -> None:
        self._db = connection
        self._now = now
        self.path = path
        self.plan = plan
        self.salvaged = ""

    @classmethod
    def create(
        cls,
        path: Path,
        plan: Plan,
        now: Callable[[], datetime],
        facts: Mapping[str, str],
        *,
        connection: type[sqlite3.Connection] = sqlite3.Connection,
    ) -> Journal:
        """Start the journal of a run; `facts` are kept beside the plan (paths of the files).

        `connection` is what sqlite3.connect makes; a simulation puts a disk that fails there."""
        new_folders = [folder for folder in path.parents if not folder.exists()]
        try:
            for folder in reversed(new_folders):
                folder.mkdir(mode=0o700, exist_ok=True)  # with `parents`, only the last gets it
            # SQLite gives its own files the mode of the database, so the mode is set first.
            os.close(os.open(path, os.O_CREAT | os.O_EXCL | os.O_RDWR, 0o600))
            try:
                intents.begin(path)
            except OSError:
                path.unlink()
                raise
        except OSError as error:
            raise trouble(path, f"cannot be created: {error.strerror}") from None
        try:
            with connected(path, connection) as db:
                fill(db, plan, facts)
                sync_folders({path.parent, *(folder.parent for folder in new_folders)})
                return cls(db, path, now, plan)
        except BaseException:
            # Nothing was sent by it, and what is not whole must not be gone on with.
            for end in ("", "-wal", "-shm"):
                path.with_name(path.name + end).unlink(missing_ok=True)
            intents.place_of(path).unlink(missing_ok=True)
            raise

    @classmethod
    def open(
        cls,
        path: Path,
        now: Callable[[], datetime],
        *,
        connection: type[sqlite3.Connection] = sqlite3.Connection,
    ) -> Journal:
        """Go on with a run's journal. `connection` as for create.

        What is missing of a damaged one is put back where that can be done surely; `salvaged` then
        says so, to be told to the owner."""
        if not path.is_file():
            raise trouble(path, "does not exist")
        plan, mended = mend(path, now)
        with connected(path, connection) as db:
            journal = cls(db, path, now, plan)
            found = journal._put_back()
            journal.salvaged = "; ".join(words for words in (mended, found) if words)
            return journal

    def close(self) -> None:
        """Let go of the file."""
        self._db.close()

    def fact(self, key: str, otherwise: str | None = None) -> str:
        """A fact given at creation, or what is said otherwise. Raises JournalTrouble if there is
        neither."""
        with self._reading() as db:
            row = db.execute("SELECT value FROM meta WHERE key = ?", (key,)).fetchone()
        if row is None and otherwise is None:
            raise trouble(self.path, f"has no {key}")
        return str(otherwise if row is None else row[0])

    @property
    def simulated(self) -> bool:
        """Whether its devices are the lab's; they are gone when the command that began it is."""
        return bool(self.fact(SIMULATED, otherwise=""))

    def record_before(self, name: str, readings: Mapping[str, Any], bundle: FrozenBundle) -> None:
        """The survey of a device and its way back, both durable when this returns."""
        with self._writing() as (db, at):
            db.execute(
                "INSERT OR REPLACE INTO survey VALUES (?, ?, ?)",
                (name, at, json.dumps(readings)),
            )
            db.execute(
                "INSERT OR REPLACE INTO way_back VALUES (?, ?, ?)",
                (name, at, freeze_json(bundle)),
            )

    def survey(self, name: str) -> dict[str, Any] | None:
        """What was read of a device before anything was sent to it."""
        with self._reading() as db:
            row = db.execute("SELECT readings FROM survey WHERE name = ?", (name,)).fetchone()
            return None if row is None else table_of(row[0])

    def way_back(self, name: str) -> dict[Setting, FrozenValue] | None:
        """The rollback bundle of a device, if it has been recorded."""
        with self._reading() as db:
            row = db.execute("SELECT bundle FROM way_back WHERE name = ?", (name,)).fetchone()
            return None if row is None else thaw_json(row[0])

    def intend(self, name: str, bundle: FrozenBundle, uptime: float | None = None) -> Row:
        """The intent to send this bundle: on disk, in two files, before the first byte leaves.
        `uptime`: seconds that the device had been up just before, as it tells."""
        with self._writing() as (db, at):
            steps.advance(db, at, name, Event.INTEND, "", given=bundle)
            row = steps.device(db, name)
            steps.line(db, at, row, UPTIME, row.state, "" if uptime is None else f"{uptime:.0f}")
        row = self.row(name)
        try:
            with explained(self.path):
                intents.add(self.path, Intent(row.intents, name, row.direction, at))
        except JournalTrouble:
            # Nothing leaves after this. If that cannot be written either, it is asked later.
            with suppress(JournalTrouble):
                self.step(name, Event.UNSENT, "nothing was sent: its intent could not be kept")
            raise
        return row

    def step(self, name: str, event: Event, detail: str = "", took: float | None = None) -> Row:
        """One step of a device's life cycle; `took`: seconds from sending to arrival, kept to the
        millisecond. Raises IllegalTransition."""
        with self._writing() as (db, at):
            steps.advance(db, at, name, event, detail)
            if took is not None:
                row = steps.device(db, name)
                steps.line(db, at, row, RETURN, row.state, f"{took:.3f}")
        return self.row(name)

    def returns(self) -> list[float]:
        """How many seconds each forward journey took from sending to arrival, in order."""
        with self._reading() as db:
            found = db.execute(
                "SELECT detail FROM event WHERE kind = ? AND direction = ? ORDER BY seq",
                (RETURN, Direction.FORWARD),
            )
            return [float(detail) for (detail,) in found]

    def uptime(self, name: str) -> float | None:
        """How many seconds a device had been up when it was sent something last, as it told."""
        with self._reading() as db:
            found = db.execute(
                "SELECT detail FROM event WHERE kind = ? AND name = ? ORDER BY seq DESC LIMIT 1",
                (UPTIME, name),
            ).fetchone()
            return float(found[0]) if found and found[0] else None

    def seemed_unsent(self, name: str) -> bool:
        """Whether what a device was sent last only seemed not to have arrived."""
        with self._reading() as db:
            found = db.execute(
                "SELECT kind FROM event WHERE name = ? AND kind IN (?, ?) "
                "ORDER BY seq DESC LIMIT 1",
                (name, SEEMED_UNSENT, Event.INTEND),
            ).fetchone()
            return found is not None and found[0] == SEEMED_UNSENT

    def turn(self, name: str) -> Row:
        """Begin to take a device back; only from a state in which it may have the new settings.
        Raises IllegalTransition."""
        with self._writing() as (db, at):
            steps.turn(db, at, name)
        return self.row(name)

    def write_off(self, name: str) -> Row:
        """The owner's word: this device keeps nobody waiting any more."""
        with self._writing() as (db, at):
            row = steps.device(db, name)
            db.execute("UPDATE device SET written_off = 1 WHERE name = ?", (name,))
            steps.line(db, at, row, "written off", row.state, "by the owner")
        return self.row(name)

    def note(self, name: str, words: str) -> None:
        """Something about a device that does not change its state."""
        words = tellable(words)
        with self._writing() as (db, at):
            row = steps.device(db, name)
            if row.note != words:
                db.execute("UPDATE device SET note = ? WHERE name = ?", (words, name))
                steps.line(db, at, row, "note", row.state, words)

    def mark(self, name: str, kind: str, detail: str) -> None:
        """A line about a device, of a kind of its own, that changes neither its state nor its last
        words."""
        with self._writing() as (db, at):
            row = steps.device(db, name)
            steps.line(db, at, row, kind, row.state, tellable(detail))

    def remark(self, kind: str, detail: str, wave: int | None = None) -> None:
        """Something about the run as a whole."""
        with self._writing() as (db, at):
            db.execute(
                "INSERT INTO event (at, wave, kind, detail) VALUES (?, ?, ?, ?)",
                (at, wave, kind, tellable(detail)),
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
        with self._reading() as db:
            found = db.execute(
                f"SELECT kind FROM event WHERE kind IN ({marks}) ORDER BY seq DESC LIMIT 1",  # noqa: S608
                kinds,
            ).fetchone()
        return None if found is None else str(found[0])

    def opened(self) -> set[int]:
        """Waves, from 0, whose gate has been opened."""
        with self._reading() as db:
            found = db.execute(
                "SELECT DISTINCT wave FROM event WHERE kind = ? AND wave IS NOT NULL", (GATE_OPEN,)
            )
            return {int(wave) for (wave,) in found}

    def row(self, name: str) -> Row:
        """One device."""
        with self._reading() as db:
            return steps.device(db, name)

    def rows(self) -> list[Row]:
        """All devices, in the order of the plan."""
        with self._reading() as db:
            found = db.execute(f"SELECT {COLUMNS} FROM device ORDER BY position")  # noqa: S608
            return [row_of(row) for row in found]

    def standings(self) -> dict[str, Standing]:
        """Where every device stands."""
        return {row.name: row.standing for row in self.rows()}

    def entries(self, name: str | None = None, *, after: int = 0) -> list[Entry]:
        """Every line, in order; with a name, those about this device; those after line number
        `after`."""
        with self._reading() as db:
            found = db.execute(
                "SELECT seq, at, name, wave, direction, kind, before, after, CAST(detail AS BLOB) "
                "FROM event WHERE seq > ?2 AND (?1 IS NULL OR name = ?1) ORDER BY seq",
                (name, after),
            )
            # Words alone: an octet of them that is wrong must not hide all the rest.
            return [Entry(*[*row, words.decode("utf-8", "replace")]) for *row, words in found]

    def _put_back(self) -> str:
        """Intents that the database has lost, taken from beside it; in words, if there were any."""
        with explained(self.path):
            kept = intents.read(self.path)  # first: what is added meanwhile is in the database
        with self._reading() as db:
            counts = dict(db.execute("SELECT name, intents FROM device"))
        if all(one.number <= counts.get(one.name, 0) for one in kept):
            return ""
        with self._writing() as (db, _):
            names = steps.put_back(db, self.plan, kept, self.path)
        return (
            f"the journal had lost its last lines, by which {_some(names)} may have been sent "
            "something. They stand in it again; migrate resume finds out what became of it"
        )

    def _whole(self) -> sqlite3.Connection:
        """The connection, rid of a write that failed and could not be taken back at once: nothing
        of it may be read, or committed with the next."""
        if self._db.in_transaction:
            self._db.rollback()
        return self._db

    @contextmanager
    def _reading(self) -> Iterator[sqlite3.Connection]:
        with explained(self.path):
            yield self._whole()

    @contextmanager
    def _writing(self) -> Iterator[tuple[sqlite3.Connection, str]]:
        """One transaction, and the time of all that is written in it."""
        with explained(self.path):
            db, at = self._whole(), self._now().isoformat(timespec="milliseconds")
            db.execute("BEGIN IMMEDIATE")
            try:
                yield db, at
                # A commit can fail as well, as on a full disk; then nothing of it may stay.
                db.commit()
            except BaseException:
                with suppress(sqlite3.Error):
                    db.rollback()
                raise


def _some(names: Sequence[str]) -> str:
    return ", ".join(names[:5]) + (f" and {len(names) - 5} more" if names[5:] else "")
