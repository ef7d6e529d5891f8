"""What happened in a run, as a picture can be drawn of it: spans, counts, bands and pauses.

It is worked out from the plan and the lines of the journal alone; there is no I/O and no clock
here, and no markup. Times are seconds of the run's own time, which begins with the first line and
never runs backwards: a clock that was set back in the midst of a run is told of as a pause.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from typing import Final, Literal

from migrate.journal.rows import Entry
from migrate.journal.store import (
    ADMITTED,
    ALL_TOLD,
    BACK,
    BACK_HELD,
    FINISHED,
    FLIPPED,
    GATE_OPEN,
    GATE_SHUT,
    HELD,
    NOT_FLIPPED,
    QUIET,
    ROLLED_BACK,
    STOPPED,
)
from migrate.model.lifecycle import FAULTS, Direction, State
from migrate.planning.plan import Plan

Side = Literal["old", "between", "new"]
SIDES: Final = ("old", "between", "new")
WRITTEN_OFF: Final = "written off"
"""Kind of the line by which the owner goes on without a device."""
Reason = Literal["held", "stopped", "over", "quiet hours", "access point", "no line", "clock"]
RESTS: Final[dict[str, Reason]] = {
    HELD: "held",
    BACK_HELD: "held",
    STOPPED: "stopped",
    FINISHED: "over",
    ROLLED_BACK: "over",
    QUIET: "quiet hours",
    ALL_TOLD: "access point",
}
"""Kinds of lines of the run after which nobody is at work, and why."""
BY_THE_OWNER: Final = frozenset({WRITTEN_OFF, FLIPPED, NOT_FLIPPED})
"""Kinds of lines that the owner's commands write while nobody is at work."""
SHORTEST: Final = 1.0
"""Seconds; a shorter pause is none."""
SLACK: Final = 2.0
"""Seconds by which a clock may be corrected without anybody needing to know."""
GRACE: Final = 60.0
"""Seconds beyond all that a process waits for, after which it cannot have been at work."""


@dataclass(frozen=True)
class Span:
    """A time in which a device stayed in one state."""

    direction: Direction
    state: State
    since: float
    until: float

    @property
    def side(self) -> Side:
        """Where the device was, as far as the journal knows."""
        return side_of(self.direction, self.state)


@dataclass(frozen=True)
class Mark:
    """A moment that somebody had to decide about, or at which the owner did."""

    at: float
    what: State | Literal["written off"]
    direction: Direction


@dataclass(frozen=True)
class Life:
    """One device through the run; its spans follow each other without a gap."""

    name: str
    wave: int
    spans: tuple[Span, ...]
    marks: tuple[Mark, ...]


@dataclass(frozen=True)
class Count:
    """So many devices on each side, from this moment on."""

    at: float
    old: int
    between: int
    new: int


@dataclass(frozen=True)
class Band:
    """A wave at work: from the moment its devices were let go until its gate was judged, or its
    last line. `how` is what it came to: `open`, `shut`, `held`, `back`, or empty."""

    wave: int
    direction: Direction
    since: float
    until: float
    how: str


@dataclass(frozen=True)
class Pause:
    """A time in which nothing was sent and nobody was looked for, by the clock from `began` to
    `ended`. For the reason `clock` it ends before it begins: nobody knows how long it was."""

    since: float
    until: float
    reason: Reason
    began: datetime
    ended: datetime

    @property
    def seconds(self) -> float:
        """How long it was."""
        return self.until - self.since


@dataclass(frozen=True)
class Story:
    """A run as it was. `clock` says at which moments of it the wall clock had which time; `times`
    and `walls` have the moment of each line and what the clock showed. Without a line there is no
    clock, and its length is 0."""

    lives: tuple[Life, ...]
    counts: tuple[Count, ...]
    bands: tuple[Band, ...]
    pauses: tuple[Pause, ...]
    clock: tuple[tuple[float, datetime], ...]
    times: tuple[float, ...]
    walls: tuple[datetime, ...]
    length: float

    @property
    def worked(self) -> float:
        """Seconds without the pauses, to the millisecond, as the journal has them."""
        return max(0.0, round(self.length - sum(pause.seconds for pause in self.pauses), 3))

    def wall(self, at: float) -> datetime:
        """What the clock showed then. Raises IndexError for a run without a line."""
        index = max(0, bisect_right(self.clock, at, key=lambda point: point[0]) - 1)
        since, wall = self.clock[index]
        return wall + timedelta(seconds=at - since)


def side_of(direction: Direction, state: State) -> Side:
    """Where a device in this state is, as far as the journal knows: `between` is on its way, or
    on neither side. One that said no, or came back, is where it came from."""
    forward = direction is Direction.FORWARD
    if state in (State.SENDING, State.AWAY, State.ADRIFT):
        return "between"
    if state in (State.SEEN, State.SETTLED, State.RESTORED):
        return "new" if forward else "old"
    return "old" if forward else "new"


def story_of(plan: Plan, entries: Sequence[Entry]) -> Story:
    """The story that these lines tell; they may be cut off anywhere."""
    walls = _walls(entries)
    times, clock, jumps = _own_time(walls)
    length = times[-1] if times else 0.0
    lives = _lives(plan, entries, times, length)
    return Story(
        lives=lives,
        counts=_counts(lives),
        bands=tuple(_bands(plan, entries, times, length)),
        pauses=tuple(_pauses(plan, entries, times, walls, jumps)),
        clock=clock,
        times=times,
        walls=tuple(walls),
        length=length,
    )


