"""Draws the pictures of docs/how-waves-are-sized.md with the numbers of the planner itself.

Run it after a change of the rule: `python docs/pictures.py`. With `--check` it writes nothing and
ends with 1 if a picture is not what it would draw.
"""

from __future__ import annotations

import re
import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from decimal import Decimal
from importlib.resources import files
from pathlib import Path
from typing import Literal

import svg

from migrate.model.fleet import Device
from migrate.model.playbook import Pace
from migrate.planning.exposure import upper_bound
from migrate.planning.waves import make_waves

FOLDER = Path(__file__).parent / "pictures"
PACE = Pace()
MOVES = 60
"""Moves that the picture of the bound shows."""
TWINS = 200
WIDTH, HEIGHT = 480, 330
LEFT, RIGHT, TOP, BOTTOM = 58, 466, 44, 278
"""Where the axes end, in user units; y grows downwards (W3C SVG 2, 8.1)."""
LINES = ((0, "no fault", None), (1, "one fault", (7, 4)), (2, "two faults", (2, 3)))
"""Faults, the word at the line, and its dashes: no line is told by its colour alone."""
COLOUR = dict(
    re.findall(
        r"--([\w-]+): (#\w{6});",
        # The first block is the light one: the picture brings its own paper.
        (files("migrate.views.look") / "base.css").read_text("utf-8").partition("}")[0],
    )
)


@dataclass(frozen=True)
class Scale:
    """Where a number stands on an axis."""

    least: float
    most: float
    begin: float
    end: float

    def __call__(self, value: float) -> float:
        share = (value - self.least) / (self.most - self.least)
        return round(self.begin + share * (self.end - self.begin), 2)


def bound() -> svg.SVG:
    """How often a move may fail, at most, after so many moves."""
    across, up = Scale(0, MOVES, LEFT, RIGHT), Scale(0, 100, BOTTOM, TOP)
    sure = round(PACE.confidence * 100)
    told = {moves: upper_bound(moves, 0, PACE.confidence) for moves in (1, 10, 30, 59)}
    parts: list[svg.Element] = [
        *_level(up, range(0, 101, 20), " %"),
        *_across(across, range(0, MOVES + 1, 10)),
        _words(f"Fault rate at most, {sure} % sure", LEFT - 48, 24, bold=True),
        _words("twins that have moved", RIGHT, HEIGHT - 12, anchor="end"),
    ]
    for faults, word, dashes in LINES:
        colour = COLOUR[("new", "between", "fault")[faults]]
        dash = list[Decimal | float](dashes) if dashes else None
        points = [
            svg.Point(across(moves), up(100 * upper_bound(moves, faults, PACE.confidence)))
            for moves in range(faults, MOVES + 1)
        ]
        line = svg.Polyline(class_=[f"faults-{faults}"], points=points, fill="none")
        y = TOP + 30 + 24 * faults
        sample = svg.Line(x1=RIGHT - 140, x2=RIGHT - 90, y1=y, y2=y)
        for one in (line, sample):
            one.stroke, one.stroke_width, one.stroke_dasharray = colour, 2.5, dash
        parts += [line, sample, _words(word, RIGHT - 78, y + 5)]
    for moves in (10, 30, 59):
        rate = told[moves]
        parts.append(
            svg.Circle(
                cx=across(moves), cy=up(100 * rate), r=4, fill=COLOUR["new"], class_=["mark"]
            )
        )
    return _picture(
        parts,
        "What is known of the fault rate grows with each return",
        f"Three falling curves. Without a fault the rate is at most {_percent(told[1])} after one "
        f"move, {_percent(told[10])} after 10, {_percent(told[30])} after 30 and "
        f"{_percent(told[59])} after 59, at {sure} % confidence. With one fault or two among the "
        "moves the curve lies higher.",
    )


