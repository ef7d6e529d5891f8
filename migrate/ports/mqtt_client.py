"""aiomqtt's client, with what a broker says by MQTT 5.0 and the library passes over.

That is: the reason in each PUBACK (section 3.4.2.1), the limits in CONNACK (section 3.2.2.3), and a
connection that ends before CONNACK, for which the library would wait until its timeout. All that is
reached into behind the library's public face stands in this file.
"""

from __future__ import annotations

import asyncio
import ssl
from collections.abc import Callable, Collection
from math import ceil
from typing import Any

import aiomqtt
from paho.mqtt.enums import MQTTErrorCode
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

V5, V311 = aiomqtt.ProtocolVersion.V5, aiomqtt.ProtocolVersion.V311
NOBODY_LISTENS = 16
"""PUBACK: the message was accepted and there are no subscribers (MQTT 5.0, section 3.4.2.1)."""
REFUSED = 128
"""From here on reason codes mean failure (MQTT 5.0, section 2.4)."""
AT_ONCE = 16
"""Messages under way to a broker at the same time, should it allow more: below the library's own
limit, so that none ever waits inside the library and leaves when nobody expects it any more."""
_NEVER_LEFT = {MQTTErrorCode.MQTT_ERR_NO_CONN, MQTTErrorCode.MQTT_ERR_QUEUE_SIZE}
_HEAD_OCTETS = 5 + 2 + 2 + 1 + 5
"""Most that a PUBLISH has beside topic and payload: fixed header, topic length, packet identifier,
and as the only property a message expiry interval (MQTT 5.0, section 3.3)."""
_OF_THE_MESSAGE = (
    "PayloadFormatIndicator",
    "MessageExpiryInterval",
    "ContentType",
    "ResponseTopic",
    "CorrelationData",
    "UserProperty",
)
NOTHING = "migrate/nothing"
"""A topic that is unsubscribed from where only the acknowledgement is wanted."""


class NotSent(Exception):
    """The message certainly did not leave; the words say why."""


class Lost(aiomqtt.MqttError):
    """The connection ended."""


