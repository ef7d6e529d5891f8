"""The picture of a run: it stays in place, and the lines worth keeping go above it.

What happens is only noted; everything is written in `tick`, a few times a second at the most. How
it gets onto the screen: inplace.py.
"""

from __future__ import annotations

from datetime import datetime

from rich.console import Console
from rich.text import Text

from migrate.engine.tidings import Tidings
from migrate.views.ending import Ending
from migrate.views.scene import Scene
from migrate.views.terminal.frame import Frame
from migrate.views.terminal.inplace import InPlace
from migrate.views.terminal.keep import Keep

AFTER_TIME = 10
"""Characters of the time of day before a line that is kept."""


class LiveProgress(InPlace):
    """The picture of a run. What others print on the same console meanwhile goes above it."""

    def __init__(self, scene: Scene, console: Console) -> None:
        super().__init__(console, AFTER_TIME)
        self._scene = scene
        self._frame = Frame(scene, plain=console.options.ascii_only)
        self._keep = Keep(scene)
        self._at = scene.began

    def see(self, news: Tidings, at: datetime) -> None:
        """Take it into the next picture."""
        self._at = at
        if words := self._keep.line(news, at):
            self._kept.append(words)

    def end(self, ending: Ending, at: datetime) -> None:
        """Nothing: what there is to say is printed below."""

    def tick(self, at: datetime) -> None:
        """Draw what is new."""
        self._at = at
        self._refresh()

    def _lines(self, *, last: bool = False) -> list[Text]:
        size = self._console.size
        return self._frame.lines(self._at, size.width, size.height, last=last)
