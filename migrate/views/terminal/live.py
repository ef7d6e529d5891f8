"""A picture that stays in place at the bottom of a terminal, with the lines worth keeping above it.

What happens is only noted; everything is written in `tick`, a few times a second at the most, and
only if the picture differs from the one on the screen. So the tool's work never waits for a
terminal, not even for one that has been halted (Ctrl-S). Each line is written over the one before
it and erased from its end on, in one piece: nothing flickers. The cursor stays visible, since a
process that is killed could not bring it back.

Control sequences: CR, CUU, EL and ED of ECMA-48.
"""

from __future__ import annotations

import select
from collections.abc import Callable, Iterator, Sequence
from datetime import datetime
from types import TracebackType
from typing import Self

from rich.console import Console, ConsoleOptions, ConsoleRenderable, RenderHook
from rich.segment import ControlType, Segment
from rich.text import Text

from migrate.engine.tidings import Tidings
from migrate.views.ending import Ending
from migrate.views.lines import say
from migrate.views.scene import Scene
from migrate.views.terminal.frame import Frame
from migrate.views.terminal.keep import Keep

WIDE = 60
"""Columns from which on words that go on below stand under the words, not under the time."""
ERASE_LINE, ERASE_BELOW = "\x1b[K", "\x1b[J"


class LiveProgress(RenderHook):
    """The picture of a run. What others print on the same console meanwhile goes above it."""

    def __init__(self, scene: Scene, console: Console) -> None:
        self._scene = scene
        self._console = console
        self._frame = Frame(scene, plain=console.options.ascii_only)
        self._keep = Keep(scene)
        self._kept: list[str] = []
        self._at = scene.began
        self._shown: list[Text] = []
        self._size = console.size
        self._entered = self._passing = False

    def __enter__(self) -> Self:
        self._shown, self._size = [], self._console.size
        self._console.push_render_hook(self)
        self._entered = True
        self._draw(self._lines())
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._draw(self._lines(last=True))
        self._entered = False
        self._console.pop_render_hook()
        self._quietly(self._console.line)

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
        if not self._entered or self._console.quiet or not self._writable():
            return
        lines = self._lines()
        if self._kept or lines != self._shown or self._console.size != self._size:
            self._draw(lines)

    def process_renderables(self, renderables: list[ConsoleRenderable]) -> list[ConsoleRenderable]:
        """What others print stands where the picture was, and the picture below it."""
        if self._passing or not self._entered:
            return renderables
        lines = self._lines()
        back = _Back(self._rows_up(), erase=True)
        self._shown, self._size = lines, self._console.size
        return [back, *renderables, _Picture(lines)]

    def _lines(self, *, last: bool = False) -> list[Text]:
        size = self._console.size
        return self._frame.lines(self._at, size.width, size.height, last=last)

    def _draw(self, lines: Sequence[Text]) -> None:
        self._quietly(lambda: self._write(list(lines)))

    def _write(self, lines: list[Text]) -> None:
        kept, self._kept = self._kept, []
        resized = self._console.size != self._size
        self._passing = True
        try:
            with self._console:  # all of it in one piece
                self._console.print(_Back(self._rows_up(), erase=bool(kept) or resized), end="")
                for words in kept:
                    say(self._console, words, hang=10 if self._console.width >= WIDE else 2)
                self._console.print(_Picture(lines), end="", crop=False)
        finally:
            self._passing = False
        self._shown, self._size = lines, self._console.size

    def _rows_up(self) -> int:
        """Rows from the cursor up to the first row of the picture. Most terminals wrap what they
        show when they become narrower (common practice, no source)."""
        width = max(1, self._console.size.width)
        rows = sum(max(1, -(-line.cell_len // width)) for line in self._shown)
        return max(0, rows - 1)

    def _writable(self) -> bool:
        """Whether the terminal takes what is written to it."""
        try:
            _, ready, _ = select.select([], [self._console.file.fileno()], [], 0)
        except (OSError, ValueError, AttributeError):
            return True  # it is no file of the system
        return bool(ready)

    def _quietly(self, write: Callable[[], None]) -> None:
        """A terminal that is gone does not end a run."""
        try:
            write()
        except OSError:
            self._console.quiet = True


class _Back:
    """Goes back to where the picture begins."""

    def __init__(self, rows: int, *, erase: bool) -> None:
        self._codes = "\r" + (f"\x1b[{rows}A" if rows else "") + (ERASE_BELOW if erase else "")

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> Iterator[Segment]:
        yield _control(self._codes)


class _Picture:
    """The lines of the picture, each over what stood there; the cursor stays at its end."""

    def __init__(self, lines: Sequence[Text]) -> None:
        self._lines = lines

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> Iterator[Segment]:
        for number, line in enumerate(self._lines):
            if number:
                yield Segment.line()
            yield from line.render(console)
            yield _control(ERASE_LINE)
        yield _control(ERASE_BELOW)


def _control(codes: str) -> Segment:
    return Segment(codes, None, [(ControlType.ERASE_IN_LINE, 0)])
