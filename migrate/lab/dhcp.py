"""A DHCP server's memory: who has which address, written as dnsmasq writes it.

One line for each lease, as dnsmasq keeps it in its lease file:
``<expiry, seconds since 1970> <MAC, lower case, colons> <address> <host name or *> *``.
A unit that leaves keeps its lease, as in life: an address in the file does not
prove that anybody answers there.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from ipaddress import IPv4Address
from itertools import chain

from migrate.lab.air import Network


class PoolExhaustedError(RuntimeError):
    """No free address is left in the subnet."""


@dataclass(frozen=True)
class Lease:
    """One lease. ``expiry`` in seconds since 1970."""

    expiry: int
    mac: str
    address: IPv4Address
    hostname: str


class DhcpServer:
    """Leases addresses of one network and keeps its lease file up to date.

    ``pool_start`` is the offset of the first address leased, counted from the
    network's address; ``reserved`` are never leased; ``only`` (for machines with one
    loopback address) is given to everybody.
    """

    def __init__(
        self,
        network: Network,
        *,
        pool_start: int = 11,
        lease_seconds: int = 3600,
        reserved: Iterable[IPv4Address] = (),
        only: IPv4Address | None = None,
        now: Callable[[], float] = time.time,
    ) -> None:
        self.network = network
        self._pool_start = pool_start
        self._lease_seconds = lease_seconds
        self._reserved = frozenset(reserved)
        self._only = only
        self._now = now
        self._leases: dict[str, Lease] = {}
        self.in_use: set[IPv4Address] = set()
        """Addresses that somebody has without having asked: a server that looks before it leases
        (RFC 2131, section 2.2: it should probe) does not give them away."""

    @property
    def leases(self) -> dict[str, Lease]:
        """All leases by MAC (lower case, colons)."""
        return dict(self._leases)

    def start(self) -> None:
        """Have the lease file there, without a lease yet, as a server that starts does."""
        self._write()

    def lease(self, mac: str, hostname: str) -> IPv4Address:
        """The address of this MAC: the one it has, or the next free one.

        Raises PoolExhaustedError when the subnet is full.
        """
        mac = _colons(mac)
        held = self._leases.get(mac)
        address = held.address if held else self._only or self._free_address()
        expiry = int(self._now()) + self._lease_seconds
        self._leases[mac] = Lease(expiry, mac, address, hostname or "*")
        self._write()
        return address

    def release(self, mac: str) -> None:
        """Forget the lease of this MAC. Nothing happens if it has none."""
        if self._leases.pop(_colons(mac), None) is not None:
            self._write()

    def _free_address(self) -> IPv4Address:
        subnet = self.network.subnet
        size = subnet.num_addresses
        taken = {lease.address for lease in self._leases.values()} | self._reserved | self.in_use
        for offset in chain(range(self._pool_start, size - 1), range(1, self._pool_start)):
            address = subnet.network_address + offset
            if address not in taken and 1 <= offset < size - 1:
                return address
        raise PoolExhaustedError(f"no free address in {subnet}")

    def _write(self) -> None:
        path = self.network.lease_file
        fresh = path.with_name(path.name + ".new")
        fresh.write_text(
            "".join(
                f"{lease.expiry} {lease.mac} {lease.address} {lease.hostname} *\n"
                for lease in self._leases.values()
            ),
            encoding="ascii",
        )
        fresh.replace(path)  # atomic (POSIX rename): a reader sees all of it or all of the last


def _colons(mac: str) -> str:
    return mac.lower().replace("-", ":")
