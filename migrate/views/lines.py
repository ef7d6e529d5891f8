"""Printing for a terminal and for a pipe: words are never cut, and no line ends in blanks."""

from __future__ import annotations

import re

from rich.cells import cell_len
from rich.console import Console, RenderableType
from rich.segment import Segment, Segments
from rich.text import Text


def say(
    console: Console,
    words: Text | str,
    style: str = "",
    *,
    indent: int = 0,
    hang: int = 0,
    whole: bool = False,
) -> None:
    """Print words, wrapped at blanks to the console's width.

    `indent` is what stands before the first line, in characters, and `hang` what later lines have
    beyond that. A word that is longer than a line stays in one piece, so that a path can be copied.
    `whole` leaves the text on one line where it is not read in a terminal: for those who search it.
    """
    text = tamed(Text(words, style) if isinstance(words, str) else words)
    if whole and not console.is_terminal:
        lines = [text]
    else:
        room = max(16, console.width - indent - hang)
        lines = list(text.divide(_beginnings(text.plain, room)))
    for number, line in enumerate(lines):
        line.rstrip()
        before = " " * (indent + (hang if number else 0))
        console.print(Text(before) + line, soft_wrap=True)


def harmless(words: str, *, keep: str = "") -> str:
    """Words from elsewhere on one line, without characters that steer a terminal or turn the order
    of what is read (Unicode categories Cc, Cf, Cs, Zl, Zp and others that do not print)."""
    return "".join(
        char if char.isprintable() or char in keep else "\N{REPLACEMENT CHARACTER}"
        for char in words
    )


def tamed(text: Text, *, keep: str = "") -> Text:
    """The same for a text with styles, which stay where they are."""
    plain = harmless(text.plain, keep=keep)
    if plain != text.plain:
        text = text.copy()
        text.plain = plain
    return text


def _beginnings(words: str, room: int) -> list[int]:
    """Where each line after the first begins. Rich's own wrapping would cut long words."""
    found: list[int] = []
    begin = 0
    for word in re.finditer(r"\S+", words):
        if begin < word.start() and cell_len(words[begin : word.end()]) > room:
            begin = word.start()
            found.append(begin)
    return found


def show(console: Console, drawn: RenderableType) -> None:
    """Print a table, without the blanks that fill up its last column."""
    for line in console.render_lines(drawn, pad=False):
        while line and not line[-1].text.strip():
            line.pop()
        if line:
            text, style, control = line[-1]
            line[-1] = Segment(text.rstrip(), style, control)
        console.print(Segments([*line, Segment.line()]), soft_wrap=True)
