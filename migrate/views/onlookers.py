"""Everybody who looks on at a run: the terminal, a page, a program that reads events."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from datetime import datetime
from functools import partial
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
    """Tells a scene and all who look at it, in the same order.

    Nobody who looks on can hold up what they look at: one who fails is told nothing more. `failed`
    has what they failed by."""

    def __init__(
        self, scene: Scene, onlookers: Sequence[Onlooker], now: Callable[[], datetime]
    ) -> None:
        self.scene = scene
        self.failed: list[Exception] = []
        self._onlookers = list(onlookers)
        self._now = now

    def tell(self, news: Tidings) -> None:
        """Something happened; this is what the engine calls."""
        at = self._now()
        self._each(lambda: self.scene.take(news, at))
        for onlooker in self._onlookers[:]:
            self._each(partial(onlooker.see, news, at), onlooker)

    def end(self, ending: Ending, rows: Iterable[Row]) -> None:
        """The tool's work has ended, for this time."""
        self._each(lambda: self.scene.end(ending, rows))
        at = self._now()
        for onlooker in self._onlookers[:]:
            self._each(partial(onlooker.end, ending, at), onlooker)

    def _each(self, told: Callable[[], None], onlooker: Onlooker | None = None) -> None:
        try:
            told()
        except Exception as error:  # noqa: BLE001 - kept, and shown when the work has ended
            self.failed.append(error)
            if onlooker is not None:
                self._onlookers.remove(onlooker)
