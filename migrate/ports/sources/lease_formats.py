"""Lease files of three DHCP servers, read as text. What is no lease in them is passed over.

* dnsmasq (dnsmasq(8), option --dhcp-leasefile): one lease a line, expiry in seconds since 1970 (0
  for never), MAC, address, host name, client identifier. A dnsmasq built for machines without a
  clock (HAVE_BROKEN_RTC) writes the length of the lease instead of its expiry.
* ISC dhcpd (dhcpd.leases(5)): blocks `lease ADDRESS { ... }`; the last one of an address is in
  force; times in UTC, or `epoch SECONDS`, or `never`.
* Kea (its administrator reference, memfile): CSV with a header; rows are appended, so the last one
  of an address is in force; state 0 is an assigned lease, a lifetime of 0 a deleted one.
"""

from __future__ import annotations

import re
from calendar import timegm
from collections.abc import Iterator
from dataclasses import dataclass
from ipaddress import IPv4Address

from migrate.model.eui48 import parse_mac

NO_TIME_OF_DAY = 366 * 24 * 3600 * 10
"""Seconds: a smaller number is a time before 1980, so it is no expiry but the length of a lease."""
LONGEST_NAME = 253
"""Octets of a host name (RFC 1035, section 2.3.4, without the length octets)."""
_QUOTED = r'"(?:[^"\\\n]|\\.)*+"'
"""A client chooses what stands in quotes: semicolons and braces in it are letters."""
_BLOCK = re.compile(
    rf'^[ \t]*+lease[ \t]+([0-9.]{{7,15}})[ \t]*\{{((?:[^{{}}"]|{_QUOTED})*+)\}}', re.MULTILINE
)
_ISC = re.compile(
    r"^[ \t]*(?:lease[ \t]+[0-9.]+[ \t]*\{|server-duid\b|authoring-byte-order\b|failover\b)",
    re.MULTILINE,
)
_ON_EVENT = re.compile(r"^[ \t]*on[ \t][^{};\n]*\{[^{}]*\}", re.MULTILINE)
"""What the server is to do at the end of a lease, in braces of its own."""
_STATEMENT = re.compile(
    rf'(?:^|(?<=;))[ \t]*+([a-z][a-z-]*+)[ \t]++((?:[^;"\n]|{_QUOTED})*+);', re.MULTILINE
)
_DATE = re.compile(r"[0-6] (\d{4,6})/(\d{1,2})/(\d{1,2}) (\d{1,2}):(\d{1,2}):(\d{1,2})")
_KEA_SIGN = re.compile(r"&#x([0-9a-fA-F]{2})")
"""How Kea writes a comma in a value, as &#x2c (its administrator reference, memfile)."""
_EPOCH = re.compile(r"epoch (\d{1,18})")


@dataclass(frozen=True)
class Lease:
    """An address and when its lease ends, in seconds since 1970; infinity where nobody can tell.
    `name`: the host name that the client gave, empty if none."""

    address: IPv4Address
    ends: float
    name: str = ""


def parse_leases(head: str, text: str | None = None) -> dict[str, list[Lease]]:
    """Leases by MAC, the one that ends last first, in whichever of the three formats. `head`: the
    first lines, by which the format is known; `text`: what is read as leases, if that is not all.

    A server may be writing the file just now, so that a reader sees the first part of it: a lease
    that is cut off is passed over.
    """
    whole = text is None
    text = head if text is None else text
    if head.lstrip().startswith("address,hwaddr"):
        first, _, rest = head.lstrip().partition("\n")
        read = _kea(first, rest if whole else text)
    elif _ISC.search(head):
        read = _isc(text)
    else:
        read = _dnsmasq(text)
    found: dict[str, list[Lease]] = {}
    for mac, lease in read:
        if lease.ends < 0:
            continue  # a date before 1970 is none that a server of today wrote
        found.setdefault(mac, []).append(lease)
    for leases in found.values():
        leases.sort(key=lambda lease: lease.ends, reverse=True)
    return found


def _dnsmasq(text: str) -> Iterator[tuple[str, Lease]]:
    for line in text.split("\n"):
        fields = line.split()
        # A line that ends with its address may be cut off within it: a whole one has five fields.
        if len(fields) < 4:
            continue
        try:
            ends = float(int(fields[0]))
            # The hardware type, 01 for Ethernet, may stand in front.
            mac, address = parse_mac(fields[1].removeprefix("01-")), IPv4Address(fields[2])
        except (ValueError, OverflowError):
            continue
        if ends >= 0:
            yield mac, Lease(address, _never_small(ends), _name(fields[3]))


def _never_small(ends: float) -> float:
    return float("inf") if ends < NO_TIME_OF_DAY else ends


def _isc(text: str) -> Iterator[tuple[str, Lease]]:
    last: dict[str, tuple[str, Lease] | None] = {}
    for block in _BLOCK.finditer(_ON_EVENT.sub("", text)):
        said = {found[1]: found[2].strip() for found in _STATEMENT.finditer(block[2])}
        # `binding state` begins with a word that others begin with as well: it is looked for whole.
        state = re.search(r"^[ \t]*binding state (\w+);", block[2], re.MULTILINE)
        kind, _, hardware = said.get("hardware", "").partition(" ")
        ends = _isc_time(said.get("ends", ""))
        last[block[1]] = None
        if state and state[1] != "active":
            continue
        try:
            mac, address = parse_mac(hardware), IPv4Address(block[1])
        except ValueError:
            continue
        if kind == "ethernet" and ends is not None:
            name = _name(said.get("client-hostname", "").strip('"'))
            last[block[1]] = (mac, Lease(address, ends, name))
    yield from (one for one in last.values() if one)


def _isc_time(text: str) -> float | None:
    if text == "never":
        return float("inf")
    if found := _EPOCH.match(text):
        return float(found[1])
    if found := _DATE.fullmatch(text):
        try:
            return float(timegm(tuple(int(part) for part in found.groups())))
        except (ValueError, OverflowError):
            return None
    return None


def _kea(header: str, text: str) -> Iterator[tuple[str, Lease]]:
    last: dict[str, tuple[str, Lease] | None] = {}
    rows = text.split("\n")  # no other line end: a client chooses its host name
    names = [name.strip() for name in header.split(",")]
    for number, row in enumerate(rows, 1):
        cells = row.removesuffix("\r").split(",")
        said = dict(zip(names, cells, strict=False))
        if len(cells) == len(names):
            last[said.get("address", "")] = _kea_lease(said)
        elif number < len(rows):
            last[said.get("address", "")] = None
        # Else the last row is cut off, perhaps within its address: it says nothing of any.
    yield from (one for one in last.values() if one)


def _kea_lease(said: dict[str, str]) -> tuple[str, Lease] | None:
    try:
        mac, address = parse_mac(said["hwaddr"]), IPv4Address(said["address"])
        ends, lifetime = float(int(said["expire"])), int(said["valid_lifetime"])
    except (KeyError, ValueError, OverflowError):
        return None
    if said.get("state", "0") not in ("0", "") or lifetime <= 0:
        return None
    # A lifetime of 2^32-1 never ends (RFC 2131, section 3.3).
    ends = float("inf") if lifetime == 2**32 - 1 else ends
    return mac, Lease(
        address, ends, _name(_KEA_SIGN.sub(_kea_sign, said.get("hostname", "")).rstrip("."))
    )


def _kea_sign(found: re.Match[str]) -> str:
    return chr(int(found[1], 16))


def _name(text: str) -> str:
    plain = text != "*" and text.isprintable() and len(text) <= LONGEST_NAME
    return text if plain else ""
