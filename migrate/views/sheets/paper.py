"""What all sheets share: their page, its head and foot in print, and how one is told from another
file."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, Final

from migrate.views.lines import harmless
from migrate.views.look import file_policy, style, templates

PACKAGE: Final = __package__ or ""
MARK: Final = "<!-- a sheet of migrate -->"
HEAD_LONGEST: Final = 72
"""Characters of a title that stand at the head of every printed page."""


@dataclass(frozen=True)
class Sheet:
    """A sheet as HTML, and the style that stands in it. It may hold a passphrase, so it is never
    printed."""

    html: str = field(repr=False)
    css: str = field(repr=False)


def sheet(kind: str, head: str, made: datetime, **words: Any) -> Sheet:
    """A sheet of the template `kind`. `head` stands at the top of every printed page, with the
    time in UTC at which the sheet was made."""
    at = f"{made:%Y-%m-%d at %H:%M} UTC"
    css = style(PACKAGE, "sheets.css") + _running(f"{_short(head)}, {at}")
    own = {"mark": MARK, "css": css, "policy": file_policy(css), "at": at}
    return Sheet(templates(PACKAGE).get_template(f"{kind}.html").render(**own, **words), css)


def is_sheet(text: str) -> bool:
    """Whether a file is a sheet, and may be written over by another."""
    return MARK in text[:200]


def _short(head: str) -> str:
    return head if len(head) <= HEAD_LONGEST else f"{head[: HEAD_LONGEST - 1]}…"


def _running(words: str) -> str:
    """The head of printed pages (W3C CSS Paged Media Module Level 3, margin boxes). Signs in a
    string of CSS are escaped, whatever they are (W3C CSS Syntax Module Level 3, 4.3.7)."""
    told = "".join(
        char if char.isascii() and char.isalnum() else f"\\{ord(char):x} "
        for char in harmless(words)
    )
    return f'\n@page {{ @top-left {{ content: "{told}"; }} }}\n'