class Client(aiomqtt.Client):
    """One connection to a broker; used once."""

    def __init__(self, *args: Any, **more: Any) -> None:
        self._is_v5 = more.get("protocol") is V5
        self._watched: set[str] = set()
        self._found: set[str] = set()
        self._looking = asyncio.Lock()
        self._acks: dict[int, asyncio.Future[int]] = {}
        self._limits = _properties(PacketTypes.CONNACK)
        super().__init__(*args, **more)
        self._slots = asyncio.Semaphore(AT_ONCE)
        self._disconnected.add_done_callback(self._on_end)

    async def deliver(self, topic: str, payload: bytes, end: float) -> int:
        """Publish once, never retained, and wait for the acknowledgement until `end` (the loop's
        time). Returns its reason code, 0 where the protocol has none.

        By MQTT 5.0 a message that reaches nobody by `end` is dropped by the broker, so that none is
        obeyed when nobody reckons with it any more (section 3.3.2.3.3).

        Raises NotSent if it certainly did not leave, Lost if the connection ended first,
        TimeoutError if it was not acknowledged in time.
        """
        if not topic:
            raise NotSent("the topic is empty")
        most = getattr(self._limits, "MaximumPacketSize", None)
        if most is not None and _HEAD_OCTETS + len(topic.encode()) + len(payload) > most:
            raise NotSent(f"takes no packet of more than {most} octets")
        slots = self._slots
        try:
            async with asyncio.timeout_at(end):
                await slots.acquire()
        except TimeoutError:
            raise NotSent("does not keep up with what it is sent") from None
        try:
            async with asyncio.timeout_at(end), self._looking:
                future = self._publish(topic, payload, end)
        except BaseException as error:
            slots.release()
            if isinstance(error, TimeoutError):
                raise NotSent("does not keep up with what it is asked") from None
            raise
        future.add_done_callback(lambda _: slots.release())
        either: set[asyncio.Future[Any]] = {future, self._disconnected}
        left = max(end - self._loop.time(), 0)
        await asyncio.wait(either, timeout=left, return_when=asyncio.FIRST_COMPLETED)
        if future.done():
            return future.result()
        if self._disconnected.done():
            raise Lost
        raise TimeoutError

    def _publish(self, topic: str, payload: bytes, end: float) -> asyncio.Future[int]:
        """Hand over to the library. Returns what the acknowledgement will be. Raises NotSent."""
        properties = None
        if self._is_v5:
            properties = _properties(PacketTypes.PUBLISH)
            properties.MessageExpiryInterval = max(1, ceil(end - self._loop.time()))
        qos = min(1, getattr(self._limits, "MaximumQoS", 1))
        try:
            info = self._client.publish(topic, payload, qos, False, properties)
        except ValueError:
            raise NotSent("the topic is none that can be published to") from None
        if info.rc in _NEVER_LEFT:
            raise NotSent("is not connected")
        future: asyncio.Future[int] = self._loop.create_future()
        if qos == 0:
            future.set_result(0)
        else:
            self._acks[info.mid] = future
        return future

    async def listen(self, topics: Collection[str]) -> dict[str, int]:
        """Subscribe. Returns the topics that the broker refused, with its reason (SUBACK: MQTT
        5.0, section 3.9.3; 128 by MQTT 3.1.1). Raises MqttError."""
        return await self._subscribe(topics, SubscribeOptions(qos=1), 1)

    async def kept(self, topics: Collection[str]) -> tuple[set[str], dict[str, int]]:
        """Which of these topics have a retained message, and which of them the broker refused to
        let be looked at, with its reason. Raises MqttError.

        Nothing of what is in the messages is kept. It is subscribed to them only for that moment:
        somebody who listens to a command topic for longer would hide from `deliver` that its device
        does not.
        """
        async with self._looking:
            self._watched, self._found = set(topics), set()
            refused = await self._subscribe(topics, SubscribeOptions(qos=0, noLocal=True), 0)
            # A broker works on what one client sends in order (common practice, no source; for
            # messages MQTT 5.0, section 4.6): what comes before this acknowledgement is all.
            for some in _by_fifties(sorted(set(topics) - set(refused)) or [NOTHING]):
                await self._unless_lost(self.unsubscribe(some))
            self._watched = set()
            return self._found, refused

    async def _subscribe(
        self, topics: Collection[str], options: SubscribeOptions, qos: int
    ) -> dict[str, int]:
        refused: dict[str, int] = {}
        for some in _by_fifties(sorted(topics)):
            asked: Any = [(topic, options if self._is_v5 else qos) for topic in some]
            codes = await self._unless_lost(self.subscribe(asked))
            for topic, code in zip(some, codes, strict=False):
                if (number := getattr(code, "value", code)) >= REFUSED:
                    refused[topic] = number
        return refused

    async def _unless_lost(self, call: Any) -> Any:
        """The library itself waits for an answer until its timeout, connected or not."""
        task = asyncio.ensure_future(call)
        try:
            await asyncio.wait({task, self._disconnected}, return_when=asyncio.FIRST_COMPLETED)
            if not task.done():
                raise Lost from self._disconnected.exception()
            return task.result()
        finally:
            task.cancel()

    def drop(self) -> None:
        """Close the socket, should it still be open: the library leaves it so after an error."""
        if self._client.socket() is not None:
            self._client._sock_close()

    # What the library calls

    def _on_connect(
        self, client: Any, userdata: Any, flags: Any, code: ReasonCode,
        properties: Properties | None = None,
    ) -> None:  # fmt: skip
        if properties is not None:
            self._limits = properties
        # Each message under way counts until it is acknowledged (section 3.2.2.3.3).
        self._slots = asyncio.Semaphore(
            min(AT_ONCE, getattr(properties, "ReceiveMaximum", AT_ONCE))
        )
        super()._on_connect(client, userdata, flags, code, properties)

    def _on_publish(
        self, client: Any, userdata: Any, mid: int, code: ReasonCode, properties: Properties
    ) -> None:
        future = self._acks.pop(mid, None)
        if future is not None and not future.done():
            future.set_result(code.value)
        super()._on_publish(client, userdata, mid, code, properties)

    def _on_message(self, client: Any, userdata: Any, message: Any) -> None:
        if message.topic in self._watched:
            if message.retain and message.payload:
                self._found.add(message.topic)
            return
        super()._on_message(client, userdata, message)

    def _on_disconnect(
        self, client: Any, userdata: Any, flags: Any, code: ReasonCode,
        properties: Properties | None = None,
    ) -> None:  # fmt: skip
        super()._on_disconnect(client, userdata, flags, code, properties)
        # The library may be in the thread in which it connects.
        self._loop.call_soon_threadsafe(self._end_of_waiting, aiomqtt.MqttCodeError(code))

    def _on_end(self, disconnected: asyncio.Future[None]) -> None:
        if not disconnected.cancelled() and (error := disconnected.exception()):
            self._end_of_waiting(error)

    def _end_of_waiting(self, error: BaseException) -> None:
        """A connection that is gone will bring no CONNACK."""
        if not self._connected.done():
            ended = Lost()
            ended.__cause__ = error
            self._connected.set_exception(ended)
            self._connected.exception()  # looked at, so that nobody warns about it


