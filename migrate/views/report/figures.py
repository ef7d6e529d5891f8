"""The numbers of a report: exposure accepted and met, evidence gained, how long devices took.

No markup, no I/O.
"""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import ceil
from statistics import median

from migrate.journal.rows import RETURN, Entry, Row
from migrate.journal.store import ADMITTED
from migrate.model.lifecycle import Direction, State
from migrate.planning.exposure import Evidence, Twin, rate
from migrate.planning.gates import Standings, evidence_of
from migrate.planning.plan import Plan
from migrate.views.report.story import Story

_ADMITTED = re.compile(r"(\d+) of \d+, exposure (\d+(?:\.\d+)?)")
_TOGETHER = re.compile(r"(\d+) (?:together|once more)")


@dataclass(frozen=True)
class Admitted:
    """So many devices were let go together, and with those away already so many could have been
    stranded, at the owner's confidence."""

    devices: int
    exposure: float


@dataclass(frozen=True)
class Met:
    """One wave: what was accepted for it, and what was met. `late`: devices that were not where
    they had been sent to when their time was up, or had come back; `declined`: that said no, and
    stayed as they were; `sent`: that were sent anything; `on_way`: of which it is not known yet
    whether they arrive; `adrift`: that are on neither side at the end."""

    wave: int
    devices: int
    accepted: float
    admitted: tuple[Admitted, ...]
    late: int
    declined: int
    sent: int
    on_way: int
    adrift: int

    @property
    def highest(self) -> float | None:
        """The highest exposure at which the engine let devices of it go; None if it let none go."""
        return max((one.exposure for one in self.admitted), default=None)


def exposure_of(
    plan: Plan, entries: Sequence[Entry], rows: Mapping[str, Row], story: Story
) -> list[Met]:
    """Exposure wave by wave, in the order of the plan."""
    admitted: dict[int, list[Admitted]] = defaultdict(list)
    for entry in entries:
        if entry.name is None and entry.kind == ADMITTED and entry.wave is not None:
            if found := _ADMITTED.match(entry.detail):
                admitted[entry.wave].append(Admitted(int(found[1]), float(found[2])))
            elif found := _TOGETHER.match(entry.detail):
                admitted[entry.wave].append(Admitted(int(found[1]), float(found[1])))
    late: dict[int, set[str]] = defaultdict(set)
    declined: dict[int, set[str]] = defaultdict(set)
    for life in story.lives:
        for mark in life.marks:
            if mark.direction is Direction.BACK:
                continue
            if mark.what in (State.ADRIFT, State.RETURNED):
                late[life.wave].add(life.name)
            elif mark.what is State.DECLINED:
                declined[life.wave].add(life.name)
    return [
        Met(
            wave=index,
            devices=len(wave.devices),
            accepted=wave.exposure,
            admitted=tuple(admitted[index]),
            late=len(late[index]),
            declined=len(declined[index] - late[index]),
            sent=sum(rows[name].sent_at is not None for name in wave.devices),
            on_way=sum(rows[name].state in (State.SENDING, State.AWAY) for name in wave.devices),
            adrift=sum(rows[name].state is State.ADRIFT for name in wave.devices),
        )
        for index, wave in enumerate(plan.waves)
    ]


@dataclass(frozen=True)
class Gained:
    """One twin group: what it had shown before the run and after it, and the bounds of its fault
    rate, between 0 and 1."""

    twin: Twin
    devices: int
    before: Evidence
    after: Evidence
    bound_before: float
    bound_after: float


def gained_of(plan: Plan, standings: Standings) -> list[Gained]:
    """Evidence by twin group, in the order of their names."""
    numbers: dict[Twin, int] = defaultdict(int)
    for device in plan.devices:
        numbers[device.twin] += 1
    before, after, sure = plan.shown, evidence_of(plan, standings), plan.pace.confidence
    return [
        Gained(
            twin,
            number,
            had := before.get(twin, Evidence()),
            has := after.get(twin, Evidence()),
            rate(had, sure),
            rate(has, sure),
        )
        for twin, number in sorted(numbers.items())
    ]


def in_a_hundred(bound: float) -> str:
    """`19.3 in 100`: rounded up, since it is the most that may fail."""
    tenths = ceil(bound * 1000 - 1e-6) / 10
    return f"{tenths:.0f} in 100" if tenths == int(tenths) else f"{tenths:.1f} in 100"


@dataclass(frozen=True)
class Took:
    """How many seconds devices of one twin group took from sending to arrival."""

    twin: Twin
    number: int
    least: float
    middle: float
    most: float


def returns_of(plan: Plan, entries: Sequence[Entry]) -> list[Took]:
    """Times of return on the way there, by twin group; groups without any are left out."""
    seconds: dict[Twin, list[float]] = defaultdict(list)
    twins = {device.name: device.twin for device in plan.devices}
    for entry in entries:
        if entry.kind == RETURN and entry.direction == Direction.FORWARD and entry.name in twins:
            try:
                seconds[twins[entry.name]].append(float(entry.detail))
            except ValueError:
                continue  # words of a damaged journal
    return [
        Took(twin, len(each), min(each), median(each), max(each))
        for twin, each in sorted(seconds.items())
    ]
