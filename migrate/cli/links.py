"""The link to a page, as it is shown in the terminal: with a picture for a phone's camera."""

from __future__ import annotations

import io

import segno
from rich.console import Console
from rich.text import Text

from migrate.views.lines import say
from migrate.views.web.door import Door, link_of
from migrate.views.web.place import Place


def show_link(place: Place, door: Door | None, console: Console) -> None:
    """Print the link: on a terminal as a QR code as well, if it is one of use to a phone."""
    link = link_of(place, door)
    if door is None:
        say(console, "The page, for this machine alone:")
        console.print(Text(f"  {link}"), soft_wrap=True)
        return
    say(console, "The page, by a link that lets one browser in; after that a fresh one is shown:")
    console.print(Text(f"  {link}"), soft_wrap=True)
    if console.is_terminal:
        console.print(Text(qr_in_text(link), "bright_white on black"), soft_wrap=True)


def qr_in_text(words: str) -> str:
    """A QR code (ISO/IEC 18004) in half blocks, for a terminal."""
    drawn = io.StringIO()
    segno.make(words, error="l", micro=False).terminal(out=drawn, compact=True)
    return drawn.getvalue()