class Visitor(Client):
    """A client for a short visit: all that comes is handed to `take` (a message of the library's),
    and messages are published with the retain flag."""

    def __init__(self, *args: Any, take: Callable[[Any], None], **more: Any) -> None:
        self._take = take
        super().__init__(*args, **more)

    async def keep(
        self, topic: str, payload: bytes, qos: int, properties: Properties | None, seconds: float
    ) -> int:
        """Publish with the retain flag, at most `AT_ONCE` at the same time. Returns the reason code
        of the acknowledgement, 0 where there is none. Raises NotSent, Lost or TimeoutError."""
        if not getattr(self._limits, "RetainAvailable", 1):
            raise NotSent("keeps no messages (MQTT 5.0, section 3.2.2.3.5)")
        most = getattr(self._limits, "MaximumPacketSize", None)
        if most is not None and 64 + len(topic.encode()) + len(payload) > most:
            raise NotSent(f"takes no packet of more than {most} octets")
        qos = min(qos, getattr(self._limits, "MaximumQoS", 2))
        async with asyncio.timeout(seconds), self._slots:
            info = self._client.publish(topic, payload, qos, True, properties)
            if info.rc in _NEVER_LEFT:
                raise NotSent("is not connected")
            if qos == 0:
                return 0
            future: asyncio.Future[int] = self._loop.create_future()
            self._acks[info.mid] = future
            either: set[asyncio.Future[Any]] = {future, self._disconnected}
            await asyncio.wait(either, return_when=asyncio.FIRST_COMPLETED)
            if not future.done():
                raise Lost
            return future.result()

    async def subscribe_at(
        self, filters: Collection[str], qos: int, *, echo: bool = False
    ) -> dict[str, int]:
        """Subscribe at this QoS; `echo`: also to what is published here, which by MQTT 3.1.1 comes
        always. Returns the filters that the broker refused, with its reason. Raises MqttError."""
        return await self._subscribe(filters, SubscribeOptions(qos=qos, noLocal=not echo), qos)

    async def unsubscribe_from(self, filters: Collection[str]) -> None:
        """Unsubscribe, and return when the broker has acknowledged it. Raises MqttError."""
        for some in _by_fifties(sorted(filters) or [NOTHING]):
            await self._unless_lost(self.unsubscribe(some))

    def certificate_end(self) -> str | None:
        """Until when the broker's certificate is good, as `ssl.cert_time_to_seconds` reads it."""
        socket = self._client.socket()
        told = socket.getpeercert() if isinstance(socket, ssl.SSLSocket) else None
        end = told.get("notAfter") if told else None
        return end if isinstance(end, str) else None

    def _on_message(self, client: Any, userdata: Any, message: Any) -> None:
        self._take(message)


def copied_properties(message: Any) -> Properties:
    """Those of a received message that belong to the message itself (MQTT 5.0, section 3.3.2.3):
    its expiry is what is left of it."""
    made = _properties(PacketTypes.PUBLISH)
    for name in _OF_THE_MESSAGE:
        if (value := getattr(message.properties, name, None)) is not None:
            setattr(made, name, value)
    return made


def _properties(kind: int) -> Properties:
    return Properties(kind)  # type: ignore[no-untyped-call]


def _by_fifties(topics: list[str]) -> list[list[str]]:
    return [topics[start : start + 50] for start in range(0, len(topics), 50)]
