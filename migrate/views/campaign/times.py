"""When the sites of a campaign were asked, taken and through, and the picture of it.

Pauses in which no site was at work are broken out of the axis, as in the report of a run.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Final, Literal, overload

import svg

from migrate.engine.campaign import CampaignScene
from migrate.model.problems import Exit
from migrate.planning.campaign.standing import Errand
from migrate.views.report.axis import Axis
from migrate.views.report.forms import (
    HEAD,
    START,
    WHOLE,
    Figure,
    Key,
    breaks,
    grid,
    percent,
    picture,
    rounded,
    swatch,
    told,
)
from migrate.views.report.pages import (
    BAR,
    FOOT,
    NAME,
    NAMED,
    WAVE,
    Part,
    pages,
    pitch_of,
    waves_in_words,
)
from migrate.views.report.story import SHORTEST, Pause, Story
from migrate.views.terminal.cells import cut
from migrate.views.words import count

Came = Literal["moved", "back", "held", "stopped", "under way", "asked"]
LOOKS: Final[dict[str, tuple[str, str]]] = {
    "waits": ("stay-old", "asked, and not taken by its worker yet"),
    "under way": ("away", "under way still"),
    "moved": ("settled", "moved: every device is there"),
    "back": ("restored", "back on the old side"),
    "held": ("adrift", "held, or turned away: it waited for the owner then"),
    "stopped": ("seen", "stopped between two devices"),
}
"""Class of the bar, and what it stands for. The classes are those of the report of a run."""
LONGEST: Final = 24
"""Characters of a name in the picture."""


@dataclass(frozen=True)
class Stretch:
    """One errand of a site, in seconds since the first was asked; `ended`: None while it lasts."""

    asked: float
    taken: float | None
    ended: float | None
    came: Came

    @property
    def worked(self) -> float | None:
        """Seconds from when it was taken until it was through."""
        return None if self.taken is None or self.ended is None else self.ended - self.taken


@dataclass(frozen=True)
class SiteTimes:
    """Every errand of every site that was asked; when the first was, in seconds since 1970; and a
    story with their length and pauses, for the axis."""

    stretches: dict[str, list[Stretch]]
    first: float
    story: Story

    @overload
    def moment(self, seconds: float) -> datetime: ...

    @overload
    def moment(self, seconds: None) -> None: ...

    @overload
    def moment(self, seconds: float | None) -> datetime | None: ...

    def moment(self, seconds: float | None) -> datetime | None:
        """The time of day, UTC."""
        return None if seconds is None else datetime.fromtimestamp(self.first + seconds, UTC)


def times_of(scene: CampaignScene) -> SiteTimes:
    """By the store's clock. An errand whose time of asking is not known is left out."""
    errands = {
        site.name: [e for e in scene.look.errands.get(site.name, ()) if e.asked_at is not None]
        for site in scene.plan.sites
    }
    asked = [e.asked_at for mine in errands.values() for e in mine if e.asked_at is not None]
    first = min(asked, default=scene.look.at)
    found = {
        name: sorted((_stretch(one, first) for one in mine), key=lambda one: one.asked)
        for name, mine in errands.items()
        if mine
    }
    every = [one for mine in found.values() for one in mine]
    now = max(0.0, scene.look.at - first)
    length = max((now if one.ended is None else one.ended for one in every), default=0.0)
    begun = datetime.fromtimestamp(first, UTC)
    story = Story(
        lives=(),
        counts=(),
        bands=(),
        pauses=tuple(_pauses(every, length, first)),
        clock=((0.0, begun),) if every else (),
        times=(),
        walls=(),
        length=length,
    )
    return SiteTimes(found, first, story)


def _stretch(errand: Errand, first: float) -> Stretch:
    asked = (errand.asked_at or first) - first
    # Each is written by another process; none is before the one that it follows from.
    taken = None
    if errand.phase != "asked" and errand.taken_at is not None:
        taken = max(asked, errand.taken_at - first)
    ended = None
    if errand.phase in ("done", "failed"):
        ended = max(taken or asked, (errand.ended_at or errand.taken_at or first) - first)
    return Stretch(asked, taken, ended, _came(errand))


def _came(errand: Errand) -> Came:
    if errand.phase in ("asked", "taken"):
        return "asked" if errand.phase == "asked" else "under way"
    if errand.account is None:
        return "held"
    if errand.account.exit is Exit.DONE:
        return "back" if errand.kind == "back" else "moved"
    return "stopped" if errand.account.exit is Exit.STOPPED else "held"


