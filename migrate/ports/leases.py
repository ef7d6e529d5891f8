"""DHCP leases: from a MAC to the address it was given.

Reads the lease file of dnsmasq (dnsmasq(8), option --dhcp-leasefile): one lease a line, expiry in
seconds since 1970 (0 for never), MAC, address, host name, client identifier. A dnsmasq built for
machines without a clock (HAVE_BROKEN_RTC) writes the length of the lease instead of its expiry.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from ipaddress import IPv4Address, IPv4Network
from pathlib import Path

from migrate.model.eui48 import parse_mac
from migrate.model.parsing import MAX_OCTETS
from migrate.model.playbook import Side
from migrate.ports.protocols import SideName

NO_TIME_OF_DAY = 366 * 24 * 3600 * 10
"""Seconds: a smaller number is a time before 1980, so it is no expiry but the length of a lease."""


@dataclass(frozen=True)
class Lease:
    """An address and when its lease ends, in seconds since 1970; infinity where nobody can tell."""

    address: IPv4Address
    ends: float


def parse_leases(text: str) -> dict[str, list[Lease]]:
    """Leases by MAC, the one that ends last first. Lines that are no IPv4 lease are passed over.

    dnsmasq writes its file anew in place, so a reader may see the first part of it. A line that
    ends with its address may be cut off within it, and is passed over as well: a whole one has
    five fields.
    """
    found: dict[str, list[Lease]] = {}
    for line in text.splitlines():
        fields = line.split()
        if len(fields) < 4:
            continue
        try:
            ends = float(int(fields[0]))
            # The hardware type, 01 for Ethernet, may stand in front.
            mac, address = parse_mac(fields[1].removeprefix("01-")), IPv4Address(fields[2])
        except (ValueError, OverflowError):
            continue
        if ends >= 0:
            lease = Lease(address, float("inf") if ends < NO_TIME_OF_DAY else ends)
            found.setdefault(mac, []).append(lease)
    for leases in found.values():
        leases.sort(key=lambda lease: lease.ends, reverse=True)
    return found


def lease_files(sides: Mapping[SideName, Side]) -> dict[SideName, Path]:
    """The lease file of each side that has one."""
    return {name: side.leases for name, side in sides.items() if side.leases}


def unreadable(files: Mapping[SideName, Path]) -> list[str]:
    """In words, which of these lease files cannot be read now: nobody is found by such a one."""
    told = []
    for side, path in files.items():
        try:
            with path.open("rb") as file:
                file.read(1)
        except (OSError, ValueError) as error:
            why = getattr(error, "strerror", None) or "it is no path"
            told.append(
                f"the lease file of the {side} side cannot be read ({path}: {why}); until it can, "
                "no device is found by it"
            )
    return told


class LeaseFinder:
    """Finds devices in the lease files of both sides. A file is read again only when it changed."""

    def __init__(
        self,
        files: Mapping[SideName, Path],
        subnets: Mapping[SideName, IPv4Network],
        now: Callable[[], datetime],
    ) -> None:
        self._files = files
        self._subnets = subnets
        self._now = now
        self._seen: dict[Path, tuple[tuple[int, int, int], dict[str, list[Lease]]]] = {}

    async def addresses(self, mac: str, side: SideName) -> Sequence[str]:
        """See Finder. Only leases that have not ended; only addresses inside the side's subnet, if
        one is declared."""
        path, subnet = self._files.get(side), self._subnets.get(side)
        if path is None:
            return ()
        now = self._now().timestamp()
        return [
            str(lease.address)
            for lease in self._leases(path).get(mac, ())
            if lease.ends >= now and (subnet is None or lease.address in subnet)
        ]

    def _leases(self, path: Path) -> dict[str, list[Lease]]:
        try:
            about = path.stat()
            mark = (about.st_mtime_ns, about.st_size, about.st_ino)
            if path not in self._seen or self._seen[path][0] != mark:
                with path.open("rb") as file:
                    text = file.read(MAX_OCTETS).decode("utf-8", "replace")
                self._seen[path] = (mark, parse_leases(text))
        except (OSError, ValueError):
            # A server that is just writing its file anew, or a path that cannot be: nothing is
            # known this moment.
            return {}
        return self._seen[path][1]
