"""A short visit to a broker: what is it, what does it let through, what does it keep?

A visitor has a client identifier of its own, a clean session and no will, so that nothing of it
stays behind and no device loses its session to it (MQTT 5.0, sections 3.1.2.4, 3.1.2.5, 3.1.4).
"""

from __future__ import annotations

import asyncio
import hashlib
import socket
import ssl
from collections.abc import AsyncIterator, Callable, Collection
from contextlib import AsyncExitStack, asynccontextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime
from secrets import token_hex
from typing import Any

import aiomqtt

from migrate.planning.broker_move import Mark
from migrate.ports.broker import (
    BrokerAddress,
    context,
    is_refused_login,
    is_wrong_certificate,
    may_be_older,
    refusal,
    why,
)
from migrate.ports.mqtt import _QUIET, MAX_PAYLOAD_OCTETS, SILENT_SECONDS
from migrate.ports.mqtt_client import (
    NOBODY_LISTENS,
    REFUSED,
    V5,
    V311,
    Lost,
    NotSent,
    Visitor,
    copied_properties,
)

QOS_AT_ONCE = 400
"""Below what brokers commonly queue for one client (common practice, no source)."""
MOST_HELD_OCTETS = 64 * 1024 * 1024
"""Payloads that are held in memory at the same time."""


class NoVisit(Exception):
    """The broker could not be visited, or the visit broke off. The words come after "the broker";
    `refused`: it does not let this login in; `distrusted`: its certificate does not verify."""

    def __init__(
        self, words: str, remedy: str = "", *, refused: bool = False, distrusted: bool = False
    ) -> None:
        super().__init__(words)
        self.remedy = remedy
        self.refused = refused
        self.distrusted = distrusted


@dataclass
class Letter:
    """A retained message. Its payload is never shown."""

    topic: str
    payload: bytes = field(repr=False)
    properties: Any = None
    qos: int | None = None


@dataclass
class Listing:
    """What a broker keeps under some filters: marks by topic, the messages themselves if they are
    asked for, and those that were too long or too much to be held."""

    marks: dict[str, Mark] = field(default_factory=dict)
    letters: dict[str, Letter] = field(default_factory=dict)
    unheld: set[str] = field(default_factory=set)
    refused: dict[str, int] = field(default_factory=dict)
    octets: int = 0


class Visit:
    """What is done while a visitor is connected."""

    def __init__(self, version: str, seconds: float) -> None:
        self.version = version
        self.seconds = seconds
        self.client: Visitor
        self.kept_words: dict[str, bytes] = {}
        self.fresh: dict[str, list[bytes]] = {}
        self.came = asyncio.Event()
        self.nobody: set[str] = set()
        self._listing: Listing | None = None
        self._hold = False
        self._levels: dict[str, int] | None = None

    @property
    def is_v5(self) -> bool:
        """Whether MQTT 5.0 is spoken."""
        return self.version == "5.0"

    @property
    def certificate_end(self) -> datetime | None:
        """Until when the broker's certificate is good; None without TLS."""
        told = self.client.certificate_end()
        return datetime.fromtimestamp(ssl.cert_time_to_seconds(told), UTC) if told else None

    async def listen(self, topics: Collection[str], *, echo: bool = False) -> dict[str, str]:
        """Subscribe to topics; `echo`: also to what is said here. Returns those that the broker
        refused, with its reason in words."""
        with _told(self.seconds):
            refused = await self.client.subscribe_at(topics, 1, echo=echo) if topics else {}
        return {topic: refusal(code) for topic, code in refused.items()}

    async def ignore(self, topics: Collection[str]) -> None:
        """No longer listen to topics, and forget what came there."""
        with _told(self.seconds):
            await self.client.unsubscribe_from(set(topics))
        for topic in topics:
            self.fresh.pop(topic, None)

    async def say(self, topic: str, payload: bytes) -> str:
        """Publish once, not retained. Returns why the broker does not take it, empty if it does."""
        end = asyncio.get_running_loop().time() + self.seconds
        try:
            code = await self.client.deliver(topic, payload, end)
        except NotSent as error:
            return str(error)
        except TimeoutError:
            return "it did not acknowledge it"
        except Lost:
            return "it ended the connection"
        if code == NOBODY_LISTENS:
            self.nobody.add(topic)
        return refusal(code) if code >= REFUSED else ""

    async def until(self, topics: Collection[str], seconds: float) -> set[str]:
        """Those of the topics on which something fresh has come; waits for all, at most so long."""
        await self._while(lambda: any(topic not in self.fresh for topic in topics), seconds)
        return {topic for topic in topics if topic in self.fresh}

    async def _while(self, lacking: Callable[[], bool], seconds: float) -> None:
        """Wait while this holds, at most so long; it is asked at each message that comes."""
        loop = asyncio.get_running_loop()
        end = loop.time() + seconds
        while lacking() and loop.time() < end:
            self.came.clear()
            wait = asyncio.ensure_future(self.came.wait())
            await asyncio.wait({wait}, timeout=end - loop.time())
            wait.cancel()

    async def kept(self, filters: Collection[str], *, hold: bool) -> Listing:
        """What the broker keeps under these filters. `hold`: the messages themselves as well."""
        self._listing, self._hold = Listing(), hold
        listing = self._listing
        try:
            with _told(self.seconds):
                # QoS 0: of those a broker puts no more into a queue than it has (it may drop what
                # a queue has no room for; MQTT 5.0, section 4.9 only limits those above).
                listing.refused = await self.client.subscribe_at(filters, 0)
                await self.client.unsubscribe_from(set(filters) - set(listing.refused))
        finally:
            self._listing = None
        return listing

    async def learn_qos(self, letters: Collection[Letter]) -> None:
        """With which QoS they were published: a broker tells it to whom subscribes with the
        highest (MQTT 5.0, section 3.8.4). Those that are gone meanwhile keep None."""
        ordered = sorted(letters, key=lambda letter: letter.topic)
        for start in range(0, len(ordered), QOS_AT_ONCE):
            some = {letter.topic: letter for letter in ordered[start : start + QOS_AT_ONCE]}
            self._levels = {}
            with _told(self.seconds):
                refused = await self.client.subscribe_at(some, 2)
                await self._until_levels(set(some) - set(refused))
                await self.client.unsubscribe_from(set(some) - set(refused))
            for topic, letter in some.items():
                letter.qos = self._levels.get(topic)
        self._levels = None

    async def _until_levels(self, topics: set[str]) -> None:
        await self._while(
            lambda: self._levels is not None and bool(topics - self._levels.keys()), self.seconds
        )

    async def keep(self, letter: Letter) -> str:
        """Have a message kept. Returns why it is not taken, empty if it is."""
        properties = letter.properties if self.is_v5 else None
        try:
            code = await self.client.keep(
                letter.topic, letter.payload, letter.qos or 0, properties, self.seconds
            )
        except NotSent as error:
            return str(error)
        except TimeoutError:
            return "it did not acknowledge it"
        except Lost:
            return "it ended the connection"
        return refusal(code) if code >= REFUSED else ""

    def take(self, message: Any) -> None:
        """Called with each message that comes."""
        topic, payload = message.topic, bytes(message.payload)
        if self._levels is not None:
            if message.retain:
                self._levels[topic] = message.qos
        elif self._listing is not None:
            if message.retain and payload:
                self._list(self._listing, message, topic, payload)
        elif message.retain:
            self.kept_words[topic] = payload[:200]
        elif len(payload) <= MAX_PAYLOAD_OCTETS:
            self.fresh.setdefault(topic, []).append(payload)
        self.came.set()

    def _list(self, listing: Listing, message: Any, topic: str, payload: bytes) -> None:
        if topic in listing.marks:
            return  # once for each of two filters that overlap
        listing.marks[topic] = Mark(len(payload), hashlib.sha256(payload).digest())
        if not self._hold:
            return
        fits = listing.octets + len(payload) <= MOST_HELD_OCTETS
        if len(payload) > MAX_PAYLOAD_OCTETS or not fits:
            listing.unheld.add(topic)
            return
        listing.octets += len(payload)
        properties = copied_properties(message) if self.is_v5 else None
        listing.letters[topic] = Letter(topic, payload, properties)


