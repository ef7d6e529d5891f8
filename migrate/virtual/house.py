"""The house: networks, brokers, and everything that lives in it while processes come and go."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from ipaddress import IPv4Network
from typing import TYPE_CHECKING, Protocol

from migrate.lab.air import pairwise_key
from migrate.ports.protocols import SideName
from migrate.virtual.chance import Chance

if TYPE_CHECKING:
    from migrate.virtual.unit import VirtualUnit

EPOCH = datetime(2026, 1, 1, tzinfo=UTC)
"""The time of day at which every story begins."""


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
    units: dict[str, VirtualUnit] = field(default_factory=dict)
    listeners: list[Listener] = field(default_factory=list)
    retained: dict[str, bytes] = field(default_factory=dict)

    def lets_in(self, unit: VirtualUnit) -> bool:
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

    def restart(self, house: House, seconds: float) -> None:
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


class House:
    """Everything there is beside the tool. `story`: what happened, in order; time, what, who."""

    def __init__(
        self,
        networks: dict[SideName, VirtualNetwork],
        brokers: dict[SideName, VirtualBroker],
        chance: Chance,
    ) -> None:
        self.loop = asyncio.get_running_loop()
        self.networks = networks
        self.brokers = brokers
        self.chance = chance
        self.units: dict[str, VirtualUnit] = {}
        self.offset = timedelta()
        self.story: list[tuple[float, str, str]] = []
        self.watchers: list[Callable[[str, str], None]] = []

    def now(self) -> datetime:
        """The time of day, as the tool's machine has it; `offset` is moved when it is set."""
        return EPOCH + timedelta(seconds=self.loop.time()) + self.offset

    def later(self, seconds: float, work: Callable[[], None]) -> None:
        """Do this after so many seconds of virtual time."""
        self.loop.call_later(seconds, work)

    def note(self, what: str, who: str) -> None:
        """One line of the story; whoever watches is told."""
        self.story.append((self.loop.time(), what, who))
        for watcher in self.watchers:
            watcher(what, who)

    def join(self, ssid: str, key: str) -> VirtualNetwork | None:
        """The network that lets a unit in."""
        return next((one for one in self._networks() if one.admits(ssid, key)), None)

    def at(self, address: str) -> VirtualUnit | None:
        """Who answers at this address now; the last to come, where two have it."""
        found = None
        for unit in self.units.values():
            if unit.address == address and unit.network is not None:
                found = unit if found is None or unit.joined_at > found.joined_at else found
        return found

    def broker_for(self, host: str, port: int) -> VirtualBroker | None:
        """The broker of this name, if there is one."""
        brokers = self.brokers.values()
        return next((one for one in brokers if (one.host, one.port) == (host, port)), None)

    def blackout(self, name: SideName, seconds: float) -> None:
        """An access point is off the air for these seconds."""
        network = self.networks[name]
        if not network.on_air:
            return
        network.on_air = False
        self.note("off air", network.name)
        for unit in self.units.values():
            if unit.network is network:
                unit.leave()
                unit.look_for_network(self.chance.random.uniform(1, 5))

        def again() -> None:
            network.on_air = True
            self.note("on air", network.name)

        self.later(seconds, again)

    def where(self, name: str) -> SideName | None:
        """On which side's network a unit is. With one network for both, that of the broker it
        talks to; old, where the broker is one as well."""
        unit = self.units[name]
        sides: list[SideName] = [s for s in ("old", "new") if self.networks[s] is unit.network]
        if len(sides) == 2 and unit.broker is not None:
            by_broker: list[SideName] = [s for s in sides if self.brokers.get(s) is unit.broker]
            return by_broker[0] if by_broker else None
        return sides[0] if sides else None

    def _networks(self) -> Iterable[VirtualNetwork]:
        return {id(one): one for one in self.networks.values()}.values()
