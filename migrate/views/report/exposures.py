"""The picture of exposure, wave by wave: what was accepted, what was let go, and what was met."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import svg

from migrate.model.lifecycle import State
from migrate.views.report.figures import Met
from migrate.views.report.forms import (
    START,
    WHOLE,
    Figure,
    Key,
    mark,
    percent,
    picture,
    rounded,
    swatch,
)

TITLE: Final = "Exposure, wave by wave"
MOST: Final = 60
"""Waves that the picture has room for; of more the table alone tells."""
HEAD, PITCH, BAR = 24, 18, 10
"""Pixels above the bars, from one to the next, and of a bar."""
ROOM: Final = 97.0
"""Percent of the width; the rest is left for marks at the end."""


def exposure_chart(waves: Sequence[Met], accepted: float) -> Figure | None:
    """Bars in devices. `accepted`: devices that may be stranded in one wave, by the owner's word.
    None if there is nothing to compare, or too much for a picture."""
    if len(waves) > MOST or not any(one.admitted for one in waves):
        return None
    most = max(accepted, *(max(one.accepted, one.highest or 0.0, one.late) for one in waves))
    height = HEAD + PITCH * len(waves) + 6.0

    def x(devices: float) -> svg.Length:
        return percent(devices / most * ROOM)

    forms: list[svg.Element] = []
    for number in (0.0, accepted):
        look = "limit" if number else "rule"
        forms.append(svg.Line(class_=[look], x1=x(number), x2=x(number), y1=18, y2=height - 4))
        side = "ends" if number == most else "middle"
        words = f"{number:g} accepted" if number else "0"
        forms.append(svg.Text(class_=["tick", side], x=x(number), y=13, text=words))
    for line, one in enumerate(waves):
        middle = HEAD + PITCH * (line + 0.5)
        forms.append(svg.Text(class_=["level"], x=START, y=middle + 4, text=str(one.wave + 1)))
        forms.append(_bar("planned", x(one.accepted), middle, BAR))
        if one.highest is not None:
            forms.append(_bar("let-go", x(one.highest), middle, BAR / 2))
        if one.late:
            forms.append(mark(State.ADRIFT, x(one.late), middle))
    words = "The table below has the same in numbers."
    return Figure(picture("exposed", ["sides"], height, TITLE, words, *forms), TITLE)


def exposure_key() -> list[Key]:
    """What bars and marks stand for."""
    return [
        Key(swatch(_bar("planned", WHOLE, 9, BAR)), "exposure as planned"),
        Key(swatch(_bar("let-go", WHOLE, 9, BAR / 2)), "the highest at which devices were let go"),
        Key(swatch(mark(State.ADRIFT, percent(50), 9)), "so many were not there in time"),
    ]


def _bar(look: str, width: svg.Length, middle: float, height: float) -> svg.Element:
    y = rounded(middle - height / 2)
    return svg.Rect(class_=[look], x=START, y=y, width=width, height=rounded(height))
