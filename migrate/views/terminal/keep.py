"""Which news stays as a line above the picture: what an owner wants to read again later.

That is a wave that is done, a gate that is shut, a fault and its end, and what is said beside the
life cycle. Each step of each device is in the picture while it lasts, and in the report.
"""

from __future__ import annotations

from datetime import datetime

from migrate.engine.tidings import Tidings
from migrate.model.lifecycle import FAULTS, GOAL, State
from migrate.views.scene import Scene
from migrate.views.terminal.cells import in_words
from migrate.views.terminal.plain import sentence
from migrate.views.words import lasting

WELL_AGAIN = frozenset({State.SEEN, *GOAL.values()})
"""States that show what became of a device which had a fault."""


class Keep:
    """Chooses the lines, and words them."""

    def __init__(self, scene: Scene) -> None:
        self._scene = scene
        self._ill = {spot.name for spot in scene.faulty}

    def line(self, news: Tidings, at: datetime) -> str:
        """The line, with the time of day where the tool runs; empty if it is not to be kept."""
        words = self._words(news)
        return f"{at.astimezone():%H:%M:%S}  {words}" if words else ""

    def _words(self, news: Tidings) -> str:
        told = sentence(news, len(self._scene.waves))
        if news.kind == "gate" and news.wave is not None:
            return self._wave_done(news.wave) if news.words == "open" else told
        if news.kind == "note":
            # To be gone is what all of them are told to, where all go together.
            gone = self._scene.plan.leg.together and news.state is State.AWAY
            return "" if gone else told
        if news.kind != "device":
            return ""
        if news.state in FAULTS:
            self._ill.add(news.name)
            return told
        if news.name in self._ill and news.state in WELL_AGAIN:
            self._ill.discard(news.name)
            return told
        return ""

    def _wave_done(self, index: int) -> str:
        wave = self._scene.waves[index]
        took = f" after {lasting(wave.took)}" if wave.took is not None else ""
        which = f"wave {index + 1} of {len(self._scene.waves)}"
        return f"{which}: {in_words(wave.states)}{took}; gate open"
