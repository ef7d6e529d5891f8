"""The rows of waves: those done, the one under way, those to come."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from rich.text import Text

from migrate.model.lifecycle import GOAL, Direction, State
from migrate.views.scene import Scene, WaveNow
from migrate.views.terminal.cells import counted, cut, in_words, line, strip

WITH_STRIPS = 60
"""Columns from which on there is room for strips."""
LONGEST, SHARED = 24, 16
"""Cells of the longest strip in which each device has its own, and of strips in which they have
not."""

Span = tuple[int, int]
"""Waves that share a row: first and last, from 0."""


def wave_rows(scene: Scene, room: int, rows: int, *, plain: bool) -> list[Text]:
    """So many rows at the most, each so many cells long at the most."""
    spans = _spans(scene, rows)
    labels = [_label(*span) for span in spans]
    states = [_states(scene, *span) for span in spans]
    longest = max(len(label) for label in labels)
    most = max(here.total() for here in states)
    each = most <= min(LONGEST, room // 4)  # whether each device has a cell of its own
    cells = 0 if room < WITH_STRIPS else most if each else SHARED
    now, back = wave_now(scene), scene.direction is Direction.BACK
    drawn = []
    for (first, last), label, here in zip(spans, labels, states, strict=True):
        under_way = first <= now <= last
        mark = ("<" if back else ">") if under_way else " "
        row = line(f"{mark} {label:<{longest}}  ", "bold" if under_way else "")
        if cells:
            length = here.total() if each else cells
            numbers = counted(here, GOAL[scene.direction])
            row.append_text(strip(numbers, length, plain=plain, back=back))
            row.append(" " * (cells - length + 2))
        words = in_words(here) + _gate(scene.waves[first : last + 1])
        row.append(cut(words, room - row.cell_len))
        drawn.append(row)
    return drawn


def wave_now(scene: Scene) -> int:
    """The wave under way, or the first that is not done."""
    if scene.wave is not None:
        return scene.wave
    return next((wave.index for wave in scene.waves if not wave.done), len(scene.waves) - 1)


def _label(first: int, last: int) -> str:
    return f"wave {first + 1}" if first == last else f"waves {first + 1} to {last + 1}"


def _gate(waves: Sequence[WaveNow]) -> str:
    return "; gate shut" if any(wave.gate not in ("", "open") for wave in waves) else ""


def _states(scene: Scene, first: int, last: int) -> Counter[State]:
    states: Counter[State] = Counter()
    for wave in scene.waves[first : last + 1]:
        states.update(wave.states)
    return +states


def _spans(scene: Scene, rows: int) -> list[Span]:
    """On a screen that is too low for all waves, those far from the one under way share a row."""
    waves, now = len(scene.waves), wave_now(scene)
    if waves <= rows:
        return [(index, index) for index in range(waves)]
    if rows < 3:
        return [(now, now)]
    alone = rows - 2
    first = min(max(0, now - alone // 2), waves - alone)
    spans = [(0, first - 1)] if first else []
    spans += [(index, index) for index in range(first, first + alone)]
    return spans + ([(first + alone, waves - 1)] if first + alone < waves else [])
