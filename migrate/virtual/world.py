"""What one process of the tool sees of the house: a line, a finder and presence, all in memory."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import UTC
from typing import Protocol

from migrate.dialects.messages import HttpRequest, MqttRequest, Reply, Request
from migrate.ports.protocols import At, NoReply, NotDelivered, SideName, World
from migrate.ports.waiting import Waiter, Watchers, until_heard
from migrate.virtual.house import House
from migrate.virtual.networks import Client, VirtualBroker

GARBAGE = b"<!doctype html><title>Busy</title>"


class Watch(Protocol):
    """Whoever looks on from outside. It may raise, and so cut the process off at that step."""

    def leaving(self, request: Request, at: At) -> None:
        """Just before a message leaves."""
        ...

    def answered(self, request: Request) -> None:
        """Just after its answer came."""
        ...


class BrokerEar:
    """The tool's one connection to one broker: what it hears, and who waits for what."""

    def __init__(self, house: House, broker: VirtualBroker) -> None:
        self.house = house
        self.broker = broker
        self.up = asyncio.Event()
        self.heard: dict[str, str] = {}
        self.heard_at: dict[str, float] = {}
        self.waiters: dict[str, Waiter] = {}
        self.busy: dict[str, asyncio.Lock] = {}
        self.watchers: Watchers = {}
        self.open = False

    def start(self) -> None:
        """Connect and subscribe."""
        self.open = True
        self.broker.listeners.append(self)
        if self.broker.up:
            self._subscribe()

    def stop(self) -> None:
        """The process ends."""
        self.open = False
        self.broker.listeners.remove(self)

    def _subscribe(self) -> None:
        if not self.open or not self.broker.up:
            return
        self.up.set()
        for topic, payload in self.broker.retained.items():
            self.hear(topic, payload, retained=True)

    def broken_off(self) -> None:
        """See Listener."""
        self.up.clear()

    def back_up(self) -> None:
        """See Listener."""
        self.house.later(self.house.chance.random.uniform(0.2, 3.0), self._subscribe)

    def hear(self, topic: str, payload: bytes, *, retained: bool) -> None:
        """See Listener. An answer is the first fresh message on its topic that can be one."""
        if not self.up.is_set():
            return
        waiter = self.waiters.get(topic)
        if waiter and not retained and not waiter.answer.done() and waiter.takes(payload):
            waiter.answer.set_result(payload)
        self.heard[topic] = payload[:200].decode("utf-8", "replace")
        if not retained:
            self.heard_at[topic] = self.house.loop.time()
        for event in self.watchers.get(topic, ()):
            event.set()


