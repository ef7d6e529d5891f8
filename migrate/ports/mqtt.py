"""MQTT to devices, by aiomqtt: one connection to each broker, kept up while the run lasts."""

from __future__ import annotations

import asyncio
import json
import logging
import ssl
from collections.abc import Iterable
from contextlib import AsyncExitStack
from dataclasses import dataclass, field
from pathlib import Path
from secrets import token_hex
from types import TracebackType
from typing import Self

import aiomqtt
from tenacity import AsyncRetrying, retry_if_exception_type, wait_random_exponential

from migrate.dialects.messages import MqttRequest, Reply
from migrate.model.problems import Problem, Unreachable
from migrate.model.secrets import Secret
from migrate.ports.protocols import At, NoReply, NotDelivered, SideName

MAX_PAYLOAD_OCTETS = 256 * 1024
_QUIET = logging.getLogger("migrate.mqtt")
_QUIET.setLevel(logging.ERROR)
"""What the libraries remark about their queues is nothing for the person at the keyboard."""
_REFUSED_LOGIN = {4, 5, 134, 135}
"""Return codes for a wrong or missing login: MQTT 3.1.1 table 3.1 and MQTT 5.0 section 3.2.2.2."""


@dataclass(frozen=True)
class BrokerAddress:
    """How this tool itself reaches a broker."""

    host: str
    port: int
    tls: bool = False
    ca: Path | None = None
    username: str = ""
    password: Secret | None = None


@dataclass
class _Waiter:
    """Somebody who waits for the answer to one request."""

    answer: asyncio.Future[bytes]
    expects_id: int | None


class BrokerLink:
    """One connection to one broker, with the topics that matter subscribed."""

    def __init__(self, broker: BrokerAddress, name: str, topics: Iterable[str]) -> None:
        self.broker = broker
        self.name = name
        self._topics = sorted(set(topics))
        self._client: aiomqtt.Client | None = None
        self._up = asyncio.Event()
        self._waiters: dict[str, _Waiter] = {}
        self._busy: dict[str, asyncio.Lock] = {}
        self._task: asyncio.Task[None] | None = None
        self.heard: dict[str, str] = {}
        self.watchers: dict[str, set[asyncio.Event]] = {}

    async def start(self, seconds: float) -> None:
        """Connect and subscribe. Raises Unreachable with the reason if that fails at first."""
        first: asyncio.Future[None] = asyncio.get_running_loop().create_future()
        self._task = asyncio.create_task(self._keep_up(first), name=f"broker link {self.name}")
        try:
            async with asyncio.timeout(seconds):
                await first
        except TimeoutError:
            await self.stop()
            raise Unreachable(self._trouble(f"does not answer within {seconds:g} s")) from None
        except BaseException:
            await self.stop()
            raise

    async def stop(self) -> None:
        """Disconnect."""
        if self._task is not None:
            while not self._task.done():
                # Again, should the library have swallowed it (asyncio.wait_for can, in 3.11).
                self._task.cancel()
                await asyncio.wait({self._task}, timeout=1)
            if not self._task.cancelled():
                self._task.exception()  # looked at, so that nobody warns about it
            self._task = None

    async def exchange(self, request: MqttRequest, seconds: float) -> Reply:
        """Publish, and wait for the first fresh message on the reply topic that fits."""
        lock = self._busy.setdefault(request.reply_topic, asyncio.Lock())
        async with lock:
            loop = asyncio.get_running_loop()
            waiter = _Waiter(loop.create_future(), request.expects_id)
            self._waiters[request.reply_topic] = waiter
            end = loop.time() + seconds
            try:
                client = await self._client_by(end)
                await client.publish(
                    request.topic, request.payload, qos=1, timeout=max(end - loop.time(), 0.01)
                )
                # The library waits by asyncio.wait_for, which up to Python 3.11 swallows a
                # cancellation that comes in the same moment as what it waits for. So the
                # deadline is not left to a cancellation, and a swallowed one is not lost.
                if (task := asyncio.current_task()) and task.cancelling():
                    raise asyncio.CancelledError
                await asyncio.wait({waiter.answer}, timeout=max(end - loop.time(), 0))
                if waiter.answer.done():
                    return Reply(waiter.answer.result())
                raise NoReply(f"no reply within {seconds:g} s over the {self.name} broker")
            except (aiomqtt.MqttError, ValueError):
                raise NoReply(f"the {self.name} broker broke off") from None
            finally:
                waiter.answer.cancel()
                self._waiters.pop(request.reply_topic, None)

    async def _client_by(self, end: float) -> aiomqtt.Client:
        """The connected client, waited for until `end` (the loop's time). Raises NotDelivered."""
        try:
            async with asyncio.timeout_at(end):
                await self._up.wait()
        except TimeoutError:
            pass
        if self._client is None:
            raise NotDelivered(f"the {self.name} broker is not connected")
        return self._client

    async def _keep_up(self, first: asyncio.Future[None]) -> None:
        retrying = AsyncRetrying(
            # Connecting again is harmless; a login that is refused will be refused again.
            retry=retry_if_exception_type(aiomqtt.MqttError),
            wait=wait_random_exponential(multiplier=0.2, max=10),
        )
        async for attempt in retrying:
            with attempt:
                try:
                    await self._connected(first)
                except (aiomqtt.MqttError, OSError, ValueError) as error:
                    if not first.done():
                        first.set_exception(Unreachable(self._trouble(_words(error))))
                        return
                    raise aiomqtt.MqttError("again") from None
                finally:
                    self._up.clear()
                    self._client = None

    async def _connected(self, first: asyncio.Future[None]) -> None:
        broker = self.broker
        async with aiomqtt.Client(
            broker.host,
            broker.port,
            username=broker.username or None,
            password=broker.password.reveal() if broker.password else None,
            identifier=f"migrate-{token_hex(6)}",
            tls_context=_context(broker) if broker.tls else None,
            keepalive=30,
            max_queued_outgoing_messages=10_000,
            logger=_QUIET,
        ) as client:
            for start in range(0, len(self._topics), 50):
                await client.subscribe([(topic, 1) for topic in self._topics[start : start + 50]])
            self._client = client
            self._up.set()
            if not first.done():
                first.set_result(None)
            async for message in client.messages:
                self._take(message)

    def _take(self, message: aiomqtt.Message) -> None:
        payload = message.payload
        if not isinstance(payload, bytes | bytearray) or len(payload) > MAX_PAYLOAD_OCTETS:
            return
        topic = message.topic.value
        waiter = self._waiters.get(topic)
        # A retained message on a reply topic is an answer to nobody's question.
        if waiter and not message.retain and not waiter.answer.done() and _fits(waiter, payload):
            waiter.answer.set_result(bytes(payload))
        self.heard[topic] = bytes(payload[:200]).decode("utf-8", "replace")
        for event in self.watchers.get(topic, ()):
            event.set()

    def _trouble(self, what: str) -> Problem:
        return Problem(
            f"the {self.name} broker {what}",
            f"check host, port, user name and password under [{_key(self.name)}]",
            where=f"{self.broker.host}:{self.broker.port}",
        )


