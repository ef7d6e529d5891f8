"""A device's identity: its MAC address, an EUI-48 (IEEE Std 802)."""

from __future__ import annotations

import re
from typing import Annotated

from pydantic import BeforeValidator

_HEX12 = re.compile(r"[0-9A-F]{12}")
_GROUPED = re.compile(r"[0-9A-Fa-f]{2}([-:])(?:[0-9A-Fa-f]{2}\1){4}[0-9A-Fa-f]{2}")
_DOTTED = re.compile(r"(?:[0-9A-Fa-f]{4}\.){2}[0-9A-Fa-f]{4}")


def parse_mac(text: str) -> str:
    """The MAC in the hexadecimal form of IEEE Std 802: six upper-case octets joined by hyphens.

    Accepts hyphens, colons, dotted fours and bare digits. Raises ValueError for anything else,
    and for addresses that no single device can own (all zero, or the group bit set).
    """
    given = text.strip()
    bare = re.sub(r"[-:.]", "", given).upper()
    known_form = _GROUPED.fullmatch(given) or _DOTTED.fullmatch(given) or given.upper() == bare
    if not known_form or not _HEX12.fullmatch(bare):
        raise ValueError("is not a MAC address; write six octets such as 00-00-5E-00-53-01")
    if int(bare, 16) == 0:
        raise ValueError("is the empty MAC address")
    if int(bare[:2], 16) & 1:
        raise ValueError("is a group address (lowest bit of the first octet set), not a device's")
    return "-".join(bare[i : i + 2] for i in range(0, 12, 2))


def is_local(mac: str) -> bool:
    """True if the address is locally administered (perhaps randomised): bit 1 of octet 0."""
    return bool(int(mac[:2], 16) & 2)


def _validate(value: object) -> str:
    if not isinstance(value, str):
        raise ValueError("must be text such as 00-00-5E-00-53-01")
    return parse_mac(value)


Mac = Annotated[str, BeforeValidator(_validate)]