@dataclass
class VirtualWorld:
    """The ports of one process. Enter it with `with`; what is under way goes on after it."""

    house: House
    watch: Watch
    ears: dict[SideName, BrokerEar] = field(default_factory=dict)

    def __enter__(self) -> VirtualWorld:
        made: dict[int, BrokerEar] = {}
        for side, broker in self.house.brokers.items():
            made.setdefault(id(broker), BrokerEar(self.house, broker))
            self.ears[side] = made[id(broker)]
        for ear in made.values():
            ear.start()
        return self

    def __exit__(self, *error: object) -> None:
        for ear in {id(ear): ear for ear in self.ears.values()}.values():
            ear.stop()

    @property
    def world(self) -> World:
        """As the engine takes it."""
        return World(self, self, self, self.house.now, UTC)

    # Finder

    async def addresses(self, mac: str, side: SideName) -> Sequence[str]:
        """See Finder."""
        address, seen_from = self.house.networks[side].leases.get(mac, ("", 0.0))
        return [address] if address and self.house.loop.time() >= seen_from else []

    # Presence

    def last(self, topic: str, side: SideName) -> str | None:
        """See Presence."""
        ear = self.ears.get(side)
        return ear.heard.get(topic) if ear else None

    def heard_at(self, topic: str, side: SideName) -> float | None:
        """See Presence."""
        ear = self.ears.get(side)
        return ear.heard_at.get(topic) if ear else None

    async def change(self, topic: str, seconds: float) -> None:
        """See Presence."""
        ears = {id(ear): ear for ear in self.ears.values()}.values()
        await until_heard([ear.watchers for ear in ears], topic, seconds)

    # Line

    async def exchange(self, request: Request, at: At, seconds: float) -> Reply:
        """See Line."""
        self.watch.leaving(request, at)
        if isinstance(request, HttpRequest):
            reply = await self._by_http(request, at, seconds)
        else:
            reply = await self._by_mqtt(request, at, seconds)
        self.watch.answered(request)
        return reply

    async def _by_http(self, request: HttpRequest, at: At, seconds: float) -> Reply:
        house, chance = self.house, self.house.chance
        if house.at(at.address) is None or chance.happens("deaf"):
            await asyncio.sleep(chance.random.uniform(0.05, seconds))
            raise NotDelivered(f"nothing answers at {at}")
        answer: asyncio.Future[Reply] = house.loop.create_future()
        headers = {name.lower(): value for name, value in request.headers}

        def arrive() -> None:
            unit = house.at(at.address)
            if unit is None or chance.happens("lost"):
                return
            if chance.happens("garbled"):
                back(Reply(GARBAGE, 200))
                return
            said = unit.http(request.method, request.target, headers, request.body)
            if not chance.happens("unheard"):
                back(Reply(said.body, said.status))

        def back(reply: Reply) -> None:
            house.later(chance.delay(), lambda: None if answer.done() else answer.set_result(reply))

        house.later(chance.delay(), arrive)
        await asyncio.wait({answer}, timeout=seconds)
        if answer.done():
            return answer.result()
        answer.cancel()
        raise NoReply(f"no reply within {seconds:g} s from {at}")

    async def _by_mqtt(self, request: MqttRequest, at: At, seconds: float) -> Reply:
        house, chance = self.house, self.house.chance
        ear = self.ears.get(at.side)
        if ear is None:
            raise NotDelivered(f"no broker is declared for the {at.side} side")
        async with ear.busy.setdefault(request.reply_topic, asyncio.Lock()):
            end = house.loop.time() + seconds
            waiter = Waiter(house.loop.create_future(), request.expects_id)
            ear.waiters[request.reply_topic] = waiter
            try:
                try:
                    async with asyncio.timeout_at(end):
                        await ear.up.wait()
                except TimeoutError:
                    raise NotDelivered("the broker is not connected") from None
                if chance.happens("deaf"):
                    await asyncio.sleep(max(end - house.loop.time(), 0))
                    raise NotDelivered("the broker is not connected")
                house.later(chance.delay(), lambda: self._deliver(ear.broker, request))
                if chance.happens("twice"):
                    later = chance.random.uniform(0.0, chance.weather.lateness)
                    house.later(later, lambda: self._deliver(ear.broker, request))
                await asyncio.wait({waiter.answer}, timeout=max(end - house.loop.time(), 0))
                if waiter.answer.done():
                    return Reply(waiter.answer.result())
                raise NoReply(f"no reply within {seconds:g} s over the {at.side} broker")
            finally:
                waiter.answer.cancel()
                ear.waiters.pop(request.reply_topic, None)

    def _deliver(self, broker: VirtualBroker, request: MqttRequest) -> None:
        house, chance = self.house, self.house.chance
        if not broker.up or chance.happens("lost"):
            return
        for unit in [one for one in broker.units.values() if one.listens(request.topic)]:
            if chance.happens("garbled"):
                broker.publish(request.reply_topic, GARBAGE)
                continue
            for reply in unit.mqtt(request.topic, request.payload):
                if not chance.happens("unheard"):
                    _send_later(house, unit, broker, reply.topic, reply.payload)


def _send_later(
    house: House, unit: Client, broker: VirtualBroker, topic: str, payload: bytes
) -> None:
    """A unit's answer: it must still be connected when it goes out."""

    def out() -> None:
        if broker.up:
            broker.publish(topic, payload)

    if unit.broker is broker:
        house.later(house.chance.delay(), out)
