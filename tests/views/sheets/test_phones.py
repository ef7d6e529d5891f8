"""The sheet for phones: what it says with and without the passphrase, and where that never is."""

from __future__ import annotations

import logging
import re
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from migrate.cli.sheet import sheet
from migrate.model.problems import Exit
from migrate.model.secrets import Secret
from migrate.model.wifi import Security
from migrate.views.sheets.phones import Network, code_of, phones_sheet
from tests.cli.conftest import paper
from tests.cli.paper import SECRETS, Ended, Paper
from tests.views.sheets.test_recovery import words, written

__all__ = ["paper"]

WORDS = SECRETS["NEW_WIFI"]
MADE = datetime(2026, 1, 1, 12, 34, tzinfo=UTC)


def phones(paper: Paper, *more: str | Path) -> Ended:
    return paper.cli("sheet", "phones", paper.playbook, *more)


def drawn(ssid: str = "loft", secret: str | None = None, **more: Any) -> str:
    """A sheet as HTML."""
    network = Network(ssid, Secret(secret) if secret else None, **more)
    return phones_sheet(network, "New access point", MADE, "file").html


def test_without_the_passphrase(paper: Paper) -> None:
    del paper.env["NEW_WIFI"]  # it is not even looked for
    told = phones(paper)
    place = paper.folder / "house.phones.html"
    assert told.code == Exit.DONE, told.all
    assert told.out.startswith(f"{place}\n")
    assert "--show-passphrase" in told.out
    html = place.read_text(encoding="utf-8")
    said = words(html)
    assert "quarry-loft" in said
    assert "A phone that was on quarry-attic remembers it" in said
    assert 'aria-label="A line to write the passphrase on"' in html
    assert "<svg" not in html
    assert WORDS not in html


def test_in_a_file_that_was_named(paper: Paper, tmp_path: Path) -> None:
    place = tmp_path / "guests" / "wifi.html"
    told = phones(paper, "--show-passphrase", "--to", place)  # checked: no secret in its words
    assert told.code == Exit.DONE, told.all
    assert "This file now holds the passphrase: print it, then delete it." in told.out
    assert place.stat().st_mode & 0o777 == 0o600
    html = place.read_text(encoding="utf-8")
    assert html.count("<svg") == 1
    assert "So does its file: print it, then delete it." in words(html)
    assert words(html).count("Not all phones read") == 0
    # In groups of four, each blank marked.
    assert 'c4na</span><wbr><span class="four">ry<span class="blank"> </span>n</span>' in html
    # Nowhere else: neither whole nor in the picture's text.
    others = [path for path in tmp_path.rglob("*") if path.is_file() and path != place]
    assert others
    assert not [path for path in others if WORDS.encode() in path.read_bytes()]
    alternative = html[html.index("<title id=") : html.index("</title>", html.index("<svg"))]
    assert "joins the network quarry-loft" in alternative
    assert "c4na" not in alternative


def test_it_is_in_no_log_and_no_repr(caplog: pytest.LogCaptureFixture) -> None:
    with caplog.at_level(logging.DEBUG):
        network = Network("loft", Secret(WORDS))
        made = phones_sheet(network, "x", MADE, "memory")
    assert WORDS not in repr(made) + repr(network) + str(made) + caplog.text
    assert "c4na" not in repr(made) + caplog.text
    assert "c4na" in made.html


def test_what_is_there_already_is_not_written_over(paper: Paper) -> None:
    before = paper.playbook.read_text()
    told = phones(paper, "--to", paper.playbook)
    assert (told.code, paper.playbook.read_text()) == (Exit.BAD_FILE, before)
    assert phones(paper).code == phones(paper).code == Exit.DONE  # a sheet, by another


def test_the_old_side(paper: Paper) -> None:
    place = paper.folder / "old.html"
    told = phones(paper, "--side", "old", "--show-passphrase", "--to", place)
    html = written(Ended(told.code, f"{place}\n", told.err))
    assert SECRETS["OLD_WIFI"][:4] in html
    assert "A phone that was on quarry-loft remembers it" in words(html)


def test_an_old_side_without_a_passphrase_is_an_open_network(paper: Paper) -> None:
    """One that is said to be secured is not: then its passphrase is written by hand."""
    paper.edit(paper.playbook, ', secret = { env = "OLD_WIFI" }', "")
    told = phones(paper, "--side", "old")
    assert "so the sheet is for an open one" in " ".join(told.out.split())
    html = (paper.folder / "house.phones.html").read_text(encoding="utf-8")
    assert "<svg" in html
    assert "It asks for no passphrase." in words(html)
    assert "can be read by others nearby" in words(html)
    paper.edit(paper.playbook, '"quarry-attic"', '"quarry-attic", security = ["wpa2-psk"]')
    assert phones(paper, "--side", "old").code == Exit.DONE
    html = (paper.folder / "house.phones.html").read_text(encoding="utf-8")
    assert "<svg" not in html
    assert "A line to write the passphrase on" in html
    asked = phones(paper, "--side", "old", "--show-passphrase")
    assert (asked.code, "names no passphrase" in asked.err) == (Exit.BAD_FILE, True)


