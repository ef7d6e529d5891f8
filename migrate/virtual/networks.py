"""Networks and brokers, and what they and the units need of the house around them."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from dataclasses import dataclass, field
from ipaddress import IPv4Network
from typing import Any, Protocol

from migrate.lab.air import pairwise_key
from migrate.lab.firmware.base import MqttReply, Store
from migrate.virtual.chance import Chance


class Surroundings(Protocol):
    """The house, as what lives in it has it."""

    loop: asyncio.AbstractEventLoop
    chance: Chance

    def later(self, seconds: float, work: Callable[[], None]) -> None: ...

    def note(self, what: str, who: str) -> None: ...

    def join(self, ssid: str, key: str) -> VirtualNetwork | None: ...

    def broker_for(self, host: str, port: int) -> VirtualBroker | None: ...

    def move_in(self, unit: Any) -> None: ...

    def give_away(self, network: VirtualNetwork, address: str) -> None: ...


@dataclass(eq=False)
class VirtualNetwork:
    """One access point and its DHCP server. `leases`: address by MAC, and the loop's time from
    which it can be read in the lease file."""

    name: str
    ssid: str
    key: str
    subnet: IPv4Network
    on_air: bool = True
    leases: dict[str, tuple[str, float]] = field(default_factory=dict)
    next_host: int = 20

    def admits(self, ssid: str, key: str) -> bool:
        """Whether this name and key join it now (IEEE Std 802.11: the PSK must be the same)."""
        if not self.on_air or ssid != self.ssid or not key:
            return False
        return key == self.key or pairwise_key(ssid, key) == pairwise_key(self.ssid, self.key)

    def lease(self, mac: str, seen_from: float) -> str:
        """The address it has, or the next one that nobody has."""
        if mac not in self.leases:
            taken = {address for address, _ in self.leases.values()}
            while str(self.subnet[self.next_host]) in taken:
                self.next_host += 1
            self.leases[mac] = str(self.subnet[self.next_host]), seen_from
            self.next_host += 1
        return self.leases[mac][0]


class Client(Protocol):
    """A unit, as its broker has it."""

    running: Store
    network: VirtualNetwork | None
    broker: VirtualBroker | None

    def drop_link(self) -> None: ...

    def listens(self, topic: str) -> bool: ...

    def mqtt(self, topic: str, payload: bytes) -> tuple[MqttReply, ...]: ...


class Listener(Protocol):
    """A client of a broker that is not a unit."""

    def hear(self, topic: str, payload: bytes, *, retained: bool) -> None: ...

    def broken_off(self) -> None: ...

    def back_up(self) -> None: ...


@dataclass(eq=False)
class VirtualBroker:
    """One MQTT broker. `behind`: names of the networks from which units reach it."""

    host: str
    port: int
    username: str = ""
    password: str = ""
    behind: frozenset[str] = frozenset({"old", "new"})
    up: bool = True
    units: dict[str, Client] = field(default_factory=dict)
    listeners: list[Listener] = field(default_factory=list)
    retained: dict[str, bytes] = field(default_factory=dict)

    def lets_in(self, unit: Client) -> bool:
        """Whether a unit reaches it and is let in, by the settings it has in force."""
        running, network = unit.running, unit.network
        if not self.up or network is None or network.name not in self.behind:
            return False
        right = not self.username or (running.broker_user, running.broker_password) == (
            self.username,
            self.password,
        )
        return right and (running.broker_host, running.broker_port) == (self.host, self.port)

    def publish(self, topic: str, payload: bytes, *, retain: bool = False) -> None:
        """To whoever listens."""
        if not self.up:
            return
        if retain:
            self.retained[topic] = payload
        for listener in list(self.listeners):
            listener.hear(topic, payload, retained=False)

    def restart(self, house: Surroundings, seconds: float) -> None:
        """Down for these seconds: every connection breaks off, what is retained stays."""
        if not self.up:
            return
        self.up = False
        house.note("broker down", self.host)
        for unit in list(self.units.values()):
            unit.drop_link()
        for listener in list(self.listeners):
            listener.broken_off()

        def again() -> None:
            self.up = True
            house.note("broker up", self.host)
            for listener in list(self.listeners):
                listener.back_up()

        house.later(seconds, again)
