"""Bars of characters: a picture that needs no colour, and fits a pipe as well as a terminal."""

from __future__ import annotations

from rich.console import Console

FULL, PLAIN = "\N{FULL BLOCK}", "#"


def bar(share: float, width: int, console: Console) -> str:
    """A bar of `share` (0..1) of the width; anything above 0 is seen."""
    length = round(min(1.0, share) * width)
    if share > 0:
        length = max(1, length)
    return mark(console) * length


def mark(console: Console) -> str:
    """What a bar is made of: a block, or a plain character where the character set has none."""
    return PLAIN if console.options.ascii_only else FULL
