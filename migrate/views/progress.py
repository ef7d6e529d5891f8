"""The run as it goes: a calm live view in a terminal, plain lines elsewhere."""

from __future__ import annotations

import time
from collections import defaultdict
from datetime import datetime
from types import TracebackType
from typing import Protocol, Self

from rich.console import Console, Group, RenderableType
from rich.live import Live
from rich.table import Table
from rich.text import Text

from migrate.engine.tidings import Tidings
from migrate.model.lifecycle import GOAL, UNRESOLVED, Direction, State
from migrate.views.ending import Ending
from migrate.views.lines import harmless, say
from migrate.views.scene import Scene
from migrate.views.words import count, tally

_BEGUN = time.monotonic()


class Progress(Protocol):
    """A context manager that is told what happens."""

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


def progress(scene: Scene, console: Console) -> Progress:
    """The view that fits where the output goes."""
    if console.is_terminal:
        return LiveProgress(scene, console)
    return LineProgress(scene, console)


class LineProgress:
    """One line for each thing that happened: for pipes, files and slow terminals."""

    def __init__(self, scene: Scene, console: Console) -> None:
        self._console = console
        self._total = len(scene.plan.waves)

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
        """Print it, with the seconds since the program started."""
        line = sentence(news, self._total)
        if line:
            since = time.monotonic() - _BEGUN
            self._console.print(Text(f"{since:7.1f} s  {line}"), soft_wrap=True)

    def end(self, ending: Ending, at: datetime) -> None:
        """Nothing: what there is to say is printed below."""


OTHER_ROWS = 6
"""Rows that a live picture needs beside its waves: title, what is waited for (which may be
wrapped), and the line one types on."""


class LiveProgress:
    """Waves and where their devices stand, redrawn in place; faults stay as lines above."""

    def __init__(self, scene: Scene, console: Console) -> None:
        self._plan = scene.plan
        self._console = console
        self._states = {name: spot.state for name, spot in scene.spots.items()}
        self._since: dict[str, float] = defaultdict(time.monotonic)
        self._wave = 0
        self._surveyed: set[str] = set()
        self._words = "starting"
        self._live = Live(console=console, get_renderable=self._draw, refresh_per_second=4)

    def __enter__(self) -> Self:
        self._live.__enter__()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._words = ""
        self._live.__exit__(kind, error, trace)

    def end(self, ending: Ending, at: datetime) -> None:
        """Nothing: what there is to say is printed below."""

    def see(self, tidings: Tidings, at: datetime) -> None:
        """Take it into the picture."""
        if tidings.kind == "survey":
            self._surveyed.add(tidings.name)
            self._words = f"reading: {len(self._surveyed)} of {len(self._states)} devices answered"
        elif tidings.kind == "wave" and tidings.wave is not None:
            self._wave = tidings.wave
            self._words = ""
        elif tidings.kind == "waiting":
            self._words = tidings.words
        elif tidings.name and tidings.state is not None:
            self._states[tidings.name] = tidings.state
            self._since[tidings.name] = time.monotonic()
        ill = tidings.kind in ("note", "gate") or tidings.state in (
            State.DECLINED,
            State.RETURNED,
            State.ADRIFT,
        )
        if ill and tidings.words != "open":
            say(self._console, sentence(tidings, len(self._plan.waves)), hang=2)

    def _draw(self) -> RenderableType:
        table = Table.grid(padding=(0, 2))
        for first, last in self._spans():
            mark = ">" if first <= self._wave <= last else " "
            names = [name for wave in self._plan.waves[first : last + 1] for name in wave.devices]
            which = f"wave {first + 1}" if first == last else f"waves {first + 1} to {last + 1}"
            table.add_row(
                Text(f"{mark} {which}"),
                Text(count(len(names), "device")),
                Text(tally(self._states[name] for name in names)),
            )
        return Group(Text(self._plan.title, "bold"), table, Text(harmless(self._waiting_for())))

    def _spans(self) -> list[tuple[int, int]]:
        """Waves that share a row, first and last from 0: on a screen that is too low for all, those
        far from the wave under way."""
        waves = len(self._plan.waves)
        room = max(3, self._console.height - OTHER_ROWS)
        if waves <= room:
            return [(index, index) for index in range(waves)]
        alone = room - 2
        first = min(max(0, self._wave - alone // 2), waves - alone)
        spans = [(0, first - 1)] if first else []
        spans += [(index, index) for index in range(first, first + alone)]
        return spans + ([(first + alone, waves - 1)] if first + alone < waves else [])

    def _waiting_for(self) -> str:
        if self._words:
            return self._words
        now = time.monotonic()
        open_ = [
            f"{name} ({state} {now - self._since[name]:.0f} s)"
            for name, state in self._states.items()
            if state in UNRESOLVED
        ]
        if not open_:
            done = sum(state in GOAL.values() for state in self._states.values())
            return f"{done} of {count(len(self._states), 'device')} done"
        more = f" and {len(open_) - 3} more" if len(open_) > 3 else ""
        return "waits for " + ", ".join(open_[:3]) + more


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
