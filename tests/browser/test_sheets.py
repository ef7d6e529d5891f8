"""The sheets in a real browser: on a phone, on a screen, on paper; and their codes, read by a
reader that is not ours."""

from __future__ import annotations

import io
import re
import shutil
import subprocess
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
import zxingcpp
from PIL import Image
from playwright.sync_api import Page

from migrate.model.secrets import Secret
from migrate.views.sheets.phones import Network, phones_sheet
from tests.views.sheets.mill import mill

from .conftest import (
    DESK,
    PHONE,
    Opener,
    Theme,
    accessibility_faults,
    keep,
    missing,
    wider_than_screen,
)

pytestmark = pytest.mark.long

MADE = datetime(2026, 1, 1, 12, 34, tzinfo=UTC)
PAPERS = ("A4", "Letter")
PLAIN = "quarry words"
KEY = "0123456789abcdefABCDEF" + "0" * 42


@pytest.fixture(scope="module")
def recovery(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A sheet of thirty devices in twelve places."""
    return sheet_of(tmp_path_factory.mktemp("mill"), 30)


@pytest.fixture(scope="module")
def short(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A sheet of four devices: one within reach, with its cover, ladder, and one to be opened."""
    return sheet_of(tmp_path_factory.mktemp("cottage"), 4)


def sheet_of(folder: Path, devices: int) -> Path:
    """The sheet of a house in which so many devices are adrift."""
    house = mill(folder, devices)
    place = house.folder / "recovery.html"
    told = house.cli("sheet", "recovery", "--state", house.state, "--to", place)
    assert told.code == 0, told.all
    return place


def phones(folder: Path, ssid: str, secret: str | None, **more: Any) -> Path:
    """A sheet for phones, in a file."""
    network = Network(ssid, Secret(secret) if secret else None, open=secret is None, **more)
    place = folder / "phones.html"
    sheet = phones_sheet(network, "New access point", MADE, "file")
    place.write_text(sheet.html, encoding="utf-8")
    return place


def read(picture: Image.Image) -> list[tuple[str, bytes]]:
    """The codes in a picture: what each says, as text and in octets. Level L would be too little
    for a sheet that is folded and pinned up (ISO/IEC 18004 knows L, M, Q and H; from memory)."""
    found = zxingcpp.read_barcodes(picture.convert("L"))
    assert all(one.ec_level in ("M", "Q", "H") for one in found)
    return [(one.text, one.bytes) for one in found]


def pages(page: Page, place: Path, paper: str) -> Path:
    """Printed to a file."""
    file = place.with_suffix(f".{paper}.pdf")
    page.pdf(path=file, format=paper)
    return file


def tool(name: str) -> str:
    found = shutil.which(name)
    if found is None:
        missing(f"no {name} here: install your system's poppler-utils")
    return found


def text_of(file: Path) -> list[str]:
    """What is printed, page by page."""
    told = subprocess.run(
        [tool("pdftotext"), "-layout", str(file), "-"], capture_output=True, check=True
    )
    return told.stdout.decode().split("\f")[:-1]


@pytest.mark.parametrize("theme", ["light", "dark"])
@pytest.mark.parametrize("size", [PHONE, DESK], ids=["phone", "desk"])
def test_everybody_can_read_it(
    open_page: Opener, short: Path, tmp_path: Path, size: tuple[int, int], theme: Theme
) -> None:
    page = open_page(size, theme)
    for name, place in (
        ("recovery", short),
        ("phones", phones(tmp_path, "quarry loft", "Il0 1O words; words", hidden=True)),
    ):
        page.goto(place.as_uri())
        assert accessibility_faults(page) == []
        assert wider_than_screen(page) == 0
        keep(page, f"sheet-{name}-{theme}-{size[0]}")


def test_a_box_can_be_ticked_by_its_words_and_by_keyboard(
    open_page: Opener, recovery: Path
) -> None:
    page = open_page(PHONE)
    page.goto(recovery.as_uri())
    box = page.get_by_role("group", name="unit-09", exact=True)
    done = box.get_by_role("checkbox", name="unit-09")
    box.get_by_text("back by itself").click()
    assert box.get_by_label("back by itself").is_checked()
    done.focus()
    page.keyboard.press("Space")
    assert done.is_checked()
    assert box.locator("input:checked").count() == 2
    # A finger needs 24 CSS pixels (WCAG 2.2, 2.5.8).
    heights = page.eval_on_selector_all(
        ".tick", "ticks => ticks.map(tick => tick.getBoundingClientRect().height)"
    )
    assert min(heights) >= 24


@pytest.mark.parametrize("paper", PAPERS)
def test_no_device_is_split_over_two_pages(open_page: Opener, recovery: Path, paper: str) -> None:
    page = open_page()
    page.goto(recovery.as_uri())
    printed = text_of(pages(page, recovery, paper))
    for number, text in enumerate(printed, 1):
        assert text.startswith("Run 20260101-120000-000000-new-access-point, 20")
        assert f"page {number} of {len(printed)}" in text
        # MAC is the first of a box, and the line for notes its last.
        assert text.count("MAC 00-00-5E") == text.count("Notes"), text
        # What is read on a screen alone is not printed.
        assert "Boxes can be ticked here" not in text
    assert sum(text.count("Notes") for text in printed) == 30
    assert 8 < len(printed) <= 13
    # No place stands alone at the foot of a page.
    for text in printed:
        lines = [line.strip() for line in text.splitlines() if line.strip()]
        assert not re.match(r"\d+\. ", lines[-2])


CODES: list[tuple[str, str | None, dict[str, Any], str]] = [
    # What it must say is written out by hand from the rules in migrate/model/joining.py.
    ("quarry-loft", PLAIN, {}, "WIFI:T:WPA;S:quarry-loft;P:quarry words;;"),
    ("quarry-loft", "8 signs!", {"hidden": True}, "WIFI:T:WPA;S:quarry-loft;H:true;P:8 signs!;;"),
    ("guests", None, {}, "WIFI:T:nopass;S:guests;;"),
    ("new", PLAIN, {"security": ("wpa3-sae",)}, "WIFI:T:WPA;S:new;P:quarry words;;"),
    (
        'a;b,c:d"e\\f',
        'g;h,i:j"k\\l',
        {},
        'WIFI:T:WPA;S:a\\;b\\,c\\:d\\"e\\\\f;P:g\\;h\\,i\\:j\\"k\\\\l;;',
    ),
    (" loft ", " words at both ends ", {}, "WIFI:T:WPA;S: loft ;P: words at both ends ;;"),
    ("CAFE", "1234abcd", {}, "WIFI:T:WPA;S:CAFE;P:1234abcd;;"),
    ("loft", KEY, {}, f"WIFI:T:WPA;S:loft;P:{KEY};;"),
    ("l\u043eft caf\u00e9", PLAIN, {}, "WIFI:T:WPA;S:l\u043eft caf\u00e9;P:quarry words;;"),
    ("\u00fc", PLAIN, {}, "WIFI:T:WPA;S:\u00fc;P:quarry words;;"),
    ("\u5c4b\u6839 \U0001f3e1", PLAIN, {}, "WIFI:T:WPA;S:\u5c4b\u6839 \U0001f3e1;P:quarry words;;"),
    (";" * 32, ";" * 63, {}, "WIFI:T:WPA;S:" + "\\;" * 32 + ";P:" + "\\;" * 63 + ";;"),
]


def test_the_code_on_a_screen(open_page: Opener, tmp_path: Path) -> None:
    """In the dark theme as well it is dark on light, as all readers know it (ISO/IEC 18004)."""
    page = open_page(PHONE, "dark")
    for ssid, secret, more, says in CODES:
        page.goto(phones(tmp_path, ssid, secret, **more).as_uri())
        picture = Image.open(io.BytesIO(page.locator(".code").screenshot()))
        assert read(picture) == [(says, says.encode("utf-8"))]


def test_the_code_on_paper(open_page: Opener, tmp_path: Path) -> None:
    """At 150 dots an inch, as a simple printer and a simple camera have it."""
    page = open_page()
    for ssid, secret, more, says in (CODES[0], CODES[8], CODES[11]):
        place = phones(tmp_path, ssid, secret, **more)
        page.goto(place.as_uri())
        page.emulate_media(media="print")
        side = page.locator(".code svg").bounding_box()
        assert side is not None
        # 96 CSS pixels are an inch (W3C CSS Values and Units). The quiet zone is four of 29 or more
        # modules on each side.
        assert side["width"] / 96 * 2.54 * 21 / 29 > 4
        file = pages(page, place, "A4")
        assert len(text_of(file)) == 1
        drawn = subprocess.run(
            [tool("pdftoppm"), "-r", "150", "-png", "-singlefile", str(file)],
            capture_output=True,
            check=True,
        )
        assert read(Image.open(io.BytesIO(drawn.stdout))) == [(says, says.encode("utf-8"))]


@pytest.mark.parametrize(
    "words", ["Il0 1O  words; wor", " ends with blanks ", "x" * 63, KEY, '<b>&amp;"\\']
)
def test_the_passphrase_can_be_copied(open_page: Opener, tmp_path: Path, words: str) -> None:
    """Whatever gaps are drawn, and wherever lines are broken."""
    page = open_page(PHONE)
    page.goto(phones(tmp_path, "loft", words).as_uri())
    copied = page.evaluate(
        """() => {
            const all = document.querySelector(".secret");
            getSelection().selectAllChildren(all);
            return [getSelection().toString(), all.textContent];
        }"""
    )
    assert copied == [words, words]
    assert wider_than_screen(page) == 0
