"""Rows of the tables of a report, in words."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Final

from migrate.journal.rows import Entry, Row
from migrate.model.lifecycle import FAULTS, Direction, State
from migrate.planning.exposure import Evidence
from migrate.planning.ledger import UNKNOWN
from migrate.planning.plan import Plan
from migrate.views.report.faults import ended_as
from migrate.views.report.figures import Gained, Met, in_a_hundred
from migrate.views.report.story import Band, Pause, Story
from migrate.views.report.summary import is_step
from migrate.views.words import count, lasting, settings_in_words

MOST_LINES: Final = 2000
"""Lines of the journal that a report holds; of more the first and the last of them."""
MOMENTS: Final = 24
"""Rows of the table of sides, at most."""


@dataclass(frozen=True)
class Clock:
    """Times in words; the date only where a run was at work on more than one day. All in UTC."""

    several_days: bool

    @classmethod
    def of(cls, story: Story) -> Clock:
        """The clock for a run."""
        walls = [wall for _, wall in story.clock]
        if walls:
            walls.append(story.wall(story.length))
        return cls(len({wall.date() for wall in walls}) > 1)

    def __call__(self, at: datetime) -> str:
        """`21:04:05`, or `2 Jan 21:04:05`."""
        return f"{at.day} {at:%b %H:%M:%S}" if self.several_days else f"{at:%H:%M:%S}"


REASONS: Final = {
    "held": "held: nothing was sent until somebody decided",
    "stopped": "stopped, as somebody had asked",
    "over": "nothing was left to be done",
    "quiet hours": "quiet hours were waited for",
    "access point": "waiting for the access point to be changed",
    "no line": "the journal has no line: the tool was not at work, or was cut off",
}


def pause(one: Pause, clock: Clock) -> str:
    """A pause in words."""
    if one.reason == "clock":
        back = lasting((one.began - one.ended).total_seconds())
        return (
            f"the clock was set back by {back} at {clock(one.began)}; how long it really was, "
            "nobody knows"
        )
    span = f"{clock(one.began)} to {clock(one.ended)}"
    return f"{lasting(one.seconds)}, {span}: {REASONS[one.reason]}"


@dataclass(frozen=True)
class Moment:
    """A row of the table of sides."""

    at: str
    what: str
    old: int
    between: int
    new: int


def moments(story: Story, clock: Clock) -> list[Moment]:
    """Where the fleet was at the start, whenever a wave was over, and at the end."""
    if not story.clock:
        return []
    points = [(0.0, "at first"), *((b.until, _over(b)) for b in story.bands if b.how)]
    points.sort(key=lambda point: point[0])
    if len(points) >= MOMENTS:
        step = len(points) / (MOMENTS - 1)
        points = [points[int(number * step)] for number in range(MOMENTS - 1)]
    points.append((story.length, "at the end"))
    found = []
    for at, what in points:
        here = [one for one in story.counts if one.at <= at][-1]
        found.append(Moment(clock(story.wall(at)), what, here.old, here.between, here.new))
    same = len(found) > 1 and replace(found[-1], what=found[-2].what) == found[-2]
    return found[:-1] if same else found


def _over(band: Band) -> str:
    if band.direction is Direction.BACK:
        return f"wave {band.wave + 1} taken back"
    return f"wave {band.wave + 1}: {GATE[band.how]}"


GATE: Final = {"open": "gate open", "shut": "gate shut", "held": "held", "back": "taken back"}


@dataclass(frozen=True)
class DeviceRow:
    """A row of the table of devices."""

    name: str
    place: str
    wave: int
    ended: str
    sent: str
    away: str
    words: str
    fault: bool


def devices(plan: Plan, story: Story, rows: Mapping[str, Row], clock: Clock) -> Iterator[DeviceRow]:
    """Every device, the first wave first."""
    for life in sorted(story.lives, key=lambda life: life.wave):
        row = rows[life.name]
        sent = next((s.since for s in life.spans if s.state in SENT), None)
        away = sum(s.until - s.since for s in life.spans if s.side == "between")
        yield DeviceRow(
            life.name,
            plan.device(life.name).place,
            life.wave,
            ended_as(row),
            clock(story.wall(sent)) if sent is not None else "",
            lasting(away) if away else "",
            row.note,
            row.state in FAULTS,
        )


SENT: Final = (State.SENDING, State.AWAY, State.ADRIFT)


def exposed(plan: Plan, met: Sequence[Met]) -> str:
    """What was accepted and what was met, in sentences."""
    late, adrift = sum(one.late for one in met), sum(one.adrift for one in met)
    on_way = sum(one.on_way for one in met)
    so_far = f"; {on_way} on the way, and nobody knows of them yet" if on_way else ""
    if plan.leg.together:
        accepted = f"You accepted {count(len(plan.devices), 'device')} at stake in one step"
    else:
        accepted = (
            f"You accepted at most {count(plan.pace.stranded_at_most, 'device')} stranded in a "
            f"wave, {plan.pace.confidence:.0%} sure"
        )
    if not any(one.sent for one in met):
        return f"{accepted}. Nothing was sent."
    if not late and not adrift:
        none = "So far none" if on_way else "None"
        return f"{accepted}. {none} failed to arrive in time, and none is adrift{so_far}."
    ends = f"{adrift} are adrift" if adrift > 1 else f"{adrift or 'none'} is adrift"
    if not late:
        return f"{accepted}. None failed to arrive in time; {ends} now, on the way back{so_far}."
    those = (
        "1 device was not where it had been sent when its time was up"
        if late == 1
        else f"{late} devices were not where they had been sent when their time was up"
    )
    return f"{accepted}. {those}, or came back; {ends} now{so_far}."


def met_in_words(one: Met) -> str:
    """What was met in one wave. That all came in time is said when it is known."""
    if not one.sent and not one.late:
        told = ["nothing was sent"]
    elif one.late:
        told = [f"{one.late} not there in time"]
    else:
        told = [] if one.on_way or one.declined == one.sent else ["all in time"]
    told += [f"{one.on_way} on the way"] if one.on_way else []
    told += [f"{one.declined} said no"] if one.declined else []
    told += [f"{one.adrift} adrift now"] if one.adrift else []
    return ", ".join(told)


@dataclass(frozen=True)
class GainedRow:
    """A row of the table of evidence."""

    twins: str
    devices: int
    before: str
    after: str
    kept: bool


def gained(one: Gained, sure: float) -> GainedRow:
    """The evidence of one twin group in words."""
    dialect, firmware = one.twin
    return GainedRow(
        f"{dialect} {firmware}",
        one.devices,
        _bound(one.before, one.bound_before, sure),
        _bound(one.after, one.bound_after, sure),
        firmware != UNKNOWN,
    )


def _bound(evidence: Evidence, bound: float, sure: float) -> str:
    if not evidence.returns and not evidence.faults:
        return "nothing known: any number may fail"
    faults = count(evidence.faults, "fault") if evidence.faults else "no fault"
    return (
        f"after {count(evidence.returns, 'return')} and {faults}, at most {in_a_hundred(bound)} "
        f"fail, {sure:.0%} sure"
    )


def given(rows: Iterable[Row]) -> list[tuple[str, list[str]]]:
    """What was given last, in words, and to whom."""
    found: dict[str, list[str]] = {}
    for row in rows:
        if row.given:
            found.setdefault(settings_in_words(row.given), []).append(row.name)
    return list(found.items())


@dataclass(frozen=True)
class LineRow:
    """A line of the journal."""

    at: str
    wave: int | None
    name: str
    step: str
    words: str


def lines(
    entries: Sequence[Entry], story: Story, clock: Clock
) -> tuple[list[LineRow], list[LineRow]]:
    """The journal in order: all of it, or the first lines and the last."""
    half = MOST_LINES // 2
    pairs = list(zip(entries, story.walls, strict=True))
    parts = [pairs[:half], pairs[-half:]] if len(pairs) > MOST_LINES else [pairs, []]
    first, last = ([_line(entry, clock(at)) for entry, at in part] for part in parts)
    return first, last


def _line(entry: Entry, at: str) -> LineRow:
    step = f"{entry.before} to {entry.after}" if is_step(entry) else entry.kind
    wave = None if entry.wave is None else entry.wave + 1
    return LineRow(at, wave, entry.name or "", step, entry.detail)
