"""A unit's MQTT link: a real client that keeps coming back."""

from __future__ import annotations

import asyncio
import contextlib
import logging
import random
import ssl
from collections.abc import Awaitable, Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import aiomqtt

from migrate.lab.firmware.base import MqttReply, Store

_LOG = logging.getLogger("migrate.lab.mqtt")
# The client library calls a lost link an error; here it is an everyday event.
_LOG.setLevel(logging.CRITICAL)
_ANSWER_SECONDS = 5.0
_FIRST_PAUSE, _LONGEST_PAUSE = 0.1, 1.0  # seconds between two attempts

Take = Callable[[str, bytes], Awaitable[Sequence[MqttReply]]]


class DroppableClient(aiomqtt.Client):
    """A client whose TCP link can be dropped without a DISCONNECT."""

    def vanish(self) -> None:
        """Close the socket as a device does that loses power: the broker sends the will."""
        # The public way out sends DISCONNECT, after which a broker discards the will
        # (OASIS MQTT 3.1.1, section 3.14.4), so the link below has to be closed.
        if self._client.socket() is not None:
            self._client._sock_close()
        if self._misc_task is not None:
            self._misc_task.cancel()
        for outcome in (self._connected, self._disconnected):
            if outcome.done() and not outcome.cancelled():
                outcome.exception()  # looked at, so that nobody warns about it

    def sign_off(self) -> None:
        """Send DISCONNECT, after which the broker discards the will, and close the link."""
        self._client.disconnect()

    @property
    def has_socket(self) -> bool:
        """Whether the connecting thread is done and the socket is watched by the loop."""
        return self._misc_task is not None


@dataclass(frozen=True)
class Presence:
    """The retained words a unit says about itself."""

    topic: str
    present: str
    absent: str


class MqttLink:
    """Keeps one unit connected to the broker its store names.

    ``reachable`` says whether the broker can be reached from the unit's network now;
    ``take`` gets every message and returns what to answer; ``changed`` is called
    whenever the link comes or goes, ``tried`` at each attempt to connect.
    """

    def __init__(
        self,
        store: Store,
        *,
        identifier: str,
        presence: Presence,
        bind_address: str,
        keepalive: int,
        trusted_ca: Path | None,
        topics: Callable[[], frozenset[str]],
        reachable: Callable[[], bool],
        take: Take,
        changed: Callable[[], None],
        tried: Callable[[], None],
        seed: str,
    ) -> None:
        self._store = store
        self._identifier = identifier
        self._presence = presence
        self._bind_address = bind_address
        self._keepalive = keepalive
        self._trusted_ca = trusted_ca
        self._topics = topics
        self._reachable = reachable
        self._take = take
        self._changed = changed
        self._tried = tried
        self._random = random.Random(seed)  # noqa: S311 - jitter, no secret
        self._client: DroppableClient | None = None
        self._listening: frozenset[str] = frozenset()
        self.connected = False
        self.attempts = 0

    async def keep(self) -> None:
        """Connect, serve, and start again for ever. Ends only by cancellation."""
        pause = _FIRST_PAUSE
        while True:
            if self._reachable():
                self.attempts += 1
                self._tried()
                with contextlib.suppress(aiomqtt.MqttError, OSError, ValueError):
                    await self._once()
                if self.connected:
                    self.connected = False
                    self._changed()
                    pause = _FIRST_PAUSE
            await asyncio.sleep(pause * self._random.uniform(0.8, 1.2))
            pause = min(pause * 1.5, _LONGEST_PAUSE)

    async def listen_anew(self) -> None:
        """Bring the subscriptions in line with the topics wanted now."""
        client, wanted = self._client, self._topics()
        if client is None or not self.connected or wanted == self._listening:
            return
        fresh, stale = wanted - self._listening, self._listening - wanted
        self._listening = wanted
        # A word that no topic filter can hold leaves the unit without that topic.
        for topic in sorted(fresh):
            with contextlib.suppress(aiomqtt.MqttError, ValueError):
                await client.subscribe(topic)
        for topic in sorted(stale):
            with contextlib.suppress(aiomqtt.MqttError, ValueError):
                await client.unsubscribe(topic)

    async def leave(self) -> None:
        """Say that it is absent, and disconnect: there is no will then."""
        client, presence = self._client, self._presence
        if client is not None and self.connected:
            with contextlib.suppress(aiomqtt.MqttError):
                await client.publish(presence.topic, presence.absent, qos=1, retain=True)
                client.sign_off()

    async def _once(self) -> None:
        client = self._new_client()
        entering = asyncio.ensure_future(client.__aenter__())
        try:
            # Shielded: the library connects in a thread and cannot be interrupted there.
            await asyncio.shield(entering)
            self._client = client
            await self._serve(client)
        finally:
            self._client, self._listening = None, frozenset()
            if client.has_socket:
                entering.cancel()
            entering.add_done_callback(lambda done: _drop(client, done))

    async def _serve(self, client: DroppableClient) -> None:
        self._listening = self._topics()
        for topic in sorted(self._listening):
            with contextlib.suppress(ValueError):
                await client.subscribe(topic)
        presence = self._presence
        await client.publish(presence.topic, presence.present, qos=1, retain=True)
        self.connected = True
        self._changed()
        async for message in client.messages:
            topic = str(message.topic)
            if topic not in self._listening:
                continue
            payload = message.payload if isinstance(message.payload, bytes) else b""
            for reply in await self._take(topic, payload):
                await client.publish(reply.topic, reply.payload)

    def _new_client(self) -> DroppableClient:
        store, presence = self._store, self._presence
        return DroppableClient(
            store.broker_host,
            store.broker_port,
            username=store.broker_user or None,
            password=store.broker_password or None,
            identifier=self._identifier,
            will=aiomqtt.Will(presence.topic, presence.absent, qos=0, retain=True),
            keepalive=self._keepalive,
            bind_address=self._bind_address,
            timeout=_ANSWER_SECONDS,
            tls_context=self._trust() if store.broker_secure else None,
            logger=_LOG,
        )

    def _trust(self) -> ssl.SSLContext:
        # Without a CA file the unit trusts nobody, whatever this machine trusts.
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
        if self._trusted_ca is not None:
            context.load_verify_locations(self._trusted_ca)
        return context


def _drop(client: DroppableClient, entered: asyncio.Future[DroppableClient]) -> None:
    if not entered.cancelled():
        entered.exception()  # looked at, so that nobody warns about it
    client.vanish()
