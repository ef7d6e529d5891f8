"""A disk that fails at any moment, put in where SQLite's connection is made."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from migrate.journal.store import Journal
from migrate.model.lifecycle import Event, State
from tests.journal.helpers import (
    BACK,
    FACTS,
    GIVEN,
    NAMES,
    READINGS,
    Clock,
    in_trouble,
    path_in,
    plan,
)


class Disk(sqlite3.Connection):
    """A connection to a disk that has no room at the moments that are told."""

    fails: Callable[[str], bool] = staticmethod(lambda what: False)

    def execute(self, sql: str, *given: Any) -> sqlite3.Cursor:
        if self.fails(sql.split()[0]):
            raise sqlite3.OperationalError("database or disk is full")
        return super().execute(sql, *given)

    def commit(self) -> None:
        if self.fails("COMMIT"):
            raise sqlite3.OperationalError("disk I/O error")
        super().commit()

    def rollback(self) -> None:
        if self.fails("ROLLBACK"):
            raise sqlite3.OperationalError("disk I/O error")
        super().rollback()


@pytest.fixture
def disk() -> type[Disk]:
    return type("OneDisk", (Disk,), {})


def made(folder: Path, disk: type[Disk]) -> Journal:
    journal = Journal.create(path_in(folder), plan(), Clock(), FACTS, connection=disk)
    for name in NAMES:
        journal.record_before(name, READINGS, BACK)
    return journal


WRITES: dict[str, Callable[[Journal], object]] = {
    "intend": lambda journal: journal.intend("plug", GIVEN),
    "step": lambda journal: journal.step("desk-lamp", Event.ARRIVE, "words", took=2.5),
    "note": lambda journal: journal.note("plug", "words"),
    "remark": lambda journal: journal.remark("odd", "words"),
    "write off": lambda journal: journal.write_off("plug"),
    "turn": lambda journal: journal.turn("attic-lamp"),
    "record": lambda journal: journal.record_before("plug", {"settings": {}}, BACK),
}


@pytest.mark.parametrize("rollback_too", [False, True], ids=["commit", "commit and rollback"])
@pytest.mark.parametrize("write", WRITES.values(), ids=WRITES)
def test_a_write_that_fails_leaves_nothing_and_the_next_goes_on(
    tmp_path: Path, disk: type[Disk], write: Callable[[Journal], object], rollback_too: bool
) -> None:
    journal = made(tmp_path, disk)
    journal.step("attic-lamp", Event.ARRIVE)
    before = list(journal._db.iterdump())
    failing = {"COMMIT", "ROLLBACK"} if rollback_too else {"COMMIT"}
    disk.fails = staticmethod(failing.__contains__)
    in_trouble(lambda: write(journal), "disk I/O error")
    if rollback_too:  # what cannot be taken back must not be shown as if it were so
        in_trouble(journal.rows, "disk I/O error")
    disk.fails = staticmethod(lambda what: False)
    assert journal.row("plug").state is State.WAITING
    assert list(journal._db.iterdump()) == before
    write(journal)
    assert list(journal._db.iterdump()) != before
    journal.close()


@pytest.mark.parametrize("write", WRITES.values(), ids=WRITES)
def test_a_disk_that_fills_at_any_statement_leaves_nothing(
    tmp_path: Path, disk: type[Disk], write: Callable[[Journal], object]
) -> None:
    journal = made(tmp_path, disk)
    journal.step("attic-lamp", Event.ARRIVE)
    before = list(journal._db.iterdump())
    at, failed = 0, True
    while failed:
        count = iter(range(1000))
        disk.fails = staticmethod(
            lambda what, at=at, count=count: (
                what in ("INSERT", "UPDATE", "BEGIN", "COMMIT") and next(count) == at
            )
        )
        try:
            in_trouble(lambda: write(journal), "disk")
        except pytest.fail.Exception:
            failed = False  # it had fewer statements than that
        else:
            disk.fails = staticmethod(lambda what: False)
            assert list(journal._db.iterdump()) == before
            at += 1
    assert at >= 3  # BEGIN, at least one statement, COMMIT
    journal.close()


def test_the_disk_may_fail_while_a_journal_is_opened(tmp_path: Path, disk: type[Disk]) -> None:
    made(tmp_path, disk).close()
    disk.fails = staticmethod("SELECT".__eq__)
    in_trouble(lambda: Journal.open(path_in(tmp_path), Clock(), connection=disk), "full")
    disk.fails = staticmethod(lambda what: False)
    again = Journal.open(path_in(tmp_path), Clock(), connection=disk)
    assert again.intend("plug", GIVEN).state is State.SENDING
    again.close()


def test_how_long_devices_took_is_kept_with_their_arrival(tmp_path: Path, disk: type[Disk]) -> None:
    journal = made(tmp_path, disk)
    assert journal.returns() == []
    for name, took in (("plug", 12.3456), ("desk-lamp", 4.0), ("attic-lamp", None)):
        journal.intend(name, GIVEN)
        journal.step(name, Event.SENT)
        assert journal.step(name, Event.ARRIVE, "there", took=took).note == "there"
    journal.step("plug", Event.SOAK)
    journal.turn("plug")
    journal.intend("plug", BACK)
    journal.step("plug", Event.SENT)
    journal.step("plug", Event.ARRIVE, took=99.0)  # a way back is no forward journey
    assert journal.returns() == [12.346, 4.0]
    # In the same transaction: an arrival that is not on disk has no time either.
    journal.close()
    again = Journal.open(path_in(tmp_path), Clock(), connection=disk)
    assert again.returns() == [12.346, 4.0]
    disk.fails = staticmethod("COMMIT".__eq__)
    in_trouble(lambda: again.step("plug", Event.LOSE, took=1.0), "I/O")
    disk.fails = staticmethod(lambda what: False)
    assert again.row("plug").state is State.SEEN
    assert len([e for e in again.entries() if e.kind == "return"]) == 3
    again.close()
