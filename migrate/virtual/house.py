"""The house: networks, brokers, and everything that lives in it while processes come and go."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Iterable
from datetime import UTC, datetime, timedelta

from migrate.ports.protocols import SideName
from migrate.virtual.chance import Chance
from migrate.virtual.networks import VirtualBroker, VirtualNetwork
from migrate.virtual.unit import VirtualUnit

EPOCH = datetime(2026, 1, 1, tzinfo=UTC)
"""The time of day at which every story begins."""


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

    def move_in(self, unit: VirtualUnit) -> None:
        """A unit lives here from now on."""
        self.units[unit.name] = unit

    def give_away(self, network: VirtualNetwork, address: str) -> None:
        """A unit that is on this network gets the address that another had."""
        others = [one for one in self.units.values() if one.network is network]
        if others:
            other = self.chance.random.choice(others)
            self.chance.count("address taken over")
            network.leases[other.mac] = address, self.loop.time()
            other.address = address
            self.note("address taken over", f"{other.name} {address}")

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
