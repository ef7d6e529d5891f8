"""The picture of both sides: how many devices are on each of them over time."""

from __future__ import annotations

from itertools import pairwise
from typing import Final

import svg

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
)
from migrate.views.report.story import Story

TITLE: Final = "Devices on each side over time"
TALL: Final = 160.0
"""Pixels that the whole fleet is high."""


def sides_chart(story: Story, axis: Axis) -> Figure:
    """How many devices are on each side over time: steps, one upon another."""
    fleet = max(1, len(story.lives))

    def y(number: int) -> float:
        return rounded(HEAD + TALL - number / fleet * TALL)

    elements: list[svg.Element] = []
    steps = _steps(story, axis)
    for (left, new, between), (right, *_) in pairwise([*steps, (100.0, 0, 0)]):
        for side, low, high in (
            ("new", 0, new),
            ("between", new, new + between),
            ("old", new + between, fleet),
        ):
            if high > low and right > left:
                elements.append(
                    svg.Rect(
                        class_=["area", side],
                        x=percent(left),
                        y=y(high),
                        width=percent(right - left),
                        height=rounded(y(low) - y(high)),
                    )
                )
    for number in (fleet, 0):
        elements.append(svg.Line(class_=["rule"], x1=START, x2=WHOLE, y1=y(number), y2=y(number)))
        elements.append(svg.Text(class_=["level"], x=0, y=y(number) + 4, text=str(number)))
    elements += grid(axis, HEAD - 6, HEAD + TALL)
    elements += breaks(axis, HEAD - 6, HEAD + TALL, filled=False)
    words = "The table below has the same in numbers."
    return Figure(picture("sides", ["sides"], HEAD + TALL + 12, TITLE, words, *elements), TITLE)


def sides_key() -> list[Key]:
    """What the areas stand for."""
    return [
        Key(swatch(svg.Rect(class_=["area", side], x=START, y=2, width=WHOLE, height=14)), words)
        for side, words in (
            ("old", "on the old side"),
            ("between", "between: on its way, or on neither side"),
            ("new", "on the new side"),
        )
    ]


def _steps(story: Story, axis: Axis) -> list[tuple[float, int, int]]:
    """Places in percent, and how many are new and between; of those in one place the last counts,
    and a change that is none to see is none."""
    found: dict[float, tuple[int, int]] = {}
    for one in story.counts:
        found[round(axis.x(one.at) * 5) / 5] = (one.new, one.between)
    steps = [(x, *numbers) for x, numbers in sorted(found.items())]
    changed = [after for before, after in pairwise(steps) if before[1:] != after[1:]]
    return [*steps[:1], *changed]
