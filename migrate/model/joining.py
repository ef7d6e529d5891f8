"""The text of a QR code by which a phone joins a Wi-Fi network.

It begins with `WIFI:` and has fields that each end in a semicolon: T the kind of network, S its
name, H whether it hides it, P its passphrase; one more semicolon ends it all. There are two ways of
writing what stands in a field, and phones differ:

* The older one, which nearly all phones read, puts a backslash before each of \\ ; , : and "
  (common practice, no source).
* The newer one writes such signs, the percent sign and what is not ASCII as a percent sign and two
  hexadecimal digits (Wi-Fi Alliance, WPA3 specification, "Wi-Fi URI"; from memory).

Most names and passphrases are the same in both, and the fields stand in the order of the newer one.
Where both differ, the older one is written, and `reads_alike` says so. WPA stands for every network
with a passphrase, WPA2 or WPA3: phone and access point agree on the way themselves.
"""

from __future__ import annotations

import re
from typing import Final

from migrate.model.wifi import ssid_fault

ESCAPED: Final = str.maketrans({sign: f"\\{sign}" for sign in '\\;,:"'})
_PERCENT = re.compile(r"%[0-9A-Fa-f]{2}")
_HEX = re.compile(r"([0-9A-Fa-f]{2})+")


def join_fault(ssid: str) -> str | None:
    """Why a network's name cannot be carried by such a code: it holds a character that no phone is
    sure to read back (Unicode category Cc), or is no name at all."""
    if any(ord(char) < 32 or 127 <= ord(char) < 160 for char in ssid):
        return "the SSID holds a control character, which phones do not read from a QR code"
    return ssid_fault(ssid)


def join_text(ssid: str, passphrase: str | None, *, hidden: bool = False) -> str:
    """What the code says. `passphrase`: 8 to 63 characters, or a key of 64 hexadecimal digits;
    None: an open network. Raises ValueError for a name it cannot carry."""
    if fault := join_fault(ssid):
        raise ValueError(fault)
    fields = [f"T:{'nopass' if passphrase is None else 'WPA'}", f"S:{ssid.translate(ESCAPED)}"]
    if hidden:
        fields.append("H:true")
    if passphrase is not None:
        fields.append(f"P:{passphrase.translate(ESCAPED)}")
    return f"WIFI:{';'.join(fields)};;"


def reads_alike(ssid: str, passphrase: str | None) -> bool:
    """Whether all phones read the same from it.

    They do not where the two ways of writing differ, where the name is not ASCII (phones guess the
    encoding), where one begins or ends with a blank (some drop it), and where the name has
    hexadecimal digits alone (some take those for octets).
    """
    fields = (ssid, passphrase or "")
    return (
        all(one == one.translate(ESCAPED) and not _PERCENT.search(one) for one in fields)
        and ssid.isascii()
        and all(one == one.strip(" ") for one in fields)
        and not _HEX.fullmatch(ssid)
    )
