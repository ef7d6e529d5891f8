"""Words fitted into columns of a terminal, counted in its cells: some characters take two."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from rich.cells import cell_len, set_cell_size
from rich.text import Text

from migrate.model.lifecycle import FAULTS, GOAL, UNRESOLVED, State
from migrate.views.lines import harmless

OLD, NEW = "#b5761c", "#3d8bcd"
"""Ochre for the old side and blue for the new one, as on the page; both can be told from white and
from black (a contrast of 3 to 1 and more, WCAG 2.2, 1.4.11). Only strips have them."""
MARKS = ("\N{FULL BLOCK}", "\N{MEDIUM SHADE}", "!", "\N{LIGHT SHADE}")
PLAIN = ("#", "+", "!", ".")
"""What a strip is made of: there, on the way, with a fault, not sent anything yet."""


def line(words: str, style: str = "") -> Text:
    """A line of the picture. Its style is one of its words, not of the text: the latter is heeded
    only where rich wraps."""
    drawn = Text(words)
    if style:
        drawn.stylize(style)
    return drawn


def cut(words: str, room: int) -> str:
    """Words on one line, cut where they are longer than the room, with two dots for the rest."""
    words = harmless(words)
    if cell_len(words) <= room:
        return words
    return (set_cell_size(words, max(0, room - 2)).rstrip() + "..")[: max(0, room)]


def column(words: str, room: int) -> str:
    """The same, filled up with blanks."""
    return set_cell_size(cut(words, room), room)


def widest(words: Iterable[str], most: int) -> int:
    """Cells that a column of these needs, so many at the most."""
    return min(most, max((cell_len(harmless(one)) for one in words), default=0))


def wrapped(words: str, room: int, rows: int) -> list[str]:
    """Words on so many lines at the most, broken at blanks where that can be done."""
    lines: list[str] = []
    line = ""
    for word in harmless(words).split():
        longer = f"{line} {word}" if line else word
        if cell_len(longer) <= room or not line:
            line = longer
        elif len(lines) == rows - 1:
            line = longer  # cut below
        else:
            lines.append(line)
            line = word
    return [cut(one, room) for one in (*lines, line) if one]


def strip(numbers: Sequence[int], length: int, *, plain: bool, back: bool) -> Text:
    """A strip of that many cells. `numbers`: how many of them are there, on the way, with a fault,
    and not sent anything. `back`: they go to the old side."""
    shares = _shares(numbers, length)
    colours = (OLD, "", "", NEW) if back else (NEW, "", "", OLD)
    drawn = Text()
    for mark, share, colour in zip(PLAIN if plain else MARKS, shares, colours, strict=True):
        drawn.append(mark * share, colour or None)
    return drawn


def _shares(numbers: Sequence[int], length: int) -> list[int]:
    """Cells for each number: none for none, one for few, and the largest gives way."""
    total = max(1, sum(numbers))
    shares = [max(1, round(n * length / total)) if n else 0 for n in numbers]
    while sum(shares) > max(length, 1) and max(shares) > 1:
        shares[shares.index(max(shares))] -= 1
    while 0 < sum(shares) < length:
        shares[shares.index(max(shares))] += 1
    return shares


def counted(states: Mapping[State, int], goal: State) -> tuple[int, int, int, int]:
    """How many are there, on the way, with a fault, and not sent anything; see `strip`. On the way
    back, one that has settled is still to be sent."""
    there = states.get(goal, 0)
    way = sum(n for state, n in states.items() if state in UNRESOLVED)
    ill = sum(n for state, n in states.items() if state in FAULTS)
    others = GOAL.values()
    rest = states.get(State.WAITING, 0) + sum(states.get(s, 0) for s in others if s is not goal)
    return there, way, ill, rest


def in_words(states: Mapping[State, int]) -> str:
    """`1 away, 3 settled`, in the order of the life cycle."""
    return ", ".join(f"{states[s]} {s}" for s in State if states.get(s, 0) > 0)