class _told:  # noqa: N801 - reads as words
    """Turns what the libraries raise into NoVisit."""

    def __init__(self, seconds: float) -> None:
        self._seconds = seconds

    def __enter__(self) -> None:
        return None

    def __exit__(self, kind: object, error: BaseException | None, trace: object) -> None:
        if isinstance(error, aiomqtt.MqttError | OSError | TimeoutError):
            raise NoVisit(*why(error, self._seconds)) from None


@asynccontextmanager
async def visit(broker: BrokerAddress, seconds: float) -> AsyncIterator[Visit]:
    """Connect, by MQTT 5.0 or else 3.1.1, and disconnect at the end. Raises NoVisit."""
    async with AsyncExitStack() as stack:
        try:
            made = await _enter(stack, broker, seconds, V5)
        except NoVisit as error:
            if error.__cause__ is None or not may_be_older(error.__cause__):
                raise NoVisit(
                    str(error), error.remedy, refused=error.refused, distrusted=error.distrusted
                ) from None
            made = await _enter(stack, broker, seconds, V311)
        yield made


async def _enter(
    stack: AsyncExitStack, broker: BrokerAddress, seconds: float, version: aiomqtt.ProtocolVersion
) -> Visit:
    made = Visit("5.0" if version is V5 else "3.1.1", seconds)
    try:
        client = Visitor(
            broker.host,
            broker.port,
            username=broker.username or None,
            password=broker.password.reveal() if broker.password else None,
            identifier=f"migrate{token_hex(6)}",
            protocol=version,
            tls_context=context(broker) if broker.tls else None,
            keepalive=30,
            max_queued_outgoing_messages=10_000,
            timeout=min(seconds, SILENT_SECONDS) if version is V5 else seconds,
            logger=_QUIET,
            # Many small packets, each waited for: none is to wait for another (RFC 9293, 3.7.4).
            socket_options=[(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)],
            take=made.take,
            **({"clean_start": True} if version is V5 else {"clean_session": True}),
        )
        made.client = client
        stack.callback(client.drop)
        await client.__aenter__()
    except (aiomqtt.MqttError, OSError, ValueError) as error:
        words, remedy = why(error, seconds)
        raise NoVisit(
            words,
            remedy,
            refused=is_refused_login(error),
            distrusted=is_wrong_certificate(error),
        ) from error
    stack.push_async_callback(_leave, client)
    return made


async def _leave(client: Visitor) -> None:
    try:
        await client.__aexit__(None, None, None)
    except aiomqtt.MqttError:
        return  # it had ended before
