"""The rules of IEEE Std 802.11 against the standard's own vectors."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from migrate.model.wifi import centre_frequency, is_psk, psk, secret_fault, ssid_fault

# IEEE Std 802.11i-2004 annex H.4, passphrase to PSK.
VECTORS = [
    (
        "password",
        "IEEE",
        "f42c6fc52df0ebef9ebb4b90b38a5f902e83fe1b135a70e23aed762e9710a12e",
    ),
    (
        "ThisIsAPassword",
        "ThisIsASSID",
        "0dc0d6eb90555ed6419756b9a15ec3e3209b63df707dd508d14581f8982721af",
    ),
    (
        "a" * 32,
        "Z" * 32,
        "becb93866bb8c3832cb777c2f559807c8c59afcb6eae734885001300a981cc62",
    ),
]


@pytest.mark.parametrize(("passphrase", "ssid", "key"), VECTORS)
def test_keys_of_the_standard(passphrase: str, ssid: str, key: str) -> None:
    assert psk(passphrase, ssid) == key


def test_a_key_in_hexadecimal_is_the_key_itself() -> None:
    key = VECTORS[0][2]
    assert psk(key.upper(), "any") == key


# IEEE Std 802.11: 2407 + 5n, channel 14 at 2484, 5000 + 5n.
@pytest.mark.parametrize(
    ("band", "channel", "megahertz"),
    [
        ("2.4 GHz", 1, 2412),
        ("2.4 GHz", 6, 2437),
        ("2.4 GHz", 11, 2462),
        ("2.4 GHz", 13, 2472),
        ("2.4 GHz", 14, 2484),
        ("5 GHz", 36, 5180),
        ("5 GHz", 165, 5825),
    ],
)
def test_channels(band: str, channel: int, megahertz: int) -> None:
    assert centre_frequency(band, channel) == megahertz


@pytest.mark.parametrize(
    ("band", "channel"),
    [("2.4 GHz", 0), ("2.4 GHz", 15), ("5 GHz", 0), ("5 GHz", 201), ("60 GHz", 1), ("", 1)],
)
def test_channels_that_are_none(band: str, channel: int) -> None:
    with pytest.raises(ValueError, match="is not a channel"):
        centre_frequency(band, channel)


# IEEE Std 802.11, SSID element: 0 to 32 octets; U+1F33F takes 4 octets, U+00E9 takes 2 (RFC 3629).
@pytest.mark.parametrize(
    "ssid", ["a", "x" * 32, "\U0001f33f" * 8, "\u00e9" * 16, "no", "00123456", " ", ";=%#&+\"'\\"]
)
def test_ssids_that_fit(ssid: str) -> None:
    assert ssid_fault(ssid) is None


@pytest.mark.parametrize(
    ("ssid", "words"),
    [
        ("", "empty"),
        ("x" * 33, "33 octets"),
        ("\U0001f33f" * 9, "36 octets"),
        ("\u20ac" * 11, "33 octets"),  # eleven characters, three octets each
        ("\u00e9" * 17, "34 octets"),
        ("a\0b", "NUL"),
        ("\ud83c", "surrogate"),
    ],
)
def test_ssids_that_do_not(ssid: str, words: str) -> None:
    assert words in (ssid_fault(ssid) or "")


@given(st.text(max_size=40))
def test_ssids_are_counted_in_octets(ssid: str) -> None:
    try:
        octets = len(ssid.encode())
    except UnicodeEncodeError:
        octets = 0
    assert (ssid_fault(ssid) is None) == (1 <= octets <= 32 and "\0" not in ssid)


# IEEE Std 802.11, passphrase: 8..63 characters, codes 32..126; or 64 hexadecimal digits.
@pytest.mark.parametrize(
    "secret", ["8letters", "x" * 63, "\x20" * 8, "~" * 8, "0" * 64, "aF" * 32, "00123456"]
)
def test_secrets_that_fit(secret: str) -> None:
    assert secret_fault(secret) is None


@pytest.mark.parametrize(
    ("secret", "words"),
    [
        ("", "has 0 characters"),
        ("7letter", "has 7 characters"),
        ("g" * 64, "hexadecimal"),
        ("0" * 65, "has 65 characters"),
        ("tab\tinside", "32..126"),
        ("del\x7finside", "32..126"),
        ("na\u00efve-passphrase", "32..126"),
        ("smile \U0001f642 here", "32..126"),
        # ARABIC-INDIC digits are digits to Python, not to the standard.
        ("\u0661" * 64, "hexadecimal"),
    ],
)
def test_secrets_that_do_not(secret: str, words: str) -> None:
    fault = secret_fault(secret) or ""
    assert words in fault
    assert not secret or secret not in fault


def test_psk_form() -> None:
    assert is_psk("0123456789abcdefABCDEF0123456789abcdefABCDEF0123456789abcdefABCD")
    assert not is_psk("0" * 63)
    assert not is_psk("0" * 64 + "\n")
