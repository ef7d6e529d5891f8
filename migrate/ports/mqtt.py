"""MQTT to devices, by aiomqtt: one connection to each broker, kept up while the run lasts.

MQTT 5.0 where the broker speaks it, since only by that does a broker say why it does not pass a
message on; else MQTT 3.1.1.
"""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Collection, Iterable
from secrets import token_hex

import aiomqtt
from tenacity import (
    AsyncRetrying,
    RetryCallState,
    retry_if_exception_type,
    wait_random_exponential,
)

from migrate.dialects.messages import MqttRequest, Reply
from migrate.model.problems import Problem, Unreachable
from migrate.ports.broker import (
    BrokerAddress,
    Unheard,
    context,
    is_refused_login,
    may_be_older,
    refusal,
    why,
)
from migrate.ports.mqtt_client import NOBODY_LISTENS, REFUSED, V5, V311, Client, Lost, NotSent
from migrate.ports.protocols import HearRetained, NoReply, NotDelivered, Retained, SideName
from migrate.ports.waiting import Waiter, Watchers

MAX_PAYLOAD_OCTETS = 256 * 1024
_QUIET = logging.getLogger("migrate.mqtt")
_QUIET.setLevel(logging.CRITICAL)
"""What the libraries remark is nothing for the person at the keyboard: what matters is told."""
REFUSED_PAUSE_SECONDS = 60.0
"""After a refused login: it will be refused again, and some brokers lock out who keeps trying."""
STEADY_SECONDS = 10.0
"""A connection that lasted so long was a good one; the next is made without delay again."""
LOOK_AGAIN_SECONDS = 30.0
"""Between two looks for retained messages on command topics while a run lasts."""
SILENT_SECONDS = 3.0
"""After so long without an answer the older protocol is tried."""
_ANEW = wait_random_exponential(multiplier=0.2, max=10)
_LISTENS_SOON = wait_random_exponential(multiplier=0.1, min=0.1, max=1)


class _Down(Exception):
    """The connection could not be made, or did not last; the words say why, after "the broker"."""

    def __init__(self, words: str, remedy: str, *, refused: bool) -> None:
        super().__init__(words)
        self.remedy = remedy
        self.refused = refused


def _pause(state: RetryCallState) -> float:
    """Seconds until the next attempt to connect."""
    error = state.outcome.exception() if state.outcome else None
    if isinstance(error, _Down) and error.refused:
        return REFUSED_PAUSE_SECONDS
    return _ANEW(state)


