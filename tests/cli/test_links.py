"""The link to a page, as a terminal shows it; its QR code is read by another library, zxing-cpp."""

from __future__ import annotations

from io import StringIO

import zxingcpp
from PIL import Image
from rich.console import Console

from migrate.cli.links import qr_in_text, show_link
from migrate.views.web.door import Door, link_of
from migrate.views.web.place import HERE, place_of

AT = place_of("192.0.2.7:8080")


def test_the_code_in_a_terminal_is_the_link() -> None:
    link = link_of(AT, Door())
    drawn = qr_in_text(link).splitlines()
    upper = {"█": 255, "▀": 255, "▄": 0, " ": 0}
    lower = {"█": 255, "▀": 0, "▄": 255, " ": 0}
    size = (len(drawn[0]), 2 * len(drawn))
    assert size[0] <= 80
    picture = Image.new("L", size, 255)
    for y, line in enumerate(drawn):
        for x, char in enumerate(line):
            picture.putpixel((x, 2 * y), upper[char])
            picture.putpixel((x, 2 * y + 1), lower[char])
    picture = picture.resize((size[0] * 4, size[1] * 4), Image.Resampling.NEAREST)
    (found,) = zxingcpp.read_barcodes(picture)
    assert found.text == link


def test_it_is_drawn_in_a_terminal_alone_and_only_for_a_phone() -> None:
    def shown(door: Door | None, *, terminal: bool) -> str:
        told = StringIO()
        console = Console(file=told, force_terminal=terminal, width=80)
        show_link(HERE if door is None else AT, door, console)
        return told.getvalue()

    assert "█" in shown(Door(), terminal=True)
    assert "█" not in shown(Door(), terminal=False)
    assert "█" not in shown(None, terminal=True)
    assert "http://192.0.2.7:8080/enter/" in shown(Door(), terminal=False)
