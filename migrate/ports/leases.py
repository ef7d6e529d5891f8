"""DHCP leases: from a MAC to the address it was given.

Reads the lease file of dnsmasq (dnsmasq(8), option --dhcp-leasefile): one lease a line, expiry in
seconds since 1970 (0 for never), MAC, address, host name, client identifier.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from datetime import datetime
from ipaddress import IPv4Address, IPv4Network
from pathlib import Path

from migrate.model.eui48 import parse_mac
from migrate.model.parsing import MAX_OCTETS
from migrate.ports.protocols import SideName


def parse_leases(text: str, now: float) -> dict[str, list[str]]:
    """Addresses by MAC, the lease that ends last first. Lines that are no IPv4 lease, and leases
    that ended before `now` (seconds since 1970), are passed over."""
    found: dict[str, list[tuple[float, str]]] = {}
    for line in text.splitlines():
        fields = line.split()
        if len(fields) < 3:
            continue
        try:
            expiry = float(int(fields[0]))
            mac, address = parse_mac(fields[1]), str(IPv4Address(fields[2]))
        except ValueError:
            continue
        expiry = float("inf") if expiry == 0 else expiry
        if expiry >= now:
            found.setdefault(mac, []).append((expiry, address))
    return {
        mac: [address for _, address in sorted(all_, reverse=True)] for mac, all_ in found.items()
    }


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
        self._seen: dict[Path, tuple[tuple[int, int, int], dict[str, list[str]]]] = {}

    async def addresses(self, mac: str, side: SideName) -> Sequence[str]:
        """See Finder. Only addresses inside the side's subnet, if one is declared."""
        path, subnet = self._files.get(side), self._subnets.get(side)
        if path is None:
            return ()
        return [
            address
            for address in self._leases(path).get(mac, ())
            if subnet is None or IPv4Address(address) in subnet
        ]

    def _leases(self, path: Path) -> dict[str, list[str]]:
        try:
            about = path.stat()
            mark = (about.st_mtime_ns, about.st_size, about.st_ino)
            if path not in self._seen or self._seen[path][0] != mark:
                with path.open("rb") as file:
                    text = file.read(MAX_OCTETS).decode("utf-8", "replace")
                self._seen[path] = (mark, parse_leases(text, self._now().timestamp()))
        except OSError:
            # A server that is just writing its file anew: nothing is known this moment.
            return {}
        return self._seen[path][1]
