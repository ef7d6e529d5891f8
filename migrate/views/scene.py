"""What is going on in a run right now: one picture in memory that every view is drawn from.

It begins with what the journal has, and takes each piece of news as the engine tells it. There is
no I/O and no clock here; times are handed in, in UTC.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Final

from migrate.engine.tidings import Tidings
from migrate.journal.rows import Row
from migrate.model.lifecycle import FAULTS, GOAL, UNRESOLVED, Direction, State
from migrate.planning.plan import Plan, PlannedWave, Seconds
from migrate.views.ending import Ending
from migrate.views.words import leg_in_words

NOTES: Final = 50
"""So many of the run's latest remarks are kept for those who look on later."""


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
    """One wave: how its devices stand, what its gate came to ("" while it is not judged), and when
    it began, if it did in this process."""

    index: int
    planned: PlannedWave
    states: Counter[State]
    not_done: int
    gate: str = ""
    began: datetime | None = None

    @property
    def done(self) -> bool:
        """Whether nothing more is waited for of its devices."""
        return self.not_done == 0


@dataclass
class Scene:
    """The picture. `wave` is the one under way, `waiting` what the tool waits for if it says so,
    `surveyed` the devices read so far, `ending` how the tool's work ended, if it did."""

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
    _seconds: list[tuple[float, Seconds]] = field(default_factory=list)

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
        elif news.kind == "wave" and news.wave is not None:
            self.wave, self.direction, self.waiting = news.wave, news.direction, ""
            self.waves[news.wave].began = at
            self.waves[news.wave].gate = ""
        elif news.kind == "gate" and news.wave is not None:
            self._judged(self.waves[news.wave], news.words, at)
        elif news.kind == "waiting":
            self.waiting = news.words
        if news.name and news.state is not None:
            was = self.spots[news.name]
            since = was.since if (was.state, was.direction) == (news.state, news.direction) else at
            self._put(
                replace(
                    was, state=news.state, direction=news.direction, words=news.words, since=since
                )
            )
        if news.kind == "note" or (news.kind == "gate" and news.words != "open"):
            self.remarks = [*self.remarks[-NOTES + 1 :], Remark(at, news.words, news.name)]

    def end(self, ending: Ending, rows: Iterable[Row]) -> None:
        """The tool's work has ended; this is how, and where the journal has every device."""
        self.refresh(rows)
        self.waiting = ""
        self.ending = ending

    @property
    def done(self) -> int:
        """Devices of which nothing more is waited for."""
        return sum(spot.done for spot in self.spots.values())

    @property
    def faulty(self) -> list[Spot]:
        """Devices that somebody must decide about, the first wave first."""
        found = [spot for spot in self.spots.values() if spot.faulty]
        return sorted(found, key=lambda spot: spot.wave)

    @property
    def under_way(self) -> list[Spot]:
        """Devices of which it is not known yet what became of them, the longest first."""
        found = [spot for spot in self.spots.values() if spot.under_way]
        return sorted(found, key=lambda spot: (spot.since is None, spot.since or self.began))

    def left(self, at: datetime) -> Seconds | None:
        """How long the rest will take, if no gate holds and no quiet hours come between; None on
        the way back, and where nothing is left.

        The plan's own range for each wave that is not done. Where waves so far lay outside of
        theirs, the range is widened by what they really took."""
        rest = [wave for wave in self.waves if not wave.done]
        if self.direction is Direction.BACK or self.ending or not rest:
            return None
        took = [(seconds, planned) for seconds, planned in self._seconds if planned.most > 0]
        quicker = min([1.0, *(s / p.least for s, p in took if p.least > 0)])
        slower = max([1.0, *(s / p.most for s, p in took)])
        least = most = 0.0
        for wave in rest:
            gone = (at - wave.began).total_seconds() if wave.began else 0.0
            planned = wave.planned.seconds
            least += max(0.0, planned.least * quicker - gone)
            # Past its time a wave may still take until the last deadline, and then a soak.
            late = self.plan.pace.deadline_seconds.most + self.plan.pace.soak_seconds
            usual = planned.most * slower
            most += usual - gone if gone <= usual else max(0.0, late - gone)
        return Seconds(least=least, most=max(least, most))

    def _judged(self, wave: WaveNow, words: str, at: datetime) -> None:
        wave.gate = words
        if words == "open" and wave.began is not None:
            self._seconds.append(((at - wave.began).total_seconds(), wave.planned.seconds))

    def _put(self, spot: Spot) -> None:
        was = self.spots[spot.name]
        wave = self.waves[spot.wave]
        wave.states[was.state] -= 1
        wave.states[spot.state] += 1
        wave.not_done += was.done - spot.done
        self.spots[spot.name] = spot


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
