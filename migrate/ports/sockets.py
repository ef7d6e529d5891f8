"""The real world: HTTP and MQTT sockets, lease files, the time of day."""

from __future__ import annotations

from collections.abc import AsyncIterator, Callable, Iterable, Mapping
from contextlib import asynccontextmanager
from dataclasses import dataclass
from datetime import UTC, datetime

from migrate.dialects.messages import HttpRequest, Reply, Request
from migrate.model.playbook import Broker, Side
from migrate.model.secrets import Secret, SecretRef
from migrate.ports.broker import BrokerAddress
from migrate.ports.http import HttpLine
from migrate.ports.mqtt import BrokerLink
from migrate.ports.mqtt_line import MqttLine
from migrate.ports.protocols import At, SideName, World
from migrate.ports.sources.leases import LeaseFinder, lease_files


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
) -> AsyncIterator[World]:
    """Open everything. `brokers` are the sides whose broker is connected to, `topics` what is
    listened to there; those of `must_hear` it must be possible to hear. Raises Unreachable when a
    broker cannot be had."""
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
        finder = LeaseFinder(lease_files(sides), subnets, now)
        yield World(Sockets(http, mqtt), finder, mqtt, now, brokers=mqtt)


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
