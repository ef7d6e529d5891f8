"""The run as it goes: a calm picture in a terminal, plain lines elsewhere."""

from __future__ import annotations

from datetime import datetime
from types import TracebackType
from typing import Protocol, Self

from rich.console import Console

from migrate.engine.tidings import Tidings
from migrate.views.ending import Ending
from migrate.views.scene import Scene
from migrate.views.terminal.live import LiveProgress
from migrate.views.terminal.plain import LineProgress, Written


class Progress(Protocol):
    """A context manager that is told what happens, and, a few times a second, what time it is."""

    def __enter__(self) -> Self: ...

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None: ...

    def see(self, news: Tidings, at: datetime) -> None:
        """Something happened."""
        ...

    def end(self, ending: Ending, at: datetime) -> None:
        """It is over; what there is to say is printed below."""
        ...

    def tick(self, at: datetime) -> None:
        """Time goes by."""
        ...


def progress(scene: Scene, console: Console, lines: Written) -> Progress:
    """The view that fits where the output goes: a picture needs a terminal that can move its
    cursor, which one of TERM=dumb cannot. `lines`: what is no picture goes there."""
    if console.is_terminal and not console.is_dumb_terminal:
        return LiveProgress(scene, console)
    return LineProgress(scene, console, lines)
