"""The time axis of a report: long pauses are broken out of it, so that they squeeze nothing.

There is no markup here; places are in percent of the width, whatever that is.
"""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import pairwise
from typing import Final

from migrate.views.report.story import Pause, Story

BREAK: Final = 5.0
"""Percent of the width that a break takes."""
BREAKS: Final = 30.0
"""Percent of the width that all breaks together take at most."""
BROKEN: Final = 0.08
"""A pause that is longer than this part of the time at work is broken out of the axis."""
APART: Final = 21.0
"""Percent between two labels, at least; five of them fit a telephone."""
LABELLED: Final = 2.5
"""Percent that a break must be wide for a label in the picture."""
STEPS: Final = (
    *(1, 2, 5, 10, 15, 30),
    *(60, 120, 300, 600, 900, 1800),
    *(3600, 7200, 10800, 21600, 43200, 86400),
)
"""Seconds from one label to the next."""


@dataclass(frozen=True)
class Tick:
    """A label on the axis; the date is told where it is new."""

    x: float
    time: str
    date: str


@dataclass(frozen=True)
class Break:
    """A pause that is broken out. `label` names it in the picture and in words beside it."""

    left: float
    right: float
    label: str
    pause: Pause

    @property
    def shown(self) -> bool:
        """Whether its label fits."""
        return self.right - self.left >= LABELLED


class Axis:
    """Turns moments of a story into places."""

    def __init__(self, story: Story) -> None:
        self._story = story
        self._length = story.length
        broken = [pause for pause in story.pauses if _is_broken(pause, story.worked)]
        left = round(self._length - sum(pause.seconds for pause in broken), 3)
        most = BREAKS if left > 0 else 100.0  # with nothing beside them they share it all
        width = min(BREAK if left > 0 else most, most / len(broken)) if broken else 0.0
        scale = (100.0 - width * len(broken)) / left if left > 0 else 0.0
        self._since: list[float] = [0.0]
        self._pieces: list[tuple[float, float, float]] = []  # since, left edge, percent a second
        self.breaks: list[Break] = []
        at, x = 0.0, 0.0
        for number, pause in enumerate(broken):
            self._piece(at, x, scale)
            x += (pause.since - at) * scale
            self._piece(pause.since, x, width / pause.seconds if pause.seconds else 0.0)
            self.breaks.append(Break(x, x + width, _letter(number), pause))
            at, x = pause.until, x + width
        self._piece(at, x, scale)
        self._since = [since for since, _, _ in self._pieces]

    def x(self, at: float) -> float:
        """Percent of the width, from 0 to 100."""
        index = max(0, bisect_right(self._since, at) - 1)
        since, left, scale = self._pieces[index]
        return min(100.0, left + (at - since) * scale)

    def ticks(self) -> list[Tick]:
        """Labels, each in its own room; none for a run without a line."""
        if not self._story.clock:
            return []
        stretches = self._stretches()
        # Where a stretch begins matters most; then whole minutes and hours.
        wanted = [(at, self._story.wall(at)) for at, _ in stretches]
        fine = self._length <= 0
        scale = self._pieces[-1][2] or self._pieces[0][2]
        if scale > 0:
            step = next((s for s in STEPS if s * scale >= APART), STEPS[-1])
            fine = step < 60
            wanted += [one for since, until in stretches for one in self._whole(since, until, step)]
        kept: dict[float, datetime] = {}
        for at, wall in wanted:
            x = self.x(at)
            if all(abs(x - other) >= APART for other in kept):
                kept[x] = wall
        ordered = sorted(kept.items())
        dates = ["", *(f"{wall.day} {wall:%b}" for _, wall in ordered)]
        return [
            Tick(x, f"{wall:%H:%M:%S}" if fine else f"{wall:%H:%M}", new if new != old else "")
            for (x, wall), (old, new) in zip(ordered, pairwise(dates), strict=True)
        ]

    def _stretches(self) -> list[tuple[float, float]]:
        """From when to when nothing is broken out."""
        ends = [(one.pause.since, one.pause.until) for one in self.breaks]
        begins = [0.0, *(until for _, until in ends)]
        return list(zip(begins, [*(since for since, _ in ends), self._length], strict=True))

    def _whole(self, since: float, until: float, step: int) -> list[tuple[float, datetime]]:
        first = self._story.wall(since)
        midnight = first.replace(hour=0, minute=0, second=0, microsecond=0)
        gone = (first - midnight).total_seconds()
        at = since + (-gone % step)
        found: list[tuple[float, datetime]] = []
        while at <= until and len(found) < 100:
            found.append((at, first + timedelta(seconds=at - since)))
            at += step
        return found

    def _piece(self, since: float, left: float, scale: float) -> None:
        self._pieces.append((since, left, scale))


def _is_broken(pause: Pause, worked: float) -> bool:
    return pause.reason == "clock" or pause.seconds > BROKEN * worked


def _letter(number: int) -> str:
    """a to z, then numbers."""
    return chr(ord("a") + number) if number < 26 else str(number + 1)
