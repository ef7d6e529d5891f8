"""What is going on in a run right now: one picture in memory that every view is drawn from.

It begins with what the journal has, and takes each piece of news as the engine tells it. There is
no I/O and no clock here; times are handed in, in UTC.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Container, Iterable, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Final

from migrate.engine.tidings import Tidings
from migrate.journal.rows import Row
from migrate.model.lifecycle import FAULTS, GOAL, UNRESOLVED, Direction, State
from migrate.planning.plan import Plan, PlannedWave, Seconds
from migrate.planning.sleep import soak_most
from migrate.views.ending import Ending
from migrate.views.words import leg_in_words

NOTES: Final = 50
"""So many of the run's latest remarks are kept for those who look on later."""
FOUND: Final = "found"
"""What the survey says of a device that is as it must be."""


@dataclass(frozen=True)
class Spot:
    """One device as it is looked at. `words` are its last; `since` is when it came to its state,
    None if nothing has happened to it yet."""

    name: str
    place: str
    wave: int
    direction: Direction
    state: State
    written_off: bool = False
    words: str = ""
    since: datetime | None = None

    @property
    def done(self) -> bool:
        """Whether nothing more is waited for of it."""
        return self.written_off or self.state is GOAL[self.direction]

    @property
    def faulty(self) -> bool:
        """Whether somebody must decide what becomes of it."""
        return self.state in FAULTS and not self.written_off

    @property
    def under_way(self) -> bool:
        """Whether it has been sent something, and it is not known yet what became of it."""
        return self.state in UNRESOLVED


@dataclass(frozen=True)
class Remark:
    """Something that was said of a device or of the run, and when."""

    at: datetime
    words: str
    name: str = ""


@dataclass
class WaveNow:
    """One wave: how its devices stand, what its gate came to ("" while it is not judged), when it
    began, if it did in this process, and the seconds it took to its gate. `paused`: seconds of it
    in which nothing could be sent, for quiet hours."""

    index: int
    planned: PlannedWave
    states: Counter[State]
    not_done: int
    gate: str = ""
    began: datetime | None = None
    paused: float = 0.0
    took: float | None = None

    @property
    def done(self) -> bool:
        """Whether nothing more is waited for of its devices."""
        return self.not_done == 0