def waves() -> svg.SVG:
    """The waves of a fleet of twins, one bar for each."""
    twins = [
        Device(
            name=f"lamp-{number}",
            mac=f"00-00-5E-00-53-{number:02X}",
            dialect="larch",
            firmware="1",
        )
        for number in range(TWINS)
    ]
    sizes = [len(wave.names) for wave in make_waves(twins, PACE)]
    across, up = Scale(0.5, len(sizes) + 0.5, LEFT, RIGHT), Scale(0, 50, BOTTOM, TOP)
    room = across(2) - across(1)
    parts: list[svg.Element] = [
        *_level(up, range(0, 51, 10)),
        *_across(across, range(1, len(sizes) + 1, 1), every=3),
        _words("Devices in the wave", LEFT - 48, 24, bold=True),
        _words("wave", RIGHT, HEIGHT - 12, anchor="end"),
    ]
    for number, size in enumerate(sizes, 1):
        parts.append(
            svg.Rect(
                class_=["wave"],
                x=round(across(number) - 0.36 * room, 2),
                y=up(size),
                width=round(0.72 * room, 2),
                height=round(BOTTOM - up(size), 2),
                fill=COLOUR["new"],
            )
        )
        parts.append(_words(str(size), across(number), up(size) - 4, anchor="middle", size=12))
    return _picture(
        parts,
        f"The waves of {TWINS} twins",
        f"{len(sizes)} bars, each as high as its wave has devices: "
        f"{', '.join(str(size) for size in sizes)}. The first five are single devices; then they "
        "grow, each by about a third, and the last takes the rest.",
    )


def _percent(rate: float) -> str:
    return f"{100 * rate:.0f} %"


def _level(up: Scale, values: Sequence[int], unit: str = "") -> Iterator[svg.Element]:
    """The axis on the left, with a line through the picture at each number."""
    for value in values:
        y = up(value)
        yield svg.Line(x1=LEFT, x2=RIGHT, y1=y, y2=y, stroke=COLOUR["rule"], stroke_width=1)
        yield _words(f"{value}{unit}", LEFT - 8, y + 5, anchor="end", kind="level")


def _across(across: Scale, values: Sequence[int], every: int = 1) -> Iterator[svg.Element]:
    """The axis below."""
    yield svg.Line(x1=LEFT, x2=RIGHT, y1=BOTTOM, y2=BOTTOM, stroke=COLOUR["ink"], stroke_width=1.5)
    for value in values[::every]:
        yield _words(str(value), across(value), BOTTOM + 20, anchor="middle", kind="across")


def _words(
    text: str,
    x: float,
    y: float,
    *,
    anchor: Literal["start", "middle", "end"] = "start",
    size: int = 14,
    bold: bool = False,
    kind: str | None = None,
) -> svg.Text:
    return svg.Text(
        text=text,
        x=round(x, 2),
        y=round(y, 2),
        text_anchor=anchor,
        font_size=size,
        font_weight="bold" if bold else None,
        fill=COLOUR["ink"],
        class_=[kind] if kind else None,
    )


def _picture(parts: list[svg.Element], title: str, about: str) -> svg.SVG:
    """On paper of its own, so that it reads in light and in dark surroundings."""
    return svg.SVG(
        width=600,
        height=round(600 * HEIGHT / WIDTH),
        viewBox=svg.ViewBoxSpec(0, 0, WIDTH, HEIGHT),
        extra={
            "role": "img",
            "aria-labelledby": "title about",
            "font-family": "system-ui, sans-serif",
        },
        elements=[
            svg.Title(id="title", text=title),
            svg.Desc(id="about", text=about),
            svg.Rect(
                x=0.5,
                y=0.5,
                width=WIDTH - 1,
                height=HEIGHT - 1,
                rx=6,
                fill=COLOUR["paper"],
                stroke=COLOUR["rule"],
            ),
            *parts,
        ],
    )


PICTURES = {"fault-rate.svg": bound, "waves-of-twins.svg": waves}


def main(arguments: Sequence[str]) -> int:
    """Draw the pictures, or check them."""
    stale = []
    for name, draw in PICTURES.items():
        target = FOLDER / name
        text = draw().as_str().replace("><", ">\n<") + "\n"
        if "--check" not in arguments:
            target.write_text(text, encoding="utf-8")
        elif not target.is_file() or target.read_text(encoding="utf-8") != text:
            stale.append(name)
    for name in stale:
        print(
            f"docs/pictures/{name} is not up to date; run: python docs/pictures.py", file=sys.stderr
        )
    return 1 if stale else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