@dataclass
class MqttLine:
    """The links to both sides' brokers; one link serves both where the broker stays the same.

    An async context manager; `seconds` bound the first connection to each broker.
    """

    links: dict[SideName, BrokerLink]
    seconds: float = 10
    _stack: AsyncExitStack = field(default_factory=AsyncExitStack)

    async def __aenter__(self) -> Self:
        try:
            for link in {id(link): link for link in self.links.values()}.values():
                await link.start(self.seconds)
                self._stack.push_async_callback(link.stop)
        except BaseException:
            await self._stack.aclose()
            raise
        return self

    async def __aexit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        await self._stack.aclose()

    async def exchange(self, request: MqttRequest, at: At, seconds: float) -> Reply:
        """See Line."""
        link = self.links.get(at.side)
        if link is None:
            raise NotDelivered(f"no broker is declared for the {at.side} side")
        return await link.exchange(request, seconds)

    def last(self, topic: str, side: SideName) -> str | None:
        """See Presence."""
        link = self.links.get(side)
        return link.heard.get(topic) if link else None

    async def change(self, topic: str, seconds: float) -> None:
        """See Presence."""
        event = asyncio.Event()
        links = list({id(link): link for link in self.links.values()}.values())
        for link in links:
            link.watchers.setdefault(topic, set()).add(event)
        try:
            async with asyncio.timeout(seconds):
                await event.wait()
        except TimeoutError:
            pass
        finally:
            for link in links:
                link.watchers[topic].discard(event)


def _fits(waiter: _Waiter, payload: bytes | bytearray) -> bool:
    """Whether a message can be the answer; JSON-RPC answers carry the id of their request, and
    an error about a request that did not parse carries null (JSON-RPC 2.0 section 5)."""
    if waiter.expects_id is None:
        return True
    try:
        said = json.loads(payload)
    except (ValueError, RecursionError):
        return True
    if not isinstance(said, dict) or "method" in said:
        return False
    return said.get("id") in (waiter.expects_id, None)


class _BadCa(ValueError):
    """A CA file that cannot be used; the words say why."""


def _context(broker: BrokerAddress) -> ssl.SSLContext:
    try:
        return ssl.create_default_context(cafile=str(broker.ca) if broker.ca else None)
    except ssl.SSLError:
        raise _BadCa(f"its CA file {broker.ca} holds no certificate in PEM form") from None
    except (OSError, ValueError) as error:
        words = getattr(error, "strerror", None) or "not a path"
        raise _BadCa(f"its CA file {broker.ca} cannot be read: {words}") from None


def _words(error: Exception) -> str:
    code = getattr(error, "rc", None)
    number = getattr(code, "value", code)
    if number in _REFUSED_LOGIN:
        return "refuses the user name or password"
    if isinstance(error, _BadCa):
        return f"cannot be checked: {error}"
    cause: BaseException | None = error
    while cause is not None:
        if isinstance(cause, ssl.SSLCertVerificationError):
            return f"shows a certificate that does not verify ({cause.verify_message})"
        if isinstance(cause, ssl.SSLError):
            return "does not speak TLS as asked"
        cause = cause.__cause__ or cause.__context__
    return "cannot be reached"


def _key(name: str) -> str:
    return "broker" if name == "new" else "old.broker"
