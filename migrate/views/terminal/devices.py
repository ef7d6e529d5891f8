"""The rows of devices: those that the tool follows now, and those that wait for a decision."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from datetime import datetime

from rich.text import Text

from migrate.views.scene import Scene, Spot
from migrate.views.terminal.cells import column, cut, in_words, line, widest, wrapped
from migrate.views.terminal.waves import wave_now
from migrate.views.terminal.words import state_in_words
from migrate.views.words import count, lasting

WITH_PLACES = 50
"""Columns from which on there is room for places."""

ILL = "not where they should be"

Told = Callable[[Spot], tuple[str, str]]
"""What stands in a row beside name and place: the state, and words."""


class Devices:
    """Draws tables of a scene's devices."""

    def __init__(self, scene: Scene) -> None:
        self._scene = scene
        names = [name for wave in scene.waves for name in wave.planned.devices]
        self._order = {name: number for number, name in enumerate(names)}

    def followed(self, at: datetime, room: int, rows: int) -> list[Text]:
        """Those of the wave under way and all that are on their way; or, while devices are read,
        those that have not been."""
        scene = self._scene
        if scene.wave is None and scene.waiting:
            return self._unread(room, rows)
        spots = {spot.name: spot for spot in scene.under_way}
        wave = scene.waves[wave_now(scene)]
        if scene.wave is not None and not (wave.done or wave.gate):
            spots |= {name: scene.spots[name] for name in wave.planned.devices}
        shown = [spot for spot in spots.values() if not spot.faulty]
        if all(spot.done for spot in shown):
            return []
        heading = "now" if scene.wave is None else f"now in wave {scene.wave + 1}"
        return self._table(
            heading,
            sorted(shown, key=_urgency),
            room,
            rows,
            lambda spot: (state_in_words(spot, at), spot.words or self._sleep(spot)),
        )

    def faulty(self, at: datetime, room: int, rows: int) -> list[Text]:
        """Those with a fault, each with its last words below it if there is room."""
        spots = self._scene.faulty
        if not spots or rows < 2:
            return []
        if rows < 2 * len(spots) + 1:
            return self._table(
                ILL,
                spots,
                room,
                rows,
                lambda spot: (state_in_words(spot, at), spot.words),
            )
        told = self._table(
            ILL,
            spots,
            room,
            len(spots) + 1,
            lambda spot: (state_in_words(spot, at), ""),
        )
        lines = [told[0]]
        each = min(3, (rows - 1) // len(spots) - 1)
        for row, spot in zip(told[1:], spots, strict=True):
            lines.append(row)
            lines += [Text(f"      {one}") for one in wrapped(spot.words, room - 6, each)]
        return lines

    def _unread(self, room: int, rows: int) -> list[Text]:
        scene = self._scene
        ill = [scene.spots[name] for name in scene.unwell]
        lines = self._table(
            "not as they must be", ill, room, rows, lambda spot: ("", scene.unwell[spot.name])
        )
        if any(spot.since for spot in scene.spots.values()):
            return lines  # some were read by an earlier process, and nobody knows which
        unread = [
            spot
            for spot in scene.spots.values()
            if spot.name not in scene.surveyed and not spot.written_off
        ]
        if len(unread) >= rows - len(lines):
            # A long list would race by. Those that sleep are waited for longest.
            unread = [spot for spot in unread if self._sleep(spot)]
        return lines + self._table(
            "not read yet", unread, room, rows - len(lines), lambda spot: ("", self._sleep(spot))
        )

    def _sleep(self, spot: Spot) -> str:
        wakes = self._scene.plan.device(spot.name).wakes_seconds
        return f"sleeps, and wakes every {lasting(wakes)}" if wakes and not spot.done else ""

    def _table(
        self, heading: str, spots: Sequence[Spot], room: int, rows: int, told: Told
    ) -> list[Text]:
        """A heading and a row for each device, the first of them if there is no room for all, but
        in the order of the plan."""
        if not spots or rows < 2:
            return []
        fit = len(spots) if len(spots) < rows else rows - 2
        chosen = sorted(spots[:fit], key=lambda spot: self._order[spot.name])
        lines = [line(cut(f"{heading}:", room), "bold")]
        cells = [(spot.name, spot.place, *told(spot)) for spot in chosen]
        names = widest((name for name, *_ in cells), room // (3 if room >= WITH_PLACES else 2))
        places = widest((one[1] for one in cells), room // 5) if room >= WITH_PLACES else 0
        states = widest((one[2] for one in cells), 18)
        for name, place, state, words in cells:
            parts = [(name, names), (place, places), (state, states)]
            row = "  ".join(column(part, size) for part, size in parts if size)
            row = cut(f"  {row}", room)
            if len(words) and room - len(row) > 12:
                row = f"{row}  {words}"
            lines.append(Text(cut(row, room).rstrip()))
        if rest := spots[fit:]:
            more = in_words(Counter(spot.state for spot in rest))
            lines.append(Text(cut(f"  and {count(len(rest), 'other')}: {more}", room)))
        return lines


def _urgency(spot: Spot) -> tuple[bool, bool, float]:
    """On its way the longest first, then those not sent anything, then those that have arrived."""
    return spot.done, not spot.under_way, spot.since.timestamp() if spot.since else 0.0
