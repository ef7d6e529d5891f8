"""The text of a QR code for phones, against both ways in which phones read it."""

from __future__ import annotations

import re
from urllib.parse import unquote

import pytest
from hypothesis import given
from hypothesis import strategies as st

from migrate.model.joining import join_fault, join_text, reads_alike
from migrate.model.wifi import secret_fault, ssid_fault

PLAIN = "quarry words"
KEY = "0123456789abcdefABCDEF" + "0" * 42


def as_most_phones_read(text: str) -> dict[str, str]:
    """A field ends at a semicolon without a backslash, and a backslash is dropped (common
    practice, no source)."""
    assert text.startswith("WIFI:")
    assert text.endswith(";;")
    fields = re.findall(r"([A-Z]):((?:\\.|[^\\;])*);", text.removeprefix("WIFI:"))
    assert "".join(f"{name}:{value};" for name, value in fields) + ";" == text[5:]
    return {name: re.sub(r"\\(.)", r"\1", value) for name, value in fields}


def as_the_newer_rule_reads(text: str) -> dict[str, str]:
    """A field ends at a semicolon, and is percent-decoded (Wi-Fi Alliance, WPA3 specification, from
    memory; percent-decoding by RFC 3986, 2.1)."""
    fields = [part.partition(":") for part in text.removeprefix("WIFI:").split(";")[:-2]]
    return {name: unquote(value) for name, _, value in fields}


@pytest.mark.parametrize(
    ("ssid", "passphrase", "text", "alike"),
    [
        # Written out by hand from the rules at the head of the module.
        ("quarry-loft", PLAIN, "WIFI:T:WPA;S:quarry-loft;P:quarry words;;", True),
        ("quarry-loft", None, "WIFI:T:nopass;S:quarry-loft;;", True),
        ("a;b", PLAIN, "WIFI:T:WPA;S:a\\;b;P:quarry words;;", False),
        ("loft", 'a\\b;c,d:e"f', 'WIFI:T:WPA;S:loft;P:a\\\\b\\;c\\,d\\:e\\"f;;', False),
        ('"loft"', PLAIN, 'WIFI:T:WPA;S:\\"loft\\";P:quarry words;;', False),
        (" loft", PLAIN, "WIFI:T:WPA;S: loft;P:quarry words;;", False),
        ("loft", "ends with a blank ", "WIFI:T:WPA;S:loft;P:ends with a blank ;;", False),
        ("CAFE", PLAIN, "WIFI:T:WPA;S:CAFE;P:quarry words;;", False),
        ("CAFES", "12345678", "WIFI:T:WPA;S:CAFES;P:12345678;;", True),
        ("loft", KEY, f"WIFI:T:WPA;S:loft;P:{KEY};;", True),
        ("loft", "100%41 sure", "WIFI:T:WPA;S:loft;P:100%41 sure;;", False),
        ("loft", "100% sure", "WIFI:T:WPA;S:loft;P:100% sure;;", True),
        ("l\u043eft", PLAIN, "WIFI:T:WPA;S:l\u043eft;P:quarry words;;", False),
        ("P:x;H:true", "T:WEP;;!", "WIFI:T:WPA;S:P\\:x\\;H\\:true;P:T\\:WEP\\;\\;!;;", False),
    ],
)
def test_written_out_by_hand(ssid: str, passphrase: str | None, text: str, alike: bool) -> None:
    assert join_text(ssid, passphrase) == text
    assert reads_alike(ssid, passphrase) is alike


def test_a_hidden_network_says_so_before_its_passphrase() -> None:
    """The order of the newer rule; the older one knows no order."""
    assert join_text("loft", PLAIN, hidden=True) == "WIFI:T:WPA;S:loft;H:true;P:quarry words;;"


@pytest.mark.parametrize("ssid", ["a\nb", "a\x1bb", "\x7f", "a\x85b", "", "x" * 33, "\ud800"])
def test_names_that_no_code_carries(ssid: str) -> None:
    assert join_fault(ssid)
    with pytest.raises(ValueError, match="SSID"):
        join_text(ssid, PLAIN)


SSIDS = st.text(min_size=1, max_size=32).filter(lambda name: not ssid_fault(name))
WORDS = st.text(st.characters(min_codepoint=32, max_codepoint=126), min_size=8, max_size=63)


@given(SSIDS, WORDS, st.booleans())
def test_whatever_the_name_and_the_passphrase(ssid: str, words: str, hidden: bool) -> None:
    assert secret_fault(words) is None
    if join_fault(ssid):
        return
    text = join_text(ssid, words, hidden=hidden)
    told = {"T": "WPA", "S": ssid, "P": words} | ({"H": "true"} if hidden else {})
    assert as_most_phones_read(text) == told
    if reads_alike(ssid, words):
        assert as_the_newer_rule_reads(text) == told


@given(st.text('ab;,:"\\%4 ', min_size=1, max_size=20), st.text('cd;,:"\\%4 ', min_size=8))
def test_and_of_the_signs_that_matter(ssid: str, words: str) -> None:
    text = join_text(ssid, words[:63])
    told = {"T": "WPA", "S": ssid, "P": words[:63]}
    assert as_most_phones_read(text) == told
    if reads_alike(ssid, words[:63]):
        assert as_the_newer_rule_reads(text) == told
