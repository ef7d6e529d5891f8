"""The picture of a run on a terminal: its parts, and how they share the rows.

From top to bottom: what the run is and how far it has come; its waves; the devices on their way;
those that wait for a decision; what the tool waits for. Rows keep their places as long as they can,
so that nothing jumps: devices stand in the order of the plan, not in that of their news. There is
no I/O here, and no clock.
"""

from __future__ import annotations

from datetime import datetime

from rich.text import Text

from migrate.views.scene import Scene
from migrate.views.terminal.cells import cut, line, wrapped
from migrate.views.terminal.devices import Devices
from migrate.views.terminal.waves import wave_rows
from migrate.views.terminal.words import left, now_waiting, standing

ROOMY = 20
"""Rows from which on parts are set apart by an empty row."""
WITH_LEG, WITH_TWO = 12, 8
"""Rows from which on the leg has one, and a sentence may have two."""


class Frame:
    """Draws a scene. `plain`: the character set has no blocks."""

    def __init__(self, scene: Scene, *, plain: bool = False) -> None:
        self._scene = scene
        self._plain = plain
        self._devices = Devices(scene)
        self._widest_wave = max((len(wave.planned.devices) for wave in scene.waves), default=1)

    def lines(self, at: datetime, width: int, height: int, *, last: bool = False) -> list[Text]:
        """Lines for a terminal of so many columns and rows, at this time: one row less than it has
        at the most, and each a cell shorter than it is. `last`: what stays when the work has ended,
        without that which is told below it."""
        room, rows = max(1, width - 1), max(1, height - 1)
        space = 1 if rows >= ROOMY else 0
        head = self._head(at, room, rows, last=last)
        foot = [] if last else self._foot(at, room, rows)
        free = rows - len(head) - 2 * space
        if not last:
            # Kept free though there may be nothing to wait for: the rows above do not move then.
            free -= (2 if rows >= WITH_TWO else 1) + space
        ill = [] if last else self._devices.faulty(at, room, min(free - 1, max(3, free // 2)))
        free -= len(ill) + (space if ill else 0)
        for_waves = self._room_for_waves(free - space, last=last)
        waves = wave_rows(self._scene, room, for_waves, plain=self._plain) if free > 0 else []
        free -= len(waves) + space
        followed = [] if last else self._devices.followed(at, room, free)
        parts = (head, waves, followed, ill, foot)
        lines = [one for part in parts if part for one in (*[Text()] * space, *part)]
        return [*lines, *[Text()] * space] if last else lines  # set apart from what is told below

    def _head(self, at: datetime, room: int, rows: int, *, last: bool) -> list[Text]:
        scene = self._scene
        lines = [line(cut(scene.plan.title, room), "bold")] if rows >= 3 else []
        if scene.leg and rows >= WITH_LEG:
            lines.append(Text(cut(scene.leg[0].upper() + scene.leg[1:], room)))
        how, time = standing(scene), "" if last else left(scene, at)
        whole = f"{how}; {time}" if time else how
        return [*lines, *(Text(one) for one in wrapped(whole, room, 2 if rows >= WITH_TWO else 1))]

    def _foot(self, at: datetime, room: int, rows: int) -> list[Text]:
        if rows < 2:
            return []
        words = now_waiting(self._scene, at)
        return [Text(one) for one in wrapped(words, room, 2 if rows >= WITH_TWO else 1)]

    def _room_for_waves(self, free: int, *, last: bool) -> int:
        """The same for the whole run, unless faults take of it: what the devices of the widest wave
        leave free, and half at the least."""
        if last:
            return max(1, free)
        return max(1, free - 1 - self._widest_wave, (free + 1) // 2)
