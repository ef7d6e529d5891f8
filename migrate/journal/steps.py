"""Steps of devices as they are written: the device and its line, in the caller's transaction."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable
from pathlib import Path
from typing import Final

from migrate.journal.file import NoSuchDevice, lost
from migrate.journal.intents import TURN, Intent, way_to_intent
from migrate.journal.rows import (
    COLUMNS,
    FAULT,
    TURN_FAULTS,
    UPTIME,
    Row,
    freeze_json,
    row_of,
    tellable,
    thaw_json,
)
from migrate.model.lifecycle import TURNS, Direction, Event, IllegalTransition, State, step
from migrate.model.problems import Problem
from migrate.model.settings import FrozenBundle
from migrate.planning.plan import Plan

PUT_BACK: Final = "put back: the journal had lost this line; it may have been sent"
BUG: Final = "this is a mistake in migrate; nothing was sent after it"
SUPPOSED: Final = "supposed: the journal has lost what really happened here"


def device(db: sqlite3.Connection, name: str) -> Row:
    """One device. Raises NoSuchDevice."""
    found = db.execute(f"SELECT {COLUMNS} FROM device WHERE name = ?", (name,)).fetchone()  # noqa: S608
    if found is None:
        raise NoSuchDevice(name)
    return row_of(found)


def advance(
    db: sqlite3.Connection,
    at: str,
    name: str,
    event: Event,
    detail: str,
    given: FrozenBundle | None = None,
) -> None:
    """One step by the table of the life cycle; with an intent, what is `given`.

    Raises IllegalTransition and NoSuchDevice."""
    detail = tellable(detail)
    row = device(db, name)
    after = step(row.direction, row.state, event)
    if (row.state, event) == (State.WAITING, Event.SENT) and row.sent_at is None:
        raise IllegalTransition(
            Problem("a device that was never sent anything cannot hold it", BUG, device=name)
        )
    # Sent once more, a device that came back leaves its fault behind as evidence.
    fault = event is Event.INTEND and (row.direction, row.state) == FAULT
    db.execute(
        "UPDATE device SET state = ?, changed_at = ?, note = ?, faults = faults + ? WHERE name = ?",
        (after, at, detail, fault, name),
    )
    if given is not None:
        db.execute(
            "UPDATE device SET given = ?, sent_at = ?, intents = intents + 1 WHERE name = ?",
            (freeze_json(given), at, name),
        )
    line(db, at, row, event, after, detail)


def turn(db: sqlite3.Connection, at: str, name: str) -> None:
    """From the forward journey to the way back. Raises IllegalTransition and NoSuchDevice."""
    row = device(db, name)
    after = TURNS.get(row.state)
    if row.direction is Direction.BACK or after is None:
        raise IllegalTransition(
            Problem(
                f"a device that is {row.state} ({row.direction}) cannot turn",
                BUG,
                device=name,
            )
        )
    db.execute(
        "UPDATE device SET direction = ?, state = ?, written_off = 0, changed_at = ?, "
        "faults = faults + ? WHERE name = ?",
        (Direction.BACK, after, at, row.state in TURN_FAULTS, name),
    )
    line(db, at, row, TURN, after, "", Direction.BACK)


def line(
    db: sqlite3.Connection,
    at: str,
    row: Row,
    kind: str,
    after: State,
    detail: str,
    direction: Direction | None = None,
) -> None:
    """A line about a device that was as `row` has it."""
    db.execute(
        "INSERT INTO event (at, name, wave, direction, kind, before, after, detail) "
        "VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
        (
            at,
            row.name,
            row.wave,
            direction or row.direction,
            str(kind),
            row.state,
            after,
            detail,
        ),
    )


def put_back(db: sqlite3.Connection, plan: Plan, kept: Iterable[Intent], path: Path) -> list[str]:
    """Make devices `sending` again whose intents the database has lost; their names.

    Each takes the fewest lawful steps that lead there. Raises JournalTrouble where there are
    none."""
    names: dict[str, None] = {}
    for intent in kept:
        row = device(db, intent.name)
        if intent.number <= row.intents:
            continue
        back = db.execute("SELECT bundle FROM way_back WHERE name = ?", (row.name,)).fetchone()
        steps = way_to_intent(row.direction, row.state, intent.direction)
        if back is None or steps is None:
            raise lost(path, row.name)
        for number, event in enumerate(steps, 1):
            if event == TURN:
                turn(db, intent.at, row.name)
                continue
            way = device(db, row.name).direction
            given = plan.device(row.name).bundle if way is Direction.FORWARD else thaw_json(back[0])
            advance(
                db,
                intent.at,
                row.name,
                Event(event),
                PUT_BACK if number == len(steps) else SUPPOSED,
                given if event is Event.INTEND else None,
            )
        row = device(db, intent.name)
        line(db, intent.at, row, UPTIME, row.state, "")  # not that of an earlier intent
        db.execute("UPDATE device SET intents = ? WHERE name = ?", (intent.number, intent.name))
        names[intent.name] = None
    return list(names)