def _pauses(stretches: Iterable[Stretch], length: float, first: float) -> Iterator[Pause]:
    """Between errands, when there was none."""
    over = 0.0
    for one in sorted(stretches, key=lambda stretch: stretch.asked):
        if one.asked - over >= SHORTEST:
            ends = (datetime.fromtimestamp(first + at, UTC) for at in (over, one.asked))
            yield Pause(over, one.asked, "held", *ends)
        over = max(over, length if one.ended is None else one.ended)


def time_chart(scene: CampaignScene, times: SiteTimes) -> tuple[list[Figure], list[Key], Axis]:
    """The sites that were asked, wave by wave, in pictures that fit a page each; and the key."""
    axis = Axis(times.story)
    number = len(times.stretches)
    pitch = pitch_of(number)
    chart = _Chart(scene, times, axis, pitch, named=number <= NAMED)
    waves = [
        (index, [name for name in wave.sites if name in times.stretches])
        for index, wave in enumerate(scene.plan.waves)
    ]
    groups = list(pages(waves, pitch))
    figures = [chart.draw(group, index, len(groups)) for index, group in enumerate(groups, start=1)]
    return figures, chart.key(), axis


class _Chart:
    def __init__(
        self, scene: CampaignScene, times: SiteTimes, axis: Axis, pitch: float, *, named: bool
    ) -> None:
        self._scene = scene
        self._times = times
        self._axis = axis
        self._pitch = pitch
        self._named = named
        self._seen: set[str] = set()

    def draw(self, group: Sequence[Part], number: int, of: int) -> Figure:
        below: list[svg.Element] = []
        above: list[svg.Element] = []  # words, which no break hides
        y = float(HEAD)
        for wave, names, _ in group:
            below.append(
                svg.Line(class_=["rule"], x1=START, x2=WHOLE, y1=rounded(y), y2=rounded(y))
            )
            words = f"wave {wave + 1}"
            words += "" if self._named else f": {count(len(names), 'site')}"
            above.append(svg.Text(class_=["wave"], x=0, y=rounded(y + 14), text=words))
            for line, name in enumerate(names):
                top = y + WAVE + line * self._pitch
                middle = top + (NAME - 4 - BAR / 2 if self._named else self._pitch / 2)
                below.append(svg.G(elements=list(self._line(name, middle))))
                above += self._words(name, middle) if self._named else ()
            y += WAVE + len(names) * self._pitch
        height = y + FOOT
        title = f"Each site over time, {waves_in_words(group)} of the plan"
        drawn = picture(
            f"chart-{number}",
            ["named" if self._named else "dense"],
            height,
            title,
            "The table below has the same in numbers.",
            *grid(self._axis, HEAD - 6, height - FOOT),
            *below,
            *breaks(self._axis, HEAD - 6, height - FOOT, filled=True),
            *above,
        )
        return Figure(drawn, f"{title}{f' ({number} of {of})' if of > 1 else ''}")

    def key(self) -> list[Key]:
        """Whatever stands in the pictures, and nothing else."""
        tiny = not self._named
        return [
            Key(swatch(self._bar(look, START, WHOLE, 9), dense=tiny), words)
            for what, (look, words) in LOOKS.items()
            if what in self._seen
        ]

    def _line(self, name: str, middle: float) -> Iterator[svg.Element]:
        yield svg.Title(text=told(f"{name}: {self._scene.standings[name].state}"))
        for one in self._times.stretches[name]:
            end = self._times.story.length if one.ended is None else one.ended
            taken = end if one.taken is None else one.taken
            yield from self._part("waits", one.asked, taken, middle)
            if one.taken is not None:
                yield from self._part(one.came, one.taken, end, middle)

    def _part(self, what: str, since: float, until: float, middle: float) -> Iterator[svg.Element]:
        left = self._axis.x(since)
        width = self._axis.x(until) - left
        if what == "waits" and width < 0.05:
            return
        self._seen.add(what)
        # However short, what a site came to is seen.
        yield self._bar(LOOKS[what][0], percent(left), percent(max(width, 0.15)), middle)

    def _bar(self, look: str, x: svg.Length, width: svg.Length, middle: float) -> svg.Element:
        room = float(BAR) if self._named else max(2.0, self._pitch - 0.5)
        height = max(1.0, room * (0.25 if look == "stay-old" else 1.0))
        return svg.Rect(
            class_=[look], x=x, y=rounded(middle - height / 2), width=width, height=rounded(height)
        )

    def _words(self, name: str, middle: float) -> Iterator[svg.Element]:
        y = rounded(middle + 4)
        yield svg.Text(class_=["name"], x=0, y=y, text=told(cut(name, LONGEST)))
        state = str(self._scene.standings[name].state)
        yield svg.Text(class_=["state"], x=WHOLE, y=y, text=told(state))
