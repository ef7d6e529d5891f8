"""Lines that stay in place at the bottom of a terminal, with what is worth keeping above them.

They are written only if they differ from those on the screen, and only while the terminal takes
what is written to it. So the tool's work never waits for a terminal, not even for one that has been
halted (Ctrl-S). Each line is written over the one before it and erased from its end on, in one
piece: nothing flickers. The cursor stays visible, since a process that is killed could not bring it
back.

Control sequences: CR, CUU, EL and ED of ECMA-48.
"""

from __future__ import annotations

import select
from abc import abstractmethod
from collections.abc import Callable, Iterator, Sequence
from types import TracebackType
from typing import Self

from rich.console import Console, ConsoleOptions, ConsoleRenderable, RenderHook
from rich.segment import ControlType, Segment
from rich.text import Text

from migrate.views.lines import say

WIDE = 60
"""Columns from which on words that go on below stand under the words, not under the time."""
ERASE_LINE, ERASE_BELOW = "\x1b[K", "\x1b[J"


class InPlace(RenderHook):
    """A context manager. What others print on the same console meanwhile goes above the lines.
    `hang`: what later lines of words that are kept have before them."""

    def __init__(self, console: Console, hang: int = 2) -> None:
        self._console = console
        self._hang = hang
        self._kept: list[str] = []
        self._shown: list[Text] = []
        self._size = console.size
        self._entered = self._passing = False

    @abstractmethod
    def _lines(self, *, last: bool = False) -> list[Text]:
        """What is to be seen now; `last`: what stays when it is over."""

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

    def _refresh(self) -> None:
        """Draw what is new."""
        if not self._entered or self._console.quiet or not writable(self._console):
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
                    say(self._console, words, hang=self._hang if self._console.width >= WIDE else 2)
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

    def _quietly(self, write: Callable[[], None]) -> None:
        """A terminal that is gone does not end a run."""
        try:
            write()
        except OSError:
            self._console.quiet = True


def writable(console: Console) -> bool:
    """Whether the terminal, or the pipe, takes what is written to it."""
    try:
        _, ready, _ = select.select([], [console.file.fileno()], [], 0)
    except (OSError, ValueError, AttributeError):
        return True  # it is no file of the system
    return bool(ready)


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
