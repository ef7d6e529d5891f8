"""The real world: HTTP and MQTT sockets, lease files, the time of day."""

from __future__ import annotations

from collections.abc import AsyncIterator, Callable, Collection, Iterable, Mapping
from contextlib import asynccontextmanager
from dataclasses import dataclass
from datetime import UTC, datetime

from migrate.dialects.messages import HttpRequest, Reply, Request
from migrate.dialects.schema import Dialect
from migrate.model.playbook import Broker, Search, Side
from migrate.model.secrets import Secret, SecretRef
from migrate.ports.broker import BrokerAddress
from migrate.ports.http import HttpLine
from migrate.ports.mqtt import BrokerLink
from migrate.ports.mqtt_line import MqttLine
from migrate.ports.protocols import At, Finder, SideName, World
from migrate.ports.sources.finder import AskingFinder, EveryWay, NeighbourFinder
from migrate.ports.sources.leases import LeaseFinder, lease_files

ONLY_LEASES = Search(ways=("leases",))


@dataclass(frozen=True)
class Sockets:
    """Sends each request over the transport it was composed for."""

    http: HttpLine
    mqtt: MqttLine

    async def exchange(self, request: Request, at: At, seconds: float) -> Reply:
        """See Line."""
        if isinstance(request, HttpRequest):
            return await self.http.exchange(request, at, seconds)
        return await self.mqtt.exchange(request, at, seconds)


def now() -> datetime:
    """The time of day, in UTC."""
    return datetime.now(UTC)


@asynccontextmanager
async def real_world(
    sides: Mapping[SideName, Side],
    brokers: Iterable[SideName],
    topics: Iterable[str],
    resolve: Callable[[SecretRef], Secret],
    must_hear: Iterable[str] = (),
    search: Search = ONLY_LEASES,
    dialects: Mapping[str, Dialect] | None = None,
    shy: Collection[str] = (),
) -> AsyncIterator[World]:
    """Open everything. `brokers` are the sides whose broker is connected to, `topics` what is
    listened to there; those of `must_hear` it must be possible to hear. `search`: the ways of
    finding a device; `dialects` those that a sweep asks by, `shy` the MACs of devices that ask for
    a login. Raises Unreachable when a broker cannot be had."""
    wanted, must = list(topics), list(must_hear)
    links: dict[SideName, BrokerLink] = {}
    for name in brokers:
        broker = sides[name].broker
        if broker is None:
            continue
        other = next((n for n in links if sides[n].broker == broker), None)
        if other:
            links[name] = links[other]
        else:
            links[name] = BrokerLink(broker_address(broker, resolve), name, wanted, must)
    subnets = {n: s.subnet for n, s in sides.items() if s.subnet}
    async with HttpLine() as http, MqttLine(links) as mqtt:
        line = Sockets(http, mqtt)
        # Where a device was before is no matter of ways: the old side's file is always looked into.
        files = lease_files(sides)
        if "leases" not in search.ways:
            files.pop("new", None)
        finders: list[Finder] = [LeaseFinder(files, subnets, now)]
        if "neighbours" in search.ways:
            finders.append(NeighbourFinder(subnets))
        asking = None
        subnet = subnets.get("new")
        if subnet and {"sweep", "dns-sd"} & set(search.ways):
            asking = AskingFinder(search, subnet, dialects or {}, line, shy)
            finders.append(asking)
        try:
            yield World(line, EveryWay(finders), mqtt, now, brokers=mqtt)
        finally:
            if asking:
                await asking.stop()


def broker_address(broker: Broker, resolve: Callable[[SecretRef], Secret]) -> BrokerAddress:
    """As this tool logs in: with its own credentials if the owner gave it some."""
    login = broker.own or broker
    return BrokerAddress(
        broker.host,
        broker.port,
        broker.tls,
        broker.ca,
        login.username,
        resolve(login.password) if login.password else None,
    )
