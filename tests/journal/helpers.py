"""What the journal tests share: a clock that is told the time, a plan, a journal in a folder."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from functools import cache
from pathlib import Path

import pytest

from migrate.journal.store import Journal
from migrate.model.lifecycle import TRANSITIONS, Direction, Event, State
from migrate.model.problems import Exit, JournalTrouble, Problem
from migrate.model.secrets import SecretRef
from migrate.model.settings import FrozenBundle, Setting
from migrate.planning.plan import Plan
from tests.planning.samples import device, plan_of

FACTS = {"fleet": "/home/owner/fleet.toml", "playbook": "/home/owner/change.toml"}
READINGS = {"mac": "00-00-5E-00-53-01", "settings": {"wifi.ssid": "attic"}, "side": "old"}
BACK: FrozenBundle = {Setting.WIFI_SSID: "attic", Setting.WIFI_SECRET: SecretRef(env="OLD_WIFI")}
GIVEN: FrozenBundle = {
    Setting.WIFI_SSID: "loft",
    Setting.WIFI_SECRET: SecretRef(file="/home/owner/new.secret"),
    Setting.BROKER_PORT: 1883,
    Setting.BROKER_TLS: False,
    Setting.BROKER_PASSWORD: "",
}
NAMES = ("attic-lamp", "desk-lamp", "plug")


class Clock:
    """Moves on by one second each time it is asked."""

    def __init__(self) -> None:
        self.time = datetime(2026, 1, 1, tzinfo=UTC)

    def __call__(self) -> datetime:
        self.time += timedelta(seconds=1)
        return self.time


@cache
def plan() -> Plan:
    return plan_of(
        [
            device("attic-lamp", 1, reach="tools"),
            device("desk-lamp", 2),
            device("plug", 3, feeds=("access-point",)),
        ]
    )


def path_in(folder: Path) -> Path:
    return folder / "runs" / "one" / "journal.sqlite3"


def new_journal(folder: Path) -> Journal:
    return Journal.create(path_in(folder), plan(), Clock(), FACTS)


def surveyed(folder: Path) -> Journal:
    journal = new_journal(folder)
    for name in NAMES:
        journal.record_before(name, READINGS, BACK)
    return journal


def in_state(journal: Journal, name: str, direction: Direction, state: State) -> None:
    """Take a device there by lawful steps alone, found by walking the table."""
    for step in _way(direction, state):
        if step == "turn":
            journal.turn(name)
        elif step is Event.INTEND:
            journal.intend(name, GIVEN)
        else:
            journal.step(name, Event(step))
    row = journal.row(name)
    assert (row.direction, row.state) == (direction, state)


def _way(direction: Direction, state: State) -> list[Event | str]:
    if direction is Direction.BACK:
        # A device turns after it has settled, or while it is away.
        forth = _walk(Direction.FORWARD, State.WAITING, State.SETTLED)
        return [*forth, "turn", *_walk(direction, State.WAITING, state)]
    return _walk(direction, State.WAITING, state)


def _walk(direction: Direction, start: State, end: State) -> list[Event | str]:
    ways: dict[State, list[Event | str]] = {start: []}
    queue = [start]
    while queue:
        here = queue.pop(0)
        for (way, before, event), after in TRANSITIONS.items():
            if before is State.WAITING and event is not Event.INTEND:
                continue  # sent something, like most
            if way is direction and before is here and after not in ways:
                ways[after] = [*ways[here], event]
                queue.append(after)
    return ways[end]


def in_trouble(action: Callable[[], object], words: str) -> Problem:
    with pytest.raises(JournalTrouble, match=words) as trouble:
        action()
    assert trouble.value.exit is Exit.JOURNAL
    (problem,) = trouble.value.problems
    assert problem.where.endswith("journal.sqlite3")
    assert problem.remedy
    return problem
