"""Lines over time, wave by wave, in pieces that fit a page: of devices in the report of a run, and
of sites in that of a campaign."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from typing import Final, NamedTuple

NAMED: Final = 80
"""Lines up to which each has its name in the picture; of more, a line alone."""
DENSE: Final = 400
"""Lines beyond which each is as thin as may be."""
TALL: Final = 760
"""Pixels: a picture that is taller does not fit a page."""
FOOT, WAVE = 8, 22
"""Pixels below the lines, and for the name of a wave."""
NAME, BAR = 26, 10
"""Pixels of a line with a name, and of the bar that stands at its foot."""
LEAST: Final = 6
"""Lines of a wave that must fit for it to begin on a page, unless it has fewer."""


class Part(NamedTuple):
    """Some lines of a wave, by its index, and whether they are the first of it."""

    wave: int
    names: Sequence[str]
    first: bool


def pitch_of(number: int) -> float:
    """Pixels from one of so many lines to the next."""
    return float(NAME) if number <= NAMED else 5.0 if number <= DENSE else 3.0


def pages(waves: Iterable[tuple[int, Sequence[str]]], pitch: float) -> Iterator[list[Part]]:
    """Waves, or parts of them, for one picture each."""
    page: list[Part] = []
    used = 0.0
    for index, names in waves:
        first = True
        while names:
            room = int((TALL - used - WAVE) / pitch)
            if page and room < min(len(names), LEAST):
                yield page
                page, used = [], 0.0
                continue
            here, names = names[:room], names[room:]
            page.append(Part(index, here, first))
            used += WAVE + len(here) * pitch
            first = False
    if page:
        yield page


def waves_in_words(group: Sequence[Part]) -> str:
    """`wave 2`, `waves 3 to 5`."""
    first, last = group[0].wave + 1, group[-1].wave + 1
    return f"wave {first}" if first == last else f"waves {first} to {last}"
