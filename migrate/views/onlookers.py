"""Everybody who looks on at a run: the terminal, a page, a program that reads events."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from datetime import datetime
from typing import Protocol

from migrate.engine.tidings import Tidings
from migrate.journal.rows import Row
from migrate.views.ending import Ending
from migrate.views.scene import Scene


class Onlooker(Protocol):
    """Sees a run go by. The scene it was made with has taken each piece of news already."""

    def see(self, news: Tidings, at: datetime) -> None:
        """Something happened."""
        ...

    def end(self, ending: Ending, at: datetime) -> None:
        """The tool's work has ended, for this time."""
        ...


class Audience:
    """Tells a scene and all who look at it, in the same order."""

    def __init__(
        self, scene: Scene, onlookers: Sequence[Onlooker], now: Callable[[], datetime]
    ) -> None:
        self.scene = scene
        self._onlookers = list(onlookers)
        self._now = now

    def tell(self, news: Tidings) -> None:
        """Something happened; this is what the engine calls."""
        at = self._now()
        self.scene.take(news, at)
        for onlooker in self._onlookers:
            onlooker.see(news, at)

    def end(self, ending: Ending, rows: Iterable[Row]) -> None:
        """The tool's work has ended, for this time."""
        self.scene.end(ending, rows)
        at = self._now()
        for onlooker in self._onlookers:
            onlooker.end(ending, at)
