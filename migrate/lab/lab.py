"""The lab: two networks, their brokers, and a fleet of simulated units on loopback."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from enum import Enum
from ipaddress import IPv4Address
from types import TracebackType
from typing import Literal, Self

from migrate.lab.air import Air, Network
from migrate.lab.brokers import EmbeddedBroker, MosquittoBroker, RunningBroker
from migrate.lab.dhcp import DhcpServer
from migrate.lab.firmware.base import Store
from migrate.lab.ports import free_port, free_ports, two_networks_possible
from migrate.lab.specs import SideSpec, UnitSpec
from migrate.lab.unit import Unit
from migrate.lab.world import World

Where = Literal["old", "new", "nowhere"]
BrokerMaker = Callable[[SideSpec], RunningBroker]
_ONE_ADDRESS = IPv4Address("127.0.0.1")
_OLD_POOL, _NEW_POOL = 11, 101


class BrokerKind(Enum):
    """Which broker the lab starts for its sides."""

    EMBEDDED = "embedded"
    MOSQUITTO = "mosquitto"
    NONE = "none"


def make_embedded(side: SideSpec) -> RunningBroker:
    """An EmbeddedBroker as the side describes it."""
    return EmbeddedBroker(
        side.broker_host,
        side.broker_port,
        side.broker_username,
        side.broker_password,
        side.broker_tls,
    )


def make_mosquitto(side: SideSpec) -> RunningBroker:
    """A MosquittoBroker as the side describes it."""
    return MosquittoBroker(
        side.broker_host,
        side.broker_port,
        side.broker_username,
        side.broker_password,
        side.broker_tls,
    )


class Lab:
    """Simulated units with real sockets; enter it with ``async with``.

    Entering starts the brokers and all units on the old side and returns when every
    unit is up, or has been and sleeps again. ``old`` and ``new`` are the sides as they
    really are: on a machine with a single loopback address they differ from what was asked
    for, and ``shows`` says in words what the lab then no longer shows. Both sides with the
    same broker host and port have one broker, reachable from both networks; with the same
    subnet and lease file they share one DHCP server (one access point that changes its key).
    """

    def __init__(
        self,
        units: Sequence[UnitSpec],
        old: SideSpec,
        new: SideSpec,
        *,
        group: str = "house",
        http_port: int = 8080,
        routed: bool = False,
        seed: int = 0,
        brokers: BrokerKind | BrokerMaker = BrokerKind.EMBEDDED,
        new_on_air: bool = True,
        one_address: bool | None = None,
        start_seconds: float = 30.0,
    ) -> None:
        self.one_address = not two_networks_possible() if one_address is None else one_address
        self.old, self.new = self._sides_that_can_be(old, new)
        self.old_network = Network("old", old.ssid, old.secret, old.subnet, old.lease_file)
        self.new_network = Network("new", new.ssid, new.secret, new.subnet, new.lease_file)
        self.new_network.on_air = new_on_air
        self.air = Air([self.old_network, self.new_network], routed=routed)
        self._world = World(self.air, self._dhcp_servers(), seed=seed)
        self._start_seconds = start_seconds
        self._brokers = brokers
        self.old_broker: RunningBroker | None = None
        self.new_broker: RunningBroker | None = None
        ports = free_ports(len(units)) if self.one_address else [http_port] * len(units)
        self.units: dict[str, Unit] = {}
        for spec, port in zip(units, ports, strict=True):
            if spec.name in self.units:
                raise ValueError(f"two units are called {spec.name}")
            store = self._first_store(spec, spec.group if spec.group is not None else group)
            self.units[spec.name] = Unit(spec, store, self._world, port)

    @property
    def dhcp(self) -> dict[str, DhcpServer]:
        """The DHCP servers of the networks, by ``old`` and ``new``."""
        return dict(self._world.dhcp)

    @property
    def shows(self) -> str:
        """In words: what is real here, and what this machine cannot show."""
        if self.one_address:
            return (
                "This machine has one loopback address. Every unit is told apart by its "
                "port, which it keeps over the move: changing addresses, separate "
                "subnets and finding a unit by its new lease are not shown."
            )
        return (
            "Two loopback networks: a unit that moves comes back at another address, "
            "leased by the network it joined."
        )

    def flip(self) -> None:
        """The access point is changed: the old network goes off the air as the new one comes on.
        With one name and one subnet for both it is one access point with another passphrase."""
        self.old_network.on_air = not self.old_network.on_air
        self.new_network.on_air = not self.new_network.on_air

    def where(self, name: str) -> Where:
        """On which side a unit is now."""
        network = self.units[name].network
        if network is None:
            return "nowhere"
        return "old" if network is self.old_network else "new"

    async def wait_until(
        self, predicate: Callable[[], object], timeout: float | None = 30.0
    ) -> None:
        """Return as soon as ``predicate()`` is true; it is asked at every change.

        Raises TimeoutError after ``timeout`` seconds, RuntimeError when the program of a
        unit fails.
        """
        broken = self._world.broken
        await self._world.changed.until(lambda: broken or predicate(), timeout)
        if broken:
            name, error = broken[0]
            raise RuntimeError(f"the lab's unit {name} failed") from error

    async def __aenter__(self) -> Self:
        try:
            await self._start_brokers()
            for server in self.dhcp.values():
                server.start()
            for unit in self.units.values():
                unit.power_on()
            await self._until_all_up()
        except BaseException:
            await self._stop()
            raise
        return self

    async def __aexit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        await self._stop()

    async def _until_all_up(self) -> None:
        units = self.units.values()
        try:
            await self.wait_until(
                lambda: all(unit.has_been_up for unit in units), self._start_seconds
            )
        except TimeoutError:
            late = [
                f"{unit.name}: {unit.history[-1][1]}, {unit.broker_attempts} tries for the broker"
                for unit in units
                if not unit.has_been_up
            ]
            raise TimeoutError(
                f"{len(late)} units did not come up: {'; '.join(late[:5])}"
            ) from None

    async def _stop(self) -> None:
        await asyncio.gather(*(unit.power_off() for unit in self.units.values()))
        for broker in self._running_brokers():
            with contextlib.suppress(OSError):
                await broker.stop()

    async def _start_brokers(self) -> None:
        make = self._brokers
        if isinstance(make, BrokerKind):
            if make is BrokerKind.NONE:
                return
            make = make_mosquitto if make is BrokerKind.MOSQUITTO else make_embedded
        old, new = self.old, self.new
        if old.broker_host:
            self.old_broker = make(old)
        if new.broker_host:
            same = (old.broker_host, old.broker_port) == (new.broker_host, new.broker_port)
            self.new_broker = self.old_broker if same else make(new)
        sides = (self.old_network, self.old), (self.new_network, self.new)
        for network, side in sides:
            if side.broker_host:
                self.air.place_host(side.broker_host, side.broker_port, [network])
        for broker in self._running_brokers():
            await broker.start()

    def _running_brokers(self) -> Iterator[RunningBroker]:
        if self.old_broker is not None:
            yield self.old_broker
        if self.new_broker is not None and self.new_broker is not self.old_broker:
            yield self.new_broker

    def _sides_that_can_be(self, old: SideSpec, new: SideSpec) -> tuple[SideSpec, SideSpec]:
        if not self.one_address:
            return old, new
        one = str(_ONE_ADDRESS)
        same = (old.broker_host, old.broker_port) == (new.broker_host, new.broker_port)
        here = replace(old, broker_host=one if old.broker_host else "")
        there = replace(new, broker_host=one if new.broker_host else "")
        if not same and old.broker_port == new.broker_port:
            there = replace(there, broker_port=free_port())
        return here, there

    def _dhcp_servers(self) -> dict[str, DhcpServer]:
        shared = self.old.subnet == self.new.subnet and self.old.lease_file == self.new.lease_file
        if self.old.subnet.overlaps(self.new.subnet) and not shared:
            raise ValueError("the two subnets overlap and have a lease file each")
        servers: dict[str, DhcpServer] = {}
        reserved = [
            IPv4Address(side.broker_host)
            for side in (self.old, self.new)
            if _is_address(side.broker_host)
        ]
        for network, side, default in (
            (self.old_network, self.old, _OLD_POOL),
            (self.new_network, self.new, _NEW_POOL),
        ):
            if shared and servers:
                # One access point that changes its key keeps its DHCP server.
                servers[network.name] = servers[self.old_network.name]
                continue
            servers[network.name] = DhcpServer(
                network,
                pool_start=default if side.pool_start is None else side.pool_start,
                reserved=reserved,
                only=_ONE_ADDRESS if self.one_address else None,
            )
        return servers

    def _first_store(self, spec: UnitSpec, group: str) -> Store:
        old = self.old
        broker = spec.uses_broker and self._has_broker
        return Store(
            wifi_name=old.ssid,
            wifi_key=old.secret,
            broker_host=old.broker_host if broker else "",
            broker_port=old.broker_port,
            broker_secure=old.broker_tls is not None,
            broker_user=old.broker_username or "",
            broker_password=old.broker_password or "",
            group=group,
            fixed_address=spec.fixed_address,
            fixed_mask=str(old.subnet.netmask) if spec.fixed_address else "",
            fixed_gateway=str(old.subnet[1]) if spec.fixed_address else "",
        )

    @property
    def _has_broker(self) -> bool:
        return bool(self.old.broker_host) and self._brokers is not BrokerKind.NONE


def _is_address(host: str) -> bool:
    try:
        IPv4Address(host)
    except ValueError:
        return False
    return True