class BrokerLink:
    """One connection to one broker, with the topics that matter subscribed. Each connection has a
    client identifier of its own, so that no two runs can take each other's session (MQTT 5.0,
    section 3.1.4). `must_hear`: without these topics the start is refused."""

    def __init__(
        self,
        broker: BrokerAddress,
        name: SideName,
        topics: Iterable[str],
        must_hear: Iterable[str] = (),
    ) -> None:
        self.broker = broker
        self.name: SideName = name
        self._topics = sorted(set(topics))
        self._must_hear = set(must_hear)
        self._version = V5
        self._client: Client | None = None
        self._up = asyncio.Event()
        self._since: float | None = None
        self._why = ""
        self._login_refused = False
        self._unheard: dict[str, int] = {}
        self._waiters: dict[str, Waiter] = {}
        self._busy: dict[str, asyncio.Lock] = {}
        self._task: asyncio.Task[None] | None = None
        self._seconds = 10.0
        self._watched: set[str] = set()
        self._hear: HearRetained = _nobody
        self._found: set[str] = set()
        self.heard: dict[str, str] = {}
        self.heard_at: dict[str, float] = {}
        self.watchers: Watchers = {}

    async def start(self, seconds: float) -> None:
        """Connect and subscribe. Raises Unreachable with the reason if that fails at first."""
        first: asyncio.Future[None] = asyncio.get_running_loop().create_future()
        self._seconds = seconds
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
        loop = asyncio.get_running_loop()
        try:
            async with asyncio.timeout(seconds):
                await lock.acquire()
        except TimeoutError:
            raise NotDelivered("an earlier message still waits for its answer") from None
        end = loop.time() + seconds
        waiter = Waiter(loop.create_future(), request.expects_id)
        self._waiters[request.reply_topic] = waiter
        try:
            took = await self._publish(request, end)
            # The libraries wait by asyncio.wait_for, which up to Python 3.11 swallows a
            # cancellation that comes in the same moment as what it waits for. So the deadline is
            # not left to a cancellation, and a swallowed one is not lost.
            if (task := asyncio.current_task()) and task.cancelling():
                raise asyncio.CancelledError
            await asyncio.wait({waiter.answer}, timeout=max(end - loop.time(), 0))
            if waiter.answer.done():
                return Reply(waiter.answer.result())
            raise NoReply(f"no reply within {seconds:g} s over the {self.name} broker, {took}")
        finally:
            waiter.answer.cancel()
            self._waiters.pop(request.reply_topic, None)
            lock.release()

    async def _publish(self, request: MqttRequest, end: float) -> str:
        """Publish until somebody listens: while the broker says that nobody does, as between two
        connections of a device, again is harmless. Returns in words what the broker made of it.
        Raises NotDelivered."""
        loop, tries = asyncio.get_running_loop(), RetryCallState(AsyncRetrying(), None, (), {})
        while True:
            client = await self._client_by(end)
            if code := self._unheard.get(request.reply_topic):
                raise NotDelivered(
                    f"the {self.name} broker does not let this login subscribe to "
                    f"{request.reply_topic} ({refusal(code)}), so no answer could be heard"
                )
            try:
                code = await client.deliver(request.topic, request.payload, end)
            except NotSent as error:
                raise NotDelivered(f"the {self.name} broker: {error}") from None
            except Lost:
                return "which broke off"
            except (TimeoutError, aiomqtt.MqttError):
                return "which did not say that it took the message"
            if code >= REFUSED:
                raise NotDelivered(
                    f"the {self.name} broker does not take a message for {request.topic} from "
                    f"this login ({refusal(code)})"
                )
            if code != NOBODY_LISTENS:
                return "which took the message"
            pause = _LISTENS_SOON(tries)
            tries.attempt_number += 1
            if loop.time() + pause >= end:
                await asyncio.sleep(max(end - loop.time(), 0))
                raise NotDelivered(f"nobody listens to {request.topic} at the {self.name} broker")
            await asyncio.sleep(pause)

    async def _client_by(self, end: float) -> Client:
        """The connected client, waited for until `end` (the loop's time). Raises NotDelivered."""
        if not self._login_refused:
            try:
                async with asyncio.timeout_at(end):
                    await self._up.wait()
            except TimeoutError:
                pass
        if self._client is None:
            reason = f": it {self._why}" if self._why else ""
            raise NotDelivered(f"the {self.name} broker is not connected{reason}")
        return self._client

    async def retained(self, topics: Collection[str], hear: HearRetained) -> Retained:
        """Look for retained messages, now and every LOOK_AGAIN_SECONDS; see Brokers."""
        end = asyncio.get_running_loop().time() + self._seconds
        try:
            client = await self._client_by(end)
            async with asyncio.timeout_at(end):
                found, refused = await client.kept(topics)
        except (NotDelivered, TimeoutError, aiomqtt.MqttError):
            self._watched = set()  # or it would end each connection on it, as some do
            return Retained((), f"the {self.name} broker could not be asked for retained messages")
        self._watched, self._found, self._hear = set(topics) - set(refused), found, hear
        unseen = ""
        if refused:
            one = min(refused)
            unseen = (
                f"the {self.name} broker does not let this login look for retained messages on "
                f"{one} ({refusal(refused[one])})"
            )
            unseen += f" and {len(refused) - 1} more topics" if len(refused) > 1 else ""
        return Retained(tuple((topic, self.name) for topic in sorted(found)), unseen)

    async def _look_again(self, client: Client) -> None:
        """Tell of retained messages that were not there at the last look."""
        while True:
            watched, self._watched = self._watched, set()
            if watched:
                try:
                    found, _ = await client.kept(watched)
                except aiomqtt.MqttError:
                    return  # and not again, should the connection have ended on it
                self._watched = watched
                for topic in sorted(found - self._found):
                    self._hear(topic, self.name)
                self._found = found
            await asyncio.sleep(LOOK_AGAIN_SECONDS)

    async def _keep_up(self, first: asyncio.Future[None]) -> None:
        while True:
            # Anew after each connection that lasted: an earlier trouble makes no later one longer.
            retrying = AsyncRetrying(retry=retry_if_exception_type(_Down), wait=_pause)
            async for attempt in retrying:
                with attempt:
                    try:
                        await self._connect(first)
                    except _Down as down:
                        self._why, self._login_refused = str(down), down.refused
                        if not first.done():
                            first.set_exception(Unreachable(self._trouble(str(down), down.remedy)))
                            return
                        raise

    async def _connect(self, first: asyncio.Future[None]) -> None:
        """Connect, by the older protocol if the broker does not know the newer, and stay connected.
        Returns when a connection that was steady has ended. Raises _Down."""
        loop = asyncio.get_running_loop()
        while True:
            self._since = None
            try:
                await self._connected(first)
            except (aiomqtt.MqttError, OSError, ValueError) as error:
                was_up = self._since is not None
                if not was_up and self._version is V5 and may_be_older(error):
                    self._version = V311
                    continue
                if not was_up:
                    self._version = V5  # or the broker was only just starting
                words, remedy = why(error, self._seconds)
                self._why = words
                if self._since is not None and loop.time() - self._since >= STEADY_SECONDS:
                    return
                raise _Down(words, remedy, refused=is_refused_login(error)) from None
            finally:
                self._up.clear()
                self._client = None

    async def _connected(self, first: asyncio.Future[None]) -> None:
        broker = self.broker
        client = Client(
            broker.host,
            broker.port,
            username=broker.username or None,
            password=broker.password.reveal() if broker.password else None,
            # Letters and digits, 23 at most: what every broker takes (MQTT 5.0, section 3.1.3.1).
            identifier=f"migrate{token_hex(6)}",
            protocol=self._version,
            tls_context=context(broker) if broker.tls else None,
            keepalive=30,
            max_queued_outgoing_messages=10_000,
            timeout=self._answer_seconds(),
            logger=_QUIET,
        )
        try:
            async with client:
                await self._serve(client, first)
        finally:
            client.drop()

    def _answer_seconds(self) -> float:
        """How long the broker has for an answer. Some that know only the older protocol are silent
        when they are asked by the newer, so both must have their turn in the whole time."""
        most = SILENT_SECONDS if self._version is V5 else self._seconds
        return min(self._seconds * 0.45, most)

    async def _serve(self, client: Client, first: asyncio.Future[None]) -> None:
        self._unheard = await client.listen(self._topics)
        if missing := self._must_hear & self._unheard.keys():
            raise Unheard(min(missing), self._unheard[min(missing)])
        self._client, self._since = client, asyncio.get_running_loop().time()
        self._why, self._login_refused = "", False
        self._up.set()
        if not first.done():
            first.set_result(None)
        again = asyncio.create_task(self._look_again(client), name=f"retained {self.name}")
        try:
            async for message in client.messages:
                self._take(message)
        finally:
            again.cancel()

    def _take(self, message: aiomqtt.Message) -> None:
        payload = message.payload
        if not isinstance(payload, bytes | bytearray) or len(payload) > MAX_PAYLOAD_OCTETS:
            return
        topic = message.topic.value
        waiter = self._waiters.get(topic)
        # A retained message on a reply topic is an answer to nobody's question.
        if waiter and not message.retain and not waiter.answer.done() and waiter.takes(payload):
            waiter.answer.set_result(bytes(payload))
        self.heard[topic] = bytes(payload[:200]).decode("utf-8", "replace")
        if not message.retain:
            self.heard_at[topic] = asyncio.get_running_loop().time()
        for event in self.watchers.get(topic, ()):
            event.set()

    def _trouble(self, what: str, remedy: str = "") -> Problem:
        return Problem(
            f"the {self.name} broker {what}",
            (f"{remedy}; " if remedy else "")
            + f"check host, port, user name and password under [{_key(self.name)}]",
            where=f"{self.broker.host}:{self.broker.port}",
        )


def _nobody(topic: str, side: SideName) -> None:
    """Nobody is told."""


def _key(name: str) -> str:
    return "broker" if name == "new" else "old.broker"