def test_a_playbook_without_a_network_has_nothing_for_phones(paper: Paper) -> None:
    text = paper.playbook.read_text()
    start, end = text.index("[wifi]"), text.index("[broker]")
    paper.playbook.write_text(text[:start] + text[end:])
    told = phones(paper)
    assert told.code == Exit.BAD_FILE
    assert "phones stay on it, and need no sheet" in told.err
    paper.edit(
        paper.playbook, 'wifi = { ssid = "quarry-attic", secret = { env = "OLD_WIFI" } }', ""
    )
    told = phones(paper)
    assert told.code == Exit.BAD_FILE
    assert "there is nothing for phones to join" in told.err


@pytest.mark.parametrize("bad", ["seven77", "x" * 64, "caf\u00e9 caf\u00e9", "tab\tbed words"])
def test_a_passphrase_that_ieee_802_11_does_not_allow(paper: Paper, bad: str) -> None:
    """8 to 63 characters of code 32 to 126, or 64 hexadecimal digits (IEEE Std 802.11)."""
    paper.env["NEW_WIFI"] = bad
    place = paper.folder / "phones.html"
    told = phones(paper, "--show-passphrase", "--to", place)
    assert told.code == Exit.SECRET
    assert "environment variable NEW_WIFI" in told.err
    assert bad not in told.all
    assert not place.exists()


def test_a_secret_that_is_not_there(paper: Paper) -> None:
    del paper.env["NEW_WIFI"]
    told = phones(paper, "--show-passphrase")
    assert (told.code, "export NEW_WIFI" in told.err) == (Exit.SECRET, True)


def test_a_secret_that_is_asked_for_needs_somebody_at_the_keyboard(paper: Paper) -> None:
    paper.edit(paper.playbook, '{ env = "NEW_WIFI" }', '{ prompt = "new passphrase" }')
    told = phones(paper, "--show-passphrase")
    assert (told.code, "nobody is at the keyboard" in told.err) == (Exit.SECRET, True)


def test_a_name_that_no_code_carries(paper: Paper) -> None:
    paper.edit(paper.playbook, '"quarry-loft"', '"a\\tb"')
    told = phones(paper, "--show-passphrase")
    assert told.code == Exit.BAD_FILE
    assert "wifi.ssid: the SSID holds a control character" in told.err
    assert phones(paper).code == Exit.DONE
    html = (paper.folder / "house.phones.html").read_text(encoding="utf-8")
    assert "In octets: 61 09 62" in words(html)


def test_hostile_names_are_text(paper: Paper) -> None:
    paper.edit(paper.playbook, '"quarry-loft"', '"<b>&lt;\\u202E</b>"')
    paper.edit(paper.playbook, '"New access point"', '"</style><script>1</script>"')
    assert phones(paper).code == Exit.DONE
    html = (paper.folder / "house.phones.html").read_text(encoding="utf-8")
    assert "<b>" not in html
    assert "<script" not in html
    assert html.count("</style>") == 1
    assert "\u202e" not in html
    assert "<b>&lt;\N{REPLACEMENT CHARACTER}</b>" in words(html)


@pytest.mark.parametrize(
    ("more", "said"),
    [
        ({"security": ("wpa3-sae",)}, "A phone that does not know WPA3 cannot join."),
        ({"hidden": True}, "The network hides its name"),
        ({"former": "loft"}, "The network keeps its name and has another passphrase."),
        ({"former": "attic"}, "A phone that was on attic remembers it"),
        ({}, "A phone remembers the network it was on"),
    ],
)
def test_what_is_good_to_know(more: dict[str, Any], said: str) -> None:
    assert said in words(drawn(secret=WORDS, **more))


def test_a_key_of_64_digits() -> None:
    both: tuple[Security, ...] = ("wpa2-psk", "wpa3-sae")
    said = words(drawn(secret="0123456789abcdef" * 4, security=both))
    assert "This is a key of 64 hexadecimal digits" in said
    assert "choose WPA2 there" in said
    assert "Easily mistaken" not in said


def test_what_is_easily_mistaken() -> None:
    said = words(drawn(secret="a0Il 1Ob"))
    assert (
        "the digit zero, at 2; a capital I, as in island, at 3; a small L, as in lamp, at 4; "
        "a blank, at 5; the digit one, at 6; a capital O, as in orange, at 7."
    ) in said
    assert "Not all phones read this name or passphrase alike" in words(drawn(secret="abc;defgh"))


def test_the_code_has_its_quiet_zone() -> None:
    """Four modules on each side (ISO/IEC 18004; from memory), and corners just inside of them."""
    code = code_of("WIFI:T:WPA;S:loft;P:quarry words;;")
    bars = [
        (int(x), int(y), int(length))
        for x, y, length in re.findall(r"M(\d+) (\d+)h(\d+)v1h-\3z", code.path)
    ]
    assert min(x for x, _, _ in bars) == min(y for _, y, _ in bars) == 4
    assert max(x + length for x, _, length in bars) == code.side - 4
    assert max(y for _, y, _ in bars) == code.side - 5
    # A version has 17 modules and four for each number (ISO/IEC 18004; from memory).
    assert (code.side - 8 - 17) % 4 == 0


@pytest.mark.parametrize(
    "name", [one.callback.__name__ for one in sheet.registered_commands if one.callback]
)
def test_help_teaches_by_an_example(paper: Paper, name: str) -> None:
    told = paper.cli("sheet", name, "--help")
    assert told.code == Exit.DONE
    assert f"Example: migrate sheet {name}" in told.out
    for option in re.findall(r"^  (--\w[\w-]*)", told.out, re.MULTILINE):
        assert re.search(rf"^  {option}( \S+)?  +\w", told.out, re.MULTILINE), option
