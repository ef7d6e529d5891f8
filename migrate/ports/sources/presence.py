"""Devices that say on a broker that they are there, on the presence topics that dialects name.

A presence topic tells the device's own topic; asked by its dialect's read, it tells its MAC.
"""

from __future__ import annotations

import asyncio
import re
from collections.abc import AsyncIterator, Iterable, Mapping
from contextlib import suppress
from dataclasses import dataclass, replace
from ipaddress import IPv4Address
from itertools import count

from migrate.dialects import compose
from migrate.dialects.messages import HttpRequest
from migrate.dialects.parts import PLACES
from migrate.dialects.schema import Dialect
from migrate.dialects.understand import NotUnderstood, readings
from migrate.model.eui48 import parse_mac
from migrate.model.fleet import Device
from migrate.model.mqtt import topic_fault
from migrate.model.sights import Sight, Source
from migrate.ports.broker import BrokerAddress
from migrate.ports.mqtt import BrokerLink
from migrate.ports.protocols import NoReply, NotDelivered
from migrate.ports.sources.identify import NOBODY

CONNECT_SECONDS = 10.0
AT_ONCE = 16
MOST = 20_000
"""Topics that are heard of; a broker of a home has fewer (common practice, no source)."""
_idents = count(1)


@dataclass(frozen=True)
class Template:
    """A topic of a dialect with placeholders, as a filter to subscribe to and as a pattern."""

    filter: str
    pattern: re.Pattern[str]

    @classmethod
    def of(cls, template: str) -> Template:
        """A wildcard stands for a whole level (MQTT 5.0, section 4.7.1.3), so a level that holds a
        placeholder is one, and the pattern sorts out what does not belong."""
        levels = template.split("/")
        asked = "/".join("+" if "{" in level else level for level in levels)
        known: set[str] = set()

        def part(text: str) -> str:
            if text[:1] != "{":
                return re.escape(text)
            name = text[1:-1]
            if name in known:
                return f"(?P={name})"
            known.add(name)
            return f"(?P<{name}>[^/]+)"

        pattern = "".join(part(one) for one in re.split(r"(\{[^{}]*\})", template))
        return cls(asked, re.compile(pattern))

    def words(self, topic: str) -> dict[str, str] | None:
        """What stands for the placeholders in a topic; None if it is another's."""
        found = self.pattern.fullmatch(topic)
        return found.groupdict() if found else None


async def present(
    broker: BrokerAddress, dialects: Mapping[str, Dialect], seconds: float, reply_seconds: float
) -> AsyncIterator[Sight]:
    """Listen for so many seconds, then ask everybody who was heard, `reply_seconds` for each.

    One that says it is away, or does not answer, is a sight without a MAC. Raises Unreachable if
    the broker cannot be had.
    """
    heard_by = {
        name: Template.of(dialect.presence.topic)
        for name, dialect in dialects.items()
        if dialect.presence
    }
    answered_by = {
        name: Template.of(dialect.read.mqtt.reply)
        for name, dialect in dialects.items()
        if name in heard_by and dialect.read.mqtt
    }
    if not heard_by:
        return
    topics = [one.filter for one in (*heard_by.values(), *answered_by.values())]
    link = BrokerLink(broker, "old", topics)
    await link.start(CONNECT_SECONDS)
    try:
        await asyncio.sleep(seconds)  # who keeps no word there says one now and then
        where = f"{broker.host}:{broker.port}"
        asking = [
            (dialects[name], words, link.heard[topic])
            for topic in sorted(link.heard)[:MOST]
            for name, template in heard_by.items()
            if (words := template.words(topic)) is not None
        ]
        gate = asyncio.Semaphore(AT_ONCE)
        tasks = [
            asyncio.create_task(_ask(link, gate, *one, where, reply_seconds)) for one in asking
        ]
        try:
            for next_ in asyncio.as_completed(tasks):
                yield await next_
        finally:
            for task in tasks:
                task.cancel()
            await asyncio.gather(*tasks, return_exceptions=True)
    finally:
        await link.stop()


async def _ask(
    link: BrokerLink,
    gate: asyncio.Semaphore,
    dialect: Dialect,
    words: Mapping[str, str],
    said: str,
    where: str,
    seconds: float,
) -> Sight:
    mac = None
    with suppress(ValueError):
        mac = parse_mac(words.get("mac", ""))
    topic = words.get("topic")
    sight = Sight(
        Source.PRESENCE,
        mac,
        name=words.get("name", ""),
        topic=topic,
        dialect=dialect.name,
        where=where,
    )
    place = dialect.read.mqtt
    if place is None or (dialect.presence and said == dialect.presence.offline):
        return sight
    needed = {name for text in (place.topic, place.reply) for name in _placeholders(text)}
    if not needed <= words.keys() or (topic and topic_fault(topic)):
        return sight
    try:
        device = Device(
            name=words.get("name", "stranger"),
            mac=mac or NOBODY,
            dialect=dialect.name,
            via="mqtt",
            topic=topic or "stranger",
        )
    except ValueError:  # what stands in the topic can be no name
        return sight
    request = compose.ask(dialect, dialect.read, device, "mqtt", next(_idents))
    if isinstance(request, HttpRequest):
        return sight
    async with gate:
        with suppress(NotDelivered, NoReply, NotUnderstood):
            reply = await link.exchange(request, seconds)
            read = readings(dialect, reply, request.expects_id)
            return replace(
                sight,
                mac=read.mac,
                address=_address(read.address),
                firmware=read.firmware,
                proven=True,
            )
    return sight


def _address(told: str | None) -> str | None:
    """What it tells of its address, if that is one; 0.0.0.0 says "none yet" (RFC 1122)."""
    with suppress(ValueError):
        address = IPv4Address(told or "")
        return None if address.is_unspecified else str(address)
    return None


def _placeholders(template: str) -> Iterable[str]:
    return (name for name in PLACES if "{" + name + "}" in template)
