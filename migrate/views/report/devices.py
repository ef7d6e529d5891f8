"""The picture of each device over time: a line each, wave by wave, in pieces that fit a page."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Final

import svg

from migrate.journal.rows import Row
from migrate.model.lifecycle import Direction, State
from migrate.planning.plan import Plan
from migrate.views.report.axis import Axis
from migrate.views.report.faults import ended_as
from migrate.views.report.forms import (
    HEAD,
    MARKS,
    START,
    WHOLE,
    Figure,
    Key,
    breaks,
    grid,
    mark,
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
from migrate.views.report.story import Band, Life, Span, Story
from migrate.views.words import count

FINEST: Final = 0.05
"""Percent of the width below which a span of many is not drawn on its own."""

FORWARD: Final = {
    State.WAITING: "stay-old",
    State.SENDING: "sent",
    State.AWAY: "away",
    State.SEEN: "seen",
    State.SETTLED: "settled",
    State.DECLINED: "stay-old",
    State.RETURNED: "stay-old",
    State.ADRIFT: "adrift",
}
BACK: Final = {
    State.WAITING: "stay-new",
    State.SENDING: "sent",
    State.AWAY: "away",
    State.SEEN: "seen-old",
    State.RESTORED: "restored",
    State.DECLINED: "stay-new",
    State.RETURNED: "stay-new",
    State.ADRIFT: "adrift",
}
LOOKS: Final = {
    "stay-old": "on the old side",
    "sent": "sent",
    "away": "away",
    "seen": "seen on the new side, soaking",
    "settled": "settled on the new side",
    "adrift": "adrift: on neither side",
    "stay-new": "on the new side, to be taken back",
    "seen-old": "seen on the old side, soaking",
    "restored": "restored on the old side",
}
THICK: Final = {
    "settled": 1.0,
    "restored": 1.0,
    "adrift": 1.0,
    "sent": 1.0,
    "away": 0.8,
    "seen": 0.8,
    "seen-old": 0.8,
}
"""How much of its line a bar takes; a device that is not touched, BARE."""
THICK_OF_MANY: Final = {**dict.fromkeys(THICK, 1.0), "adrift": 0.5}
"""The same where lines are too thin for hatchings."""
BARE: Final = 0.25


def time_chart(
    plan: Plan, story: Story, rows: Mapping[str, Row], axis: Axis
) -> tuple[list[Figure], list[Key]]:
    """The lines of all devices, wave by wave, in pictures that fit a page each; and the key."""
    number = len(story.lives)
    pitch = pitch_of(number)
    chart = _Chart(plan, story, rows, axis, pitch, named=number <= NAMED)
    groups = list(pages(((i, wave.devices) for i, wave in enumerate(plan.waves)), pitch))
    figures = [chart.draw(group, index, len(groups)) for index, group in enumerate(groups, start=1)]
    return figures, chart.key()


class _Chart:
    def __init__(
        self,
        plan: Plan,
        story: Story,
        rows: Mapping[str, Row],
        axis: Axis,
        pitch: float,
        *,
        named: bool,
    ) -> None:
        self._plan = plan
        self._rows = rows
        self._axis = axis
        self._pitch = pitch
        self._named = named
        self._lives = {life.name: life for life in story.lives}
        self._bands: dict[int, list[Band]] = {}
        for band in story.bands:
            self._bands.setdefault(band.wave, []).append(band)
        self._looks: set[str] = set()
        self._marks: set[str] = set()

    def draw(self, group: Sequence[Part], number: int, of: int) -> Figure:
        below: list[svg.Element] = []
        above: list[svg.Element] = []  # words and marks, which no break hides
        y = float(HEAD)
        for wave, names, first in group:
            height = WAVE + len(names) * self._pitch
            below += self._wave(wave, y, height)
            above.append(self._name_of(wave, y, first=first))
            for line, name in enumerate(names):
                life, top = self._lives[name], y + WAVE + line * self._pitch
                middle = top + (NAME - 4 - BAR / 2 if self._named else self._pitch / 2)
                below.append(svg.G(elements=list(self._line(life, middle))))
                above += self._words_and_marks(life, middle)
            y += height
        height = y + FOOT
        title = f"Each device over time, {waves_in_words(group)}"
        drawn = picture(
            f"chart-{number}",
            ["named" if self._named else "dense"],
            height,
            title,
            self._words(group),
            *grid(self._axis, HEAD - 6, height - FOOT),
            *below,
            *breaks(self._axis, HEAD - 6, height - FOOT, filled=True),
            *above,
        )
        counted = f" ({number} of {of})" if of > 1 else ""
        return Figure(drawn, f"{title}{counted}")

    def key(self) -> list[Key]:
        """Whatever stands in the pictures, and nothing else."""
        tiny = not self._named
        bars = [
            Key(swatch(_bar(look, START, WHOLE, 9, 12, tiny=tiny), dense=tiny), words)
            for look, words in LOOKS.items()
            if look in self._looks
        ]
        marks = [
            Key(swatch(mark(what, percent(50), 9)), words)
            for what, words in MARKS.items()
            if what in self._marks
        ]
        return bars + marks

    def _words(self, group: Sequence[Part]) -> str:
        """The same in words, in short; the table of devices has it in full."""
        states: dict[str, int] = {}
        for _, names, _ in group:
            for name in names:
                ended = ended_as(self._rows[name])
                states[ended] = states.get(ended, 0) + 1
        ends = ", ".join(f"{number} {ended}" for ended, number in states.items())
        return f"At the end: {ends}. Times and last words are in the table of devices."

    def _wave(self, wave: int, y: float, height: float) -> Iterator[svg.Element]:
        """Where a wave begins, and when it was at work."""
        yield svg.Line(class_=["rule"], x1=START, x2=WHOLE, y1=rounded(y), y2=rounded(y))
        for band in self._bands.get(wave, ()):
            left, right = self._axis.x(band.since), self._axis.x(band.until)
            yield svg.Rect(
                class_=["band"],
                x=percent(left),
                y=rounded(y + 1),
                width=percent(right - left),
                height=rounded(height - 2),
            )

    def _name_of(self, wave: int, y: float, *, first: bool) -> svg.Element:
        words = f"wave {wave + 1}" + ("" if first else ", continued")
        if not self._named and first:
            words += f": {count(len(self._plan.waves[wave].devices), 'device')}"
        return svg.Text(class_=["wave"], x=0, y=rounded(y + 14), text=told(words))

    def _line(self, life: Life, middle: float) -> Iterator[svg.Element]:
        yield svg.Title(text=told(self._title(life)))
        room = float(BAR) if self._named else self._pitch
        for look, since, until in self._bars(life.spans):
            left = self._axis.x(since)
            width = self._axis.x(until) - left
            # Of many lines, each begins when its device is sent something.
            if self._named or (width >= FINEST and (since > 0 or look != "stay-old")):
                self._looks.add(look)
                size = percent(width)
                yield _bar(look, percent(left), size, middle, room, tiny=not self._named)

    def _words_and_marks(self, life: Life, middle: float) -> Iterator[svg.Element]:
        for one in life.marks:
            self._marks.add(one.what)
            yield mark(one.what, percent(self._axis.x(one.at)), middle)
        if self._named:
            y, words = rounded(middle + 4), _met(life, self._rows[life.name])
            yield svg.Text(class_=["name"], x=0, y=y, text=told(life.name))
            yield svg.Text(class_=["state"], x=WHOLE, y=y, text=told(words))

    def _title(self, life: Life) -> str:
        row = self._rows[life.name]
        words = f": {row.note}" if row.note else ""
        return f"{life.name}: {_met(life, row)}" + (words if self._named else "")

    def _bars(self, spans: Iterable[Span]) -> Iterator[tuple[str, float, float]]:
        """Spans that look alike are one bar."""
        look, since, until = "", 0.0, 0.0
        for span in spans:
            own = (FORWARD if span.direction is Direction.FORWARD else BACK)[span.state]
            if own != look:
                if look:
                    yield look, since, until
                look, since = own, span.since
            until = span.until
        if look:
            yield look, since, until


def _met(life: Life, row: Row) -> str:
    """`came back, then settled`."""
    ended = ended_as(row)
    earlier = [one.what for one in life.marks if one.what != row.state]
    met = [str(what) for what in dict.fromkeys(earlier) if str(what) not in ended]
    return f"{', '.join(met)}, then {ended}" if met else ended


def _bar(
    look: str, x: svg.Length, width: svg.Length, middle: float, room: float, *, tiny: bool
) -> svg.Element:
    parts = THICK_OF_MANY if tiny else THICK
    height = max(1.0 if tiny else 2.0, room * parts.get(look, BARE))
    return svg.Rect(
        class_=[look], x=x, y=rounded(middle - height / 2), width=width, height=rounded(height)
    )
