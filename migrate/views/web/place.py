"""Where a page is served: an address of this machine and a port."""

from __future__ import annotations

import re
from dataclasses import dataclass
from ipaddress import IPv4Address, IPv6Address, ip_address
from typing import Final

from migrate.model.problems import PageTrouble, Problem

SHAPE: Final = re.compile(r"(?:\[(?P<six>[^\]]*)\]|(?P<four>[^:]*))(?::(?P<port>[0-9]{1,5}))?")
REMEDY: Final = (
    "give an address of this machine, such as 192.0.2.7, 192.0.2.7:8080 or [2001:db8::7]:8080"
)


@dataclass(frozen=True)
class Place:
    """An address of this machine and a port; 0 is any that is free."""

    address: IPv4Address | IPv6Address
    port: int = 0

    @property
    def alone(self) -> bool:
        """Whether only this machine can get there."""
        return self.address.is_loopback

    @property
    def authority(self) -> str:
        """`192.0.2.7:8080`, `[2001:db8::7]:8080` (RFC 3986, 3.2)."""
        address = str(self.address)
        return f"{f'[{address}]' if self.address.version == 6 else address}:{self.port}"

    @property
    def url(self) -> str:
        """Where a browser finds it."""
        return f"http://{self.authority}/"


HERE: Final = Place(IPv4Address("127.0.0.1"))
"""This machine alone, any free port."""


def place_of(words: str) -> Place:
    """`ADDRESS[:PORT]` as an owner types it. Raises PageTrouble."""
    try:
        return Place(ip_address(words))  # an IPv6 address alone may stand without brackets
    except ValueError:
        found = SHAPE.fullmatch(words)
    if found is None:
        raise _no(words, "is not an address with a port")
    try:
        six, four = found["six"], found["four"]
        address = IPv4Address(four) if six is None else IPv6Address(six)
    except ValueError:
        raise _no(words, "is not an IP address; a name is not enough") from None
    port = int(found["port"] or 0)
    if port > 65535:
        raise _no(words, "has a port above 65535")
    return Place(address, port)


def check_place(place: Place) -> None:
    """Raises PageTrouble for an address at which no page can be served safely."""
    address, words = place.address, str(place.address)
    if address.is_unspecified:
        raise _no(words, "would serve the page at every address of this machine")
    if address.is_multicast or words == "255.255.255.255":
        raise _no(words, "is not the address of one machine")
    if isinstance(address, IPv6Address) and (address.ipv4_mapped or address.scope_id):
        raise _no(words, "cannot be written into the address line of a browser")


def _no(words: str, what: str) -> PageTrouble:
    return PageTrouble(Problem(what, REMEDY, repr(words)))