@dataclass
class Scene:
    """The picture. `wave` is the one under way, `waiting` what the tool waits for if it says so,
    `surveyed` the devices read so far, `unwell` those of them that are not as they must be, with
    what is wrong, `ending` how the tool's work ended, if it did."""

    plan: Plan
    began: datetime
    spots: dict[str, Spot]
    waves: list[WaveNow]
    leg: str
    wave: int | None = None
    direction: Direction = Direction.FORWARD
    waiting: str = ""
    surveyed: set[str] = field(default_factory=set)
    remarks: list[Remark] = field(default_factory=list)
    ending: Ending | None = None
    unwell: dict[str, str] = field(default_factory=dict)
    _seconds: list[tuple[float, Seconds]] = field(default_factory=list)
    _paused_since: datetime | None = None

    @classmethod
    def of(cls, plan: Plan, rows: Sequence[Row], at: datetime) -> Scene:
        """The picture of a run as its journal has it."""
        spots = {row.name: _spot(plan, row) for row in rows}
        waves = [
            WaveNow(
                index,
                wave,
                Counter(spots[name].state for name in wave.devices),
                sum(not spots[name].done for name in wave.devices),
            )
            for index, wave in enumerate(plan.waves)
        ]
        return cls(plan, at, spots, waves, leg_in_words(plan.leg))

    def refresh(self, rows: Iterable[Row]) -> None:
        """Take over what another process, or a command of the owner, has written meanwhile."""
        for row in rows:
            self._put(_spot(self.plan, row))

    def take(self, news: Tidings, at: datetime) -> None:
        """Something happened."""
        self.ending = None
        if news.kind == "survey":
            self.surveyed.add(news.name)
            if news.words == FOUND:
                self.unwell.pop(news.name, None)
            else:
                self.unwell[news.name] = news.words
        elif news.kind == "wave" and news.wave is not None:
            self.wave, self.direction, self.waiting = news.wave, news.direction, ""
            wave = self.waves[news.wave]
            wave.began, wave.gate, wave.paused, wave.took = at, "", 0.0, None
            self._paused_since = None
        elif news.kind == "gate" and news.wave is not None:
            self._judged(self.waves[news.wave], news.words, at)
        elif news.kind == "waiting":
            self._pause(at, going_on=not news.words)
            self.waiting = news.words
        if news.name and news.state is not None:
            was = self.spots[news.name]
            since = was.since if (was.state, was.direction) == (news.state, news.direction) else at
            self._put(
                replace(
                    was, state=news.state, direction=news.direction, words=news.words, since=since
                )
            )
        if news.kind == "note":
            self._remark(Remark(at, news.words, news.name))
        elif news.kind == "gate" and news.wave is not None and news.words != "open":
            self._remark(Remark(at, f"gate after wave {news.wave + 1}: {news.words}"))

    def end(self, ending: Ending, rows: Iterable[Row]) -> None:
        """The tool's work has ended; this is how, and where the journal has every device."""
        self.refresh(rows)
        self.waiting = ""
        self.ending = ending

    @property
    def done(self) -> int:
        """Devices of which nothing more is waited for."""
        return len(self.spots) - sum(wave.not_done for wave in self.waves)

    @property
    def faulty(self) -> list[Spot]:
        """Devices that somebody must decide about, the first wave first."""
        return [spot for spot in self._in(FAULTS) if spot.faulty]

    @property
    def under_way(self) -> list[Spot]:
        """Devices of which it is not known yet what became of them, the longest first."""
        found = self._in(UNRESOLVED)
        return sorted(found, key=lambda spot: (spot.since is None, spot.since or self.began))

    def left(self, at: datetime) -> Seconds | None:
        """How long the rest will take, if no gate holds and no quiet hours come between. None where
        nothing is left, and where nobody can tell: on the way back, while a device has a fault, and
        where the owner has to change the access point in the midst of it.

        The plan's own range for each wave that is not done. If the waves so far took longer in all
        than their ranges, or less, the rest is taken to be as much slower or quicker. A wave that
        has devices which are not back lasts one soak more at the least; past its usual time it may
        last until the last deadline, and then one soak."""
        rest = [wave for wave in self.waves if not wave.done]
        back = self.direction is Direction.BACK
        if back or self.ending or self.plan.leg.together or not rest or self.faulty:
            return None
        quicker, slower = self._pace_so_far()
        least = most = 0.0
        for wave in rest:
            planned = wave.planned.seconds
            # Slower than that none can be: the machine has slept, or its clock was set.
            longest = max(planned.most, self._latest(wave))
            usual, gone = min(planned.most * slower, longest), self._worked(wave, at)
            low = max(self._soak_left(wave, at), planned.least * quicker - gone)
            high = usual - gone if gone <= usual else self._latest(wave) - gone
            least += low
            most += max(low, high)
        return Seconds(least=least, most=most)

    def _in(self, states: Container[State]) -> list[Spot]:
        """Devices in these states, the first wave first."""
        return [
            self.spots[name]
            for wave in self.waves
            if any(number > 0 and state in states for state, number in wave.states.items())
            for name in wave.planned.devices
            if self.spots[name].state in states
        ]

    def _pace_so_far(self) -> tuple[float, float]:
        """How much quicker (at most 1) and slower (at least 1) the waves so far were than planned,
        all together: what one did is made up for by another."""
        took = sum(seconds for seconds, _ in self._seconds)
        least = sum(planned.least for _, planned in self._seconds)
        most = sum(planned.most for _, planned in self._seconds)
        return (min(1.0, took / least) if least else 1.0, max(1.0, took / most) if most else 1.0)

    def _worked(self, wave: WaveNow, at: datetime) -> float:
        """Seconds since a wave began, in which something could be done."""
        if wave.began is None:
            return 0.0
        paused = wave.paused
        if self._paused_since is not None and wave.index == self.wave:
            paused += _seconds_between(self._paused_since, at)
        return max(0.0, _seconds_between(wave.began, at) - paused)

    def _soak_left(self, wave: WaveNow, at: datetime) -> float:
        soak, left = self.plan.pace.soak_seconds, 0.0
        if wave.began is None:
            return 0.0
        for name in wave.planned.devices:
            spot = self.spots[name]
            if spot.state is State.SEEN and spot.since is not None:
                left = max(left, min(soak, soak - _seconds_between(spot.since, at)))
            elif not spot.done:
                return soak
        return left

    def _latest(self, wave: WaveNow) -> float:
        """Seconds after which a wave is over at the latest, if its devices come at all."""
        pace = self.plan.pace
        wakes = max((self.plan.device(n).wakes_seconds or 0.0) for n in wave.planned.devices)
        return pace.deadline_seconds.most + soak_most(pace.soak_seconds, wakes or None) + 2 * wakes

    def _pause(self, at: datetime, *, going_on: bool) -> None:
        """In a wave, the tool says that it waits when nothing may be sent for now, and says
        nothing when it goes on."""
        if self._paused_since is not None and self.wave is not None:
            self.waves[self.wave].paused += _seconds_between(self._paused_since, at)
        self._paused_since = None if going_on or self.wave is None else at

    def _remark(self, remark: Remark) -> None:
        self.remarks = [*self.remarks[-NOTES + 1 :], remark]

    def _judged(self, wave: WaveNow, words: str, at: datetime) -> None:
        wave.gate = words
        if wave.began is not None:
            wave.took = self._worked(wave, at)
        if words == "open" and wave.took is not None:
            self._seconds.append((wave.took, wave.planned.seconds))

    def _put(self, spot: Spot) -> None:
        was = self.spots[spot.name]
        wave = self.waves[spot.wave]
        wave.states[was.state] -= 1
        wave.states[spot.state] += 1
        wave.not_done += was.done - spot.done
        self.spots[spot.name] = spot


def _seconds_between(first: datetime, last: datetime) -> float:
    return (last - first).total_seconds()


def _spot(plan: Plan, row: Row) -> Spot:
    return Spot(
        name=row.name,
        place=plan.device(row.name).place,
        wave=row.wave,
        direction=row.direction,
        state=row.state,
        written_off=row.written_off,
        words=row.note,
        since=datetime.fromisoformat(row.changed_at) if row.changed_at else None,
    )
