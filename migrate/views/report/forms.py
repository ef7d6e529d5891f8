"""Forms that all pictures of a report share, as SVG that adapts to the width it is given.

Places along the time are in percent and all else in pixels, so nothing is stretched, and words stay
as large as they are on a telephone and on paper. What is drawn differs by form as well as by
colour. svg.py writes words as they are, so they pass `told` first.
"""

from __future__ import annotations

import html
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final

import svg
from markupsafe import Markup

from migrate.model.lifecycle import State
from migrate.views.lines import harmless
from migrate.views.report.axis import Axis

HEAD: Final = 52
"""Pixels above what is drawn over time, for the axis."""
MARKS: Final[dict[str, str]] = {
    State.DECLINED: "it said no",
    State.RETURNED: "it came back by itself",
    State.ADRIFT: "its time was up",
    "written off": "you wrote it off",
}
SHAPES: Final[dict[str, list[svg.PathData]]] = {
    State.DECLINED: [svg.M(-5, -5), svg.H(5), svg.V(5), svg.H(-5), svg.Z()],
    State.RETURNED: [svg.M(5, -6), svg.V(6), svg.L(-6, 0), svg.Z()],
    State.ADRIFT: [svg.M(0, -7), svg.L(7, 0), svg.L(0, 7), svg.L(-7, 0), svg.Z()],
    "written off": [svg.M(-5, -5), svg.L(5, 5), svg.M(5, -5), svg.L(-5, 5)],
}
"""A square, a triangle that points back, a diamond, a cross; around the moment itself."""


@dataclass(frozen=True)
class Key:
    """A form and what it stands for."""

    picture: Markup
    words: str


@dataclass(frozen=True)
class Figure:
    """A picture with what stands below it."""

    picture: Markup
    caption: str


def told(words: str) -> str:
    """Words that cannot become markup in a picture, nor anything that does not print."""
    return html.escape(harmless(words), quote=True)


def _markup(drawn: svg.SVG) -> Markup:
    return Markup(drawn.as_str())  # noqa: S704 - words in it have passed `told`


START, WHOLE = svg.Length(0, "%"), svg.Length(100, "%")


def definitions() -> Markup:
    """Hatchings and marks that all pictures share."""
    # No style of a pattern's own: what it is filled with comes from the style sheet.
    hatch = svg.Pattern(
        id="hatch",
        width=5,
        height=5,
        patternUnits="userSpaceOnUse",
        patternTransform=[svg.Rotate(45)],
        elements=[
            svg.Rect(class_=["hatch-ground"], width=5, height=5),
            svg.Rect(class_=["hatch-line"], width=2.2, height=5),
        ],
    )
    dots = svg.Pattern(
        id="dots",
        width=4,
        height=4,
        patternUnits="userSpaceOnUse",
        elements=[
            svg.Rect(class_=["dots-ground"], width=4, height=4),
            svg.Rect(class_=["dots-dot"], x=1, y=1, width=1.6, height=1.6),
        ],
    )
    shapes: list[svg.Element] = [
        svg.Path(id=_mark_id(what), d=path) for what, path in SHAPES.items()
    ]
    drawn = svg.SVG(
        class_=["shared"],
        width=0,
        height=0,
        elements=[svg.Defs(elements=[hatch, dots, *shapes])],
        extra={"aria-hidden": "true", "focusable": "false"},
    )
    return _markup(drawn)


def picture(
    name: str, looks: Sequence[str], height: float, title: str, words: str, *forms: svg.Element
) -> Markup:
    """A picture as wide as its place, that is told by its title and described by words. `name` is
    its own in the page, `looks` are its classes."""
    drawn = svg.SVG(
        class_=["chart", *looks],
        width=WHOLE,
        height=rounded(height),
        elements=[
            svg.Title(id=f"{name}-title", text=told(title)),
            svg.Desc(id=f"{name}-words", text=told(words)),
            *forms,
        ],
        extra={
            "role": "img",
            "aria-labelledby": f"{name}-title",
            "aria-describedby": f"{name}-words",
        },
    )
    return _markup(drawn)


def grid(axis: Axis, top: float, bottom: float) -> Iterator[svg.Element]:
    """The labels of the axis, and a line below each."""
    for tick in axis.ticks():
        x = percent(tick.x)
        yield svg.Line(class_=["grid"], x1=x, x2=x, y1=top, y2=rounded(bottom))
        side = "starts" if tick.x < 10 else "ends" if tick.x > 90 else "middle"
        yield svg.Text(class_=["tick", side], x=x, y=26, text=tick.time)
        if tick.date:
            yield svg.Text(class_=["tick", side], x=x, y=12, text=tick.date)


def breaks(axis: Axis, top: float, bottom: float, *, filled: bool) -> Iterator[svg.Element]:
    """Where the axis is broken, with its label; `filled`: with what is drawn there faded."""
    for one in axis.breaks:
        left, right = percent(one.left), percent(one.right)
        if filled:
            width, height = percent(one.right - one.left), rounded(bottom - top)
            yield svg.Rect(class_=["gap"], x=left, y=top, width=width, height=height)
        for x in (left, right):
            yield svg.Line(class_=["cut"], x1=x, x2=x, y1=top, y2=rounded(bottom))
        if one.shown:
            middle = percent((one.left + one.right) / 2)
            yield svg.Text(class_=["break", "middle"], x=middle, y=rounded(top - 5), text=one.label)


def mark(what: str, x: svg.Length, y: float) -> svg.Element:
    """The mark of that name, around a place."""
    name = _mark_id(what)
    return svg.Use(class_=["mark", name], x=x, y=rounded(y), href=f"#{name}")


def _mark_id(what: str) -> str:
    return "mark-" + str(what).replace(" ", "-")


def swatch(form: svg.Element, *, dense: bool = False) -> Markup:
    """A form as it stands in a key."""
    drawn = svg.SVG(
        class_=["swatch", *(["dense"] if dense else [])],
        width=28,
        height=18,
        elements=[form],
        extra={"aria-hidden": "true", "focusable": "false"},
    )
    return _markup(drawn)


def percent(x: float) -> svg.Length:
    """A place along the width."""
    return svg.Length(rounded(x, 2), "%")


def rounded(y: float, digits: int = 1) -> float:
    """A number as short as it can be written."""
    found = round(y, digits)
    return int(found) if found == int(found) else found