def _walls(entries: Iterable[Entry]) -> list[datetime]:
    """When each line was written, by the clock; a time that cannot be read is that of the line
    before it."""
    found: list[datetime] = []
    for entry in entries:
        try:
            at = datetime.fromisoformat(entry.at)
            at = at.replace(tzinfo=UTC) if at.tzinfo is None else at.astimezone(UTC)
        except (ValueError, OverflowError):
            at = found[-1] if found else datetime.fromtimestamp(0, UTC)
        found.append(at)
    return found


def _own_time(
    walls: Sequence[datetime],
) -> tuple[tuple[float, ...], tuple[tuple[float, datetime], ...], set[int]]:
    """The moment of each line; the clock; and the lines before which it was set back."""
    times: list[float] = []
    clock: list[tuple[float, datetime]] = []
    jumps: set[int] = set()
    for index, wall in enumerate(walls):
        if not clock:
            clock.append((0.0, wall))
        at = clock[-1][0] + (wall - clock[-1][1]).total_seconds()
        last = times[-1] if times else 0.0
        if at < last - SLACK:
            clock.append((last, wall))
            jumps.add(index)
        times.append(max(at, last))
    return tuple(times), tuple(clock), jumps


def _lives(
    plan: Plan, entries: Sequence[Entry], times: Sequence[float], length: float
) -> tuple[Life, ...]:
    now = {d.name: (Direction.FORWARD, State.WAITING, 0.0) for d in plan.devices}
    spans: dict[str, list[Span]] = {device.name: [] for device in plan.devices}
    marks: dict[str, list[Mark]] = {device.name: [] for device in plan.devices}
    for entry, at in zip(entries, times, strict=True):
        name = entry.name
        if name is None or name not in now:
            continue
        if entry.kind == WRITTEN_OFF:
            marks[name].append(Mark(at, "written off", now[name][0]))
        try:
            direction, state = Direction(entry.direction or ""), State(entry.after or "")
        except ValueError:
            continue  # a line of a damaged journal
        was_direction, was_state, since = now[name]
        if (direction, state) == (was_direction, was_state):
            continue
        if at > since:
            spans[name].append(Span(was_direction, was_state, since, at))
        now[name] = (direction, state, at)
        if state in FAULTS and state is not was_state:
            marks[name].append(Mark(at, state, direction))
    for name, (direction, state, since) in now.items():
        spans[name].append(Span(direction, state, since, length))
    return tuple(
        Life(d.name, plan.wave_of(d.name), tuple(spans[d.name]), tuple(marks[d.name]))
        for d in plan.devices
    )


def _counts(lives: Iterable[Life]) -> tuple[Count, ...]:
    numbers: dict[Side, int] = {"old": 0, "between": 0, "new": 0}
    changes: list[tuple[float, Side, Side]] = []
    for life in lives:
        numbers[life.spans[0].side] += 1
        changes += [
            (after.since, before.side, after.side)
            for before, after in pairwise(life.spans)
            if before.side != after.side
        ]
    found = [Count(0.0, numbers["old"], numbers["between"], numbers["new"])]
    for at, before, after in sorted(changes, key=lambda change: change[0]):
        numbers[before] -= 1
        numbers[after] += 1
        count = Count(at, numbers["old"], numbers["between"], numbers["new"])
        if found[-1].at == at:
            found[-1] = count
        else:
            found.append(count)
    return tuple(found)


_ENDS: Final = {GATE_OPEN: "open", GATE_SHUT: "shut", HELD: "held", BACK: "back"}


def _bands(
    plan: Plan, entries: Sequence[Entry], times: Sequence[float], length: float
) -> Iterable[Band]:
    """A wave's band begins when its devices are let go, or with the first step of one of them."""
    begun: dict[int, tuple[Direction, float, float]] = {}
    for entry, at in zip(entries, times, strict=True):
        wave = entry.wave
        if wave is None or not 0 <= wave < len(plan.waves):
            continue
        direction = Direction.BACK if entry.direction == Direction.BACK else Direction.FORWARD
        if entry.name is None and entry.kind in _ENDS:
            if wave in begun:
                way, since, _ = begun.pop(wave)
                yield Band(wave, way, since, at, _ENDS[entry.kind])
        elif wave in begun:
            way, since, _ = begun[wave]
            if entry.name is not None and direction is not way:
                yield Band(wave, way, since, begun[wave][2], "")
                begun[wave] = (direction, at, at)
            elif entry.name is not None or entry.kind == ADMITTED:
                begun[wave] = (way, since, at)
        elif entry.kind == ADMITTED or (entry.name and entry.before != entry.after):
            begun[wave] = (direction, at, at)
    for wave, (way, since, last) in begun.items():
        yield Band(wave, way, since, last, "")


def _pauses(
    plan: Plan,
    entries: Sequence[Entry],
    times: Sequence[float],
    walls: Sequence[datetime],
    jumps: set[int],
) -> Iterable[Pause]:
    pace = plan.pace
    sleep = max((device.wakes_seconds or 0.0 for device in plan.devices), default=0.0)
    usual = max(pace.deadline_seconds.most, pace.soak_seconds) + pace.soak_seconds + GRACE
    usual += 3 * sleep  # a sleeper is waited for over several wakes, in silence
    resting: Reason | None = None
    for index in range(1, len(entries)):
        before = entries[index - 1]
        if before.name is None and before.kind in RESTS:
            # The way back waits for no quiet hours, and says so.
            resting = None if "does not wait" in before.detail else RESTS[before.kind]
        elif before.kind not in BY_THE_OWNER:
            resting = None
        gap = times[index] - times[index - 1]
        reason: Reason | None = "clock" if index in jumps else resting
        if reason is None and gap > usual:
            reason = "no line"
        if reason is None or (gap < SHORTEST and reason != "clock"):
            continue
        yield Pause(times[index - 1], times[index], reason, walls[index - 1], walls[index])
