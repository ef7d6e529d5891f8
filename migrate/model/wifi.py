"""Rules of IEEE Std 802.11 for names, keys and channels, counted in octets.

Every check returns None when all is well, else the words for what is wrong: the caller knows
which file and key to blame.
"""

from __future__ import annotations

import hashlib
import re
from typing import Literal

Band = Literal["2.4 GHz", "5 GHz", "6 GHz"]
Security = Literal["wpa2-psk", "wpa3-sae"]
Pmf = Literal["off", "optional", "required"]
"""Protected management frames (IEEE Std 802.11w), as an access point asks for them."""

CHANNELS: dict[Band, frozenset[int]] = {
    "2.4 GHz": frozenset(range(1, 15)),
    "5 GHz": frozenset((*range(32, 69, 4), *range(96, 145, 4), *range(149, 178, 4))),
    "6 GHz": frozenset((2, *range(1, 234, 4))),
}
"""The 20 MHz channels of each band, whatever a region allows (IEEE Std 802.11, operating classes of
annex E; from memory)."""

SSID_MAX_OCTETS = 32
_PSK = re.compile(r"[0-9A-Fa-f]{64}")


def ssid_fault(ssid: str) -> str | None:
    """What is wrong with an SSID: it holds 1..32 octets of UTF-8 (IEEE Std 802.11, SSID element).

    The standard allows 0 octets (the wildcard); a device cannot join by it, so it is refused.
    """
    try:
        octets = len(ssid.encode("utf-8"))
    except UnicodeEncodeError:
        return "the SSID holds half a character pair (a lone surrogate) and has no octets"
    if octets == 0:
        return "the SSID is empty"
    if octets > SSID_MAX_OCTETS:
        return f"the SSID has {octets} octets in UTF-8; IEEE 802.11 allows {SSID_MAX_OCTETS}"
    if "\0" in ssid:
        return "the SSID holds a NUL character, which most devices cannot carry"
    return None


def is_psk(secret: str) -> bool:
    """True for a 256-bit pre-shared key written as 64 hexadecimal digits."""
    return _PSK.fullmatch(secret) is not None


def secret_fault(secret: str) -> str | None:
    """What is wrong with a Wi-Fi secret: 8..63 characters of code 32..126, or 64 hex digits.

    Source: IEEE Std 802.11, pass-phrase to PSK mapping. The words never quote the secret.
    """
    if is_psk(secret):
        return None
    length = len(secret)
    if length == 64:
        return "64 characters must all be hexadecimal digits (then they are the PSK itself)"
    if not 8 <= length <= 63:
        return f"the passphrase has {length} characters; IEEE 802.11 asks for 8 to 63"
    if any(not 32 <= ord(char) <= 126 for char in secret):
        return "the passphrase has a character outside the codes 32..126 of IEEE 802.11"
    return None


def psk(passphrase: str, ssid: str) -> str:
    """The pre-shared key as 64 hex digits: PBKDF2-HMAC-SHA1, 4096 rounds, salt = SSID octets.

    Source: IEEE Std 802.11 (802.11i-2004 annex H.4). A secret that already is a PSK is returned
    in lower case.
    """
    if is_psk(passphrase):
        return passphrase.lower()
    key = hashlib.pbkdf2_hmac("sha1", passphrase.encode(), ssid.encode(), 4096, 32)
    return key.hex()


def bands_of(channel: int) -> tuple[Band, ...]:
    """The bands in which there is a 20 MHz channel of this number; numbers repeat."""
    return tuple(band for band, channels in CHANNELS.items() if channel in channels)


def centre_frequency(band: str, channel: int) -> int:
    """Centre frequency in MHz of a 20 MHz channel of a band.

    Source: IEEE Std 802.11: 2407 + 5n for 1..13, 2484 for 14; 5000 + 5n; IEEE Std 802.11ax:
    5950 + 5n, and 5935 for channel 2 (these two from memory). Raises ValueError.
    """
    if band == "2.4 GHz" and 1 <= channel <= 13:
        return 2407 + 5 * channel
    if band == "2.4 GHz" and channel == 14:
        return 2484
    if band == "5 GHz" and 1 <= channel <= 200:
        return 5000 + 5 * channel
    if band == "6 GHz" and channel == 2:
        return 5935
    if band == "6 GHz" and channel in CHANNELS["6 GHz"]:
        return 5950 + 5 * channel
    raise ValueError(f"channel {channel} is not a channel of {band}")
