"""One line for each thing that happened: for pipes, files, and terminals without a picture."""

from __future__ import annotations

import time
from datetime import datetime
from types import TracebackType
from typing import Protocol, Self

from rich.console import Console

from migrate.engine.tidings import Tidings
from migrate.model.lifecycle import Direction
from migrate.views.ending import Ending
from migrate.views.lines import harmless
from migrate.views.scene import Scene

_BEGUN = time.monotonic()


class Written(Protocol):
    """Where lines go, in their order."""

    def write(self, line: str) -> None:
        """One line, without its end. Returns at once, whoever reads it."""
        ...

    def drain(self) -> None:
        """Return when everything is written, or cannot be."""
        ...


class LineProgress:
    """Writes each piece of news as it comes, as long as the console is not silent."""

    def __init__(self, scene: Scene, console: Console, lines: Written) -> None:
        self._console = console
        self._lines = lines
        self._total = len(scene.plan.waves)
        self._last = ""

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        return None

    def see(self, news: Tidings, at: datetime) -> None:
        """Write it, with the seconds since the program started."""
        line = sentence(news, self._total)
        if (
            line and line != self._last and not self._console.quiet
        ):  # a state and a remark may say the same
            self._last = line
            since = time.monotonic() - _BEGUN
            self._lines.write(f"{since:7.1f} s  {line}")

    def end(self, ending: Ending, at: datetime) -> None:
        """Have all of it written: what there is to say is printed below."""
        self._lines.drain()

    def tick(self, at: datetime) -> None:
        """Nothing: a line stays as it is."""


def sentence(tidings: Tidings, waves: int) -> str:
    """What happened, on one line."""
    return harmless(_sentence(tidings, waves))


def _sentence(tidings: Tidings, waves: int) -> str:
    back = " (way back)" if tidings.direction is Direction.BACK else ""
    if tidings.kind == "wave" and tidings.wave is not None:
        return f"wave {tidings.wave + 1} of {waves}: {tidings.words}{back}"
    if tidings.kind == "gate" and tidings.wave is not None:
        return f"gate after wave {tidings.wave + 1}: {tidings.words}"
    if tidings.kind == "survey":
        return f"{tidings.name}: {tidings.words}"
    if tidings.name:
        return f"{tidings.name} {tidings.state}{back}: {tidings.words}"
    return tidings.words
