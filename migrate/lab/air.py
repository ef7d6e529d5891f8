"""The air: which networks can be joined, and what can be reached from each.

A network here is one access point with its key and its subnet. Joining needs the
right name and the right key and nothing else. What a network reaches is written
down explicitly, host by host, so that a unit can never send anything to an address
nobody put into the lab.
"""

from __future__ import annotations

import asyncio
import hashlib
import re
from collections.abc import Iterable, Sequence
from functools import lru_cache
from ipaddress import IPv4Address, IPv4Network
from pathlib import Path

_HEX_KEY = re.compile(r"[0-9A-Fa-f]{64}")


@lru_cache(maxsize=1024)
def pairwise_key(ssid: str, key: str) -> bytes:
    """The 32-octet PSK that a passphrase or a 64-hex-digit key stands for.

    PBKDF2-HMAC-SHA1, 4096 rounds, salt = the octets of the SSID
    (IEEE Std 802.11, passphrase to PSK mapping).
    """
    if _HEX_KEY.fullmatch(key):
        return bytes.fromhex(key)
    return hashlib.pbkdf2_hmac("sha1", key.encode(), ssid.encode(), 4096, 32)


class Network:
    """One access point: a name, a key, a subnet and the lease file of its DHCP server."""

    def __init__(
        self, name: str, ssid: str, secret: str, subnet: IPv4Network, lease_file: Path
    ) -> None:
        self.name = name
        self.ssid = ssid
        self.secret = secret
        self.subnet = subnet
        self.lease_file = lease_file
        self._on_air = True
        self._silent = asyncio.Event()

    def __repr__(self) -> str:
        return f"Network({self.name!r}, ssid={self.ssid!r}, on_air={self._on_air})"

    @property
    def on_air(self) -> bool:
        """Whether the access point is switched on. Switching it off makes its units leave."""
        return self._on_air

    @on_air.setter
    def on_air(self, value: bool) -> None:
        self._on_air = value
        if value:
            self._silent.clear()
        else:
            self._silent.set()

    async def until_off_air(self) -> None:
        """Return when the access point is switched off."""
        await self._silent.wait()

    def admits(self, ssid: str, key: str) -> bool:
        """Whether this name and key join this network now."""
        if not self._on_air or ssid != self.ssid or not key:
            return False
        return key == self.secret or pairwise_key(ssid, key) == pairwise_key(ssid, self.secret)

    def holds(self, address: IPv4Address, mask: str) -> bool:
        """Whether whoever has this address and mask can be reached on this network."""
        return address in self.subnet and mask == str(self.subnet.netmask)


class Air:
    """All networks of the lab, and the hosts behind them."""

    def __init__(self, networks: Sequence[Network], *, routed: bool = False) -> None:
        self.networks = tuple(networks)
        self.routed = routed
        self._hosts: dict[tuple[str, int], set[str]] = {}

    def place_host(self, host: str, port: int, networks: Iterable[Network]) -> None:
        """Put a host (one address and TCP port) behind the given networks."""
        self._hosts.setdefault((host, port), set()).update(n.name for n in networks)

    def join(self, ssid: str, key: str) -> Network | None:
        """The network that lets a unit in with this name and key; None if there is none."""
        for network in self.networks:
            if network.admits(ssid, key):
                return network
        return None

    def can_reach(self, network: Network, host: str, port: int) -> bool:
        """Whether a unit on ``network`` reaches ``host`` and ``port``.

        False for every host that was never placed: nothing leaves the lab.
        """
        behind = self._hosts.get((host, port))
        if behind is None:
            return False
        return self.routed or network.name in behind
