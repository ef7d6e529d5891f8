"""Where the devices stand, worked out from the lines alone: what the device table must agree with.

There is no I/O here.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace

from migrate.journal.intents import TURN
from migrate.journal.rows import FAULT, RETURN, SEEMED_UNSENT, TURN_FAULTS, UPTIME, Entry, Row
from migrate.model.lifecycle import TURNS, Direction, Event, IllegalTransition, State, step
from migrate.model.settings import FrozenBundle
from migrate.planning.outputs import KINDS as OUTPUT_KINDS
from migrate.planning.plan import Plan

STILL = ("note", "written off", RETURN, UPTIME, SEEMED_UNSENT, *OUTPUT_KINDS)
"""Kinds of lines of a device that do not change its state."""


def replay(
    plan: Plan, entries: Iterable[Entry], ways_back: Mapping[str, FrozenBundle]
) -> list[Row]:
    """The devices in the order of the plan, after these lines, which must be all there are.

    What a device was given is its bundle in the plan, or its way back. Raises ValueError if the
    lines do not follow from each other.
    """
    rows = {
        device.name: Row(
            device.name,
            plan.wave_of(device.name),
            Direction.FORWARD,
            State.WAITING,
            written_off=False,
            sent_at=None,
            given=None,
            note="",
            changed_at=None,
        )
        for device in plan.devices
    }
    bundles = {device.name: device.bundle for device in plan.devices}
    for entry in entries:
        if entry.name is None:
            continue
        row = rows.get(entry.name)
        if row is None or entry.before != row.state:
            raise ValueError("a line does not follow from the one before it")
        after = _after(row, entry, bundles if row.direction is Direction.FORWARD else ways_back)
        if (after.state, after.direction, after.wave) != (entry.after, entry.direction, entry.wave):
            raise ValueError("a line says another state than the table of the life cycle")
        rows[entry.name] = after
    return list(rows.values())


def _after(row: Row, entry: Entry, bundles: Mapping[str, FrozenBundle]) -> Row:
    if entry.kind == "note":
        return replace(row, note=entry.detail)
    if entry.kind == "written off":
        return replace(row, written_off=True)
    if entry.kind in STILL:
        return row
    if entry.kind == TURN:
        if row.direction is Direction.BACK or row.state not in TURNS:
            raise ValueError("a device turned that cannot")
        return replace(
            row,
            direction=Direction.BACK,
            state=TURNS[row.state],
            written_off=False,
            changed_at=entry.at,
            faults=row.faults + (row.state in TURN_FAULTS),
        )
    event = Event(entry.kind)
    try:
        state = step(row.direction, row.state, event)
    except IllegalTransition:
        raise ValueError("a device took a step that it cannot") from None
    after = replace(row, state=state, changed_at=entry.at, note=entry.detail)
    if event is not Event.INTEND:
        return after
    if row.name not in bundles:
        raise ValueError("a device was sent something without a way back")
    return replace(
        after,
        sent_at=entry.at,
        given=bundles[row.name],
        intents=row.intents + 1,
        faults=row.faults + ((row.direction, row.state) == FAULT),
    )
