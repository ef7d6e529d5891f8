"""Lines of journals drawn at random, each a lawful step after the one before it; and journals as
they were at an earlier moment. No database is needed for either."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, cast

from hypothesis import strategies as st

from migrate.journal.intents import TURN
from migrate.journal.replay import replay
from migrate.journal.rows import Entry, Row
from migrate.journal.store import ADMITTED, ALL_TOLD, FLIPPED, NOT_FLIPPED, Journal
from migrate.model.lifecycle import TRANSITIONS, TURNS, Direction, Event, State
from migrate.model.settings import FrozenBundle
from migrate.planning.plan import Plan

OF_THE_RUN = (
    *("gate open", "gate shut", "held", "stopped", "finished", "quiet hours", "back"),
    *("rolled back", "mended", ADMITTED, ALL_TOLD, FLIPPED, NOT_FLIPPED),
)
WORDS = st.sampled_from(
    ("", "it said yes", "2 of 3, exposure 1.250", "3 together, as the owner accepted", "waiting")
)
SECONDS = st.one_of(
    st.sampled_from((0.0, 0.0, 0.002, 1.0, 30.0, 700.0, 36000.0)),
    st.floats(-9e4, 9e6, allow_nan=False),
)
"""A clock may be set back, or stand still."""


@st.composite
def lines(draw: st.DrawFn, plan: Plan, most: int = 60) -> list[Entry]:
    """Lines of a run of this plan, by the table of the life cycle."""
    now = {device.name: (Direction.FORWARD, State.WAITING) for device in plan.devices}
    names = st.sampled_from(sorted(now))
    time = datetime(2026, 1, 1, 12, 0, tzinfo=UTC)
    found: list[Entry] = []
    for number in range(1, draw(st.integers(0, most)) + 1):
        time += timedelta(seconds=draw(SECONDS))
        at, words = time.isoformat(timespec="milliseconds"), draw(WORDS)
        if draw(st.booleans()):
            wave = draw(st.one_of(st.none(), st.integers(0, len(plan.waves) - 1)))
            kind = draw(st.sampled_from(OF_THE_RUN))
            found.append(Entry(number, at, None, wave, None, kind, None, None, words))
            continue
        name = draw(names)
        direction, state = now[name]
        kinds: list[str] = ["note", "written off", "return", "uptime", "seemed unsent"]
        kinds += [e for (way, was, e) in TRANSITIONS if (way, was) == (direction, state)] * 4
        if direction is Direction.FORWARD and state in TURNS:
            kinds.append(TURN)
        kind = draw(st.sampled_from(kinds))
        way, after = direction, state
        if kind == TURN:
            way, after = Direction.BACK, TURNS[state]
        elif kind in set(Event):
            after = TRANSITIONS[direction, state, Event(kind)]
        if kind == "return":
            words = "12.500"
        now[name] = (way, after)
        wave = plan.wave_of(name)
        found.append(Entry(number, at, name, wave, way, str(kind), state, after, words))
    return found


class Earlier:
    """A journal as it was when it had these lines, for those who only read."""

    def __init__(self, plan: Plan, entries: Sequence[Entry], like: Journal | None = None) -> None:
        self.plan = plan
        self.simulated = False
        self.path = Path("/state/runs/one/journal.sqlite3")
        self._entries = list(entries)
        self._like = like
        ways_back = {d.name: self.way_back(d.name) or d.way_back for d in plan.devices}
        self._rows = replay(plan, entries, ways_back)

    def entries(self) -> list[Entry]:
        return self._entries

    def rows(self) -> list[Row]:
        return self._rows

    def way_back(self, name: str) -> FrozenBundle | None:
        return self._like.way_back(name) if self._like else self.plan.device(name).way_back

    def survey(self, name: str) -> dict[str, Any] | None:
        return self._like.survey(name) if self._like else None

    @property
    def flipped(self) -> bool:
        return self.last_of(FLIPPED, NOT_FLIPPED) == FLIPPED

    def last_of(self, *kinds: str) -> str | None:
        return next((one.kind for one in reversed(self._entries) if one.kind in kinds), None)

    def as_journal(self) -> Journal:
        """What a view takes it for."""
        return cast(Journal, self)
