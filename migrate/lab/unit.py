"""One simulated unit: a boot loop around a firmware, with real sockets.

A boot is: look for the network, get an address, open the HTTP listener, keep the MQTT
link, serve. It ends with a restart; a network that goes off the air only sends the
unit back to looking. While a unit restarts it is on no network.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Coroutine, Sequence
from dataclasses import fields, replace
from ipaddress import IPv4Address
from typing import Any

from migrate.lab.air import Network
from migrate.lab.dhcp import PoolExhaustedError
from migrate.lab.faults import (
    HTML_PAGE,
    HUGE_PAYLOAD_OCTETS,
    Fault,
    FaultKind,
    FaultSwitch,
)
from migrate.lab.firmware import FAMILIES, Firmware
from migrate.lab.firmware.base import Facts, HttpAnswer, HttpRequest, MqttReply, Reaction, Store
from migrate.lab.signals import end, first_of
from migrate.lab.specs import UnitSpec
from migrate.lab.unit_http import HttpDoor
from migrate.lab.unit_mqtt import MqttLink, Presence
from migrate.lab.world import World

RESTART_DELAY = 0.2  # seconds between an answer and the restart it announces (manuals)
_TRIES_BEFORE_SPARE = 3  # manual of larch


class Unit:
    """One unit. Read its attributes for the ground truth; drive it over its sockets.

    ``store`` is the non-volatile memory, ``running`` what is in effect since the last
    boot; ``network`` and ``address`` are None while it is on no network; ``history`` is
    a list of (loop time in seconds, what happened); ``messages_that_changed`` holds the
    raw settings messages it took.
    """

    def __init__(self, spec: UnitSpec, store: Store, world: World, http_port: int) -> None:
        self.spec = spec
        self.store = store
        self.running = store
        self.http_port = http_port
        self.network: Network | None = None
        self.address: IPv4Address | None = None
        self.serving = False
        self.on_spare = False
        self.boots = 0
        self.joins_failed = 0
        self.history: list[tuple[float, str]] = []
        self.messages_that_changed: list[bytes] = []
        self._world = world
        self._before = store
        self._switch = FaultSwitch(spec.fault)
        self._firmware = self._new_firmware()
        self._link: MqttLink | None = None
        self._restart = asyncio.Event()
        self._restart_due = False
        self._flap: Fault | None = None
        self._booted_at = 0.0
        self._task: asyncio.Task[None] | None = None
        self._died: BaseException | None = None

    def __repr__(self) -> str:
        where = self.network.name if self.network else "nowhere"
        return f"Unit({self.spec.name!r}, {self.spec.family}, {where}, {self.address})"

    # What the outside may look at and do

    @property
    def name(self) -> str:
        return self.spec.name

    @property
    def fault(self) -> Fault | None:
        """The unit's fault. Setting one starts its count anew; None heals the unit."""
        return self._switch.fault

    @fault.setter
    def fault(self, fault: Fault | None) -> None:
        self._switch = FaultSwitch(fault)

    @property
    def powered(self) -> bool:
        return self._task is not None and not self._task.done()

    @property
    def broker_connected(self) -> bool:
        """Whether it has said on its broker that it is present."""
        return self._link is not None and self._link.connected

    @property
    def broker_attempts(self) -> int:
        """How often it tried to connect to its broker since it got its address."""
        return 0 if self._link is None else self._link.attempts

    @property
    def up(self) -> bool:
        """Whether it serves HTTP and, if it has a broker, is present there."""
        return self.serving and (not self.running.broker_host or self.broker_connected)

    @property
    def has_been_up(self) -> bool:
        """Whether it is up, or sleeps and was up before."""
        return self.up or (self.spec.wake_every_seconds is not None and self.last_up is not None)

    @property
    def last_restart_began(self) -> float | None:
        """Loop time in seconds, or None."""
        return self._last("restart began")

    @property
    def last_up(self) -> float | None:
        """Loop time in seconds at which it last became up, or None."""
        return self._last("up")

    def power_on(self) -> None:
        """Start to boot. Nothing happens if it is powered."""
        if not self.powered:
            self._task = asyncio.create_task(self._live(), name=f"unit {self.name}")

    async def power_off(self) -> None:
        """Cut the power: everything is dropped at once."""
        if self._task is not None:
            await end([self._task])
            self._task = None
            self._note("power off")

    async def power_cycle(self) -> None:
        """Off and on again, as by hand; also ends a restart into nowhere."""
        await self.power_off()
        self.power_on()

    # The boot loop

    async def _live(self) -> None:
        try:
            while True:
                await self._boot()
                await self._be_away()
        except asyncio.CancelledError:
            raise
        except BaseException as exc:
            self._died = exc
            self._world.report(self.name, exc)
            raise

    async def _boot(self) -> None:
        self.store = replace(self.store, pending=frozenset())
        self.running = self.store
        self._firmware = self._new_firmware()
        self._restart = asyncio.Event()
        self._restart_due = False
        self.on_spare = False
        self.boots += 1
        self._booted_at = asyncio.get_running_loop().time()
        self._note("boot")
        while not self._restart.is_set():
            network = await self._join()
            address = await self._address_on(network)
            if address is None:
                continue
            if self.running.fixed_address and not network.holds(address, self.running.fixed_mask):
                await self._be_mute(network, address)
                continue
            why = await self._stay(network, address)
            if why == "flap" and self._flap is not None:
                await asyncio.sleep(self._flap.seconds)
                self._flap = None
            elif why == "sleep":
                await self._sleep()

    async def _be_away(self) -> None:
        """The restart itself: on no network, and what faults make of it."""
        self._note("restart began")
        if self._switch.take(FaultKind.NO_RETURN):
            await asyncio.Event().wait()
        slow = self._switch.take(FaultKind.SLOW_RETURN)
        await asyncio.sleep(self.spec.restart_seconds + (slow.seconds if slow else 0.0))
        if self._switch.take(FaultKind.RETURNS_TO_OLD):
            self.store = self.running
        if self._switch.take(FaultKind.OUTPUT_OTHERWISE):
            self.store = replace(self.store, output=not self.store.output)
        self._flap = self._switch.take(FaultKind.FLAPS)

    async def _join(self) -> Network:
        failed = 0
        while True:
            name, key = self.store.wifi_name, self.store.wifi_key
            use_spare = self.on_spare or failed == _TRIES_BEFORE_SPARE
            if use_spare:
                name, key = self.store.wifi_spare_name, self.store.wifi_spare_key
            network = self._world.air.join(name, key)
            if network is not None:
                self.on_spare = use_spare
                return network
            self.joins_failed += 1
            self._world.changed.fire()
            failed = 0 if use_spare else failed + 1
            has_spare = self._firmware.spare_network and self.store.wifi_spare_name
            if failed == _TRIES_BEFORE_SPARE and not has_spare:
                failed = 0
            await asyncio.sleep(self.spec.join_seconds)

    async def _address_on(self, network: Network) -> IPv4Address | None:
        """Its own address if it has one, else a leased one; None: there is none to be had."""
        if self.running.fixed_address:
            return IPv4Address(self.running.fixed_address)
        try:
            return self._world.dhcp[network.name].lease(self.spec.mac, self.spec.name)
        except PoolExhaustedError:
            self._note("no address")
            await asyncio.sleep(self.spec.join_seconds)
            return None

    async def _be_mute(self, network: Network, address: IPv4Address) -> None:
        """On the air with an address that is none of this network: nobody can reach it."""
        self.network, self.address = network, address
        self._note(f"mute on {network.name}")
        try:
            await first_of(restart=self._restart.wait(), off_air=network.until_off_air())
        finally:
            self.network, self.address = None, None
            self._note("left")

    async def _stay(self, network: Network, address: IPv4Address) -> str:
        """Serve on this network; return why that ended: restart, off_air, flap or sleep."""
        door = HttpDoor(self._take_http)
        in_use = self._world.dhcp[network.name].in_use
        try:
            if self.running.fixed_address:
                in_use.add(address)
            await self._open(door, str(address))
            self.network, self.address, self.serving = network, address, True
            self._note(f"joined {network.name}")
            waits: dict[str, Coroutine[Any, Any, object]] = {
                "restart": self._restart.wait(),
                "off_air": network.until_off_air(),
            }
            if self._flap is not None:
                waits["flap"] = asyncio.sleep(self._flap.after)
            if self.spec.wake_every_seconds is not None:
                waits["sleep"] = self._until_sleep(self.spec.wake_every_seconds)
            if self.running.broker_host:
                self._link = self._new_link(network, str(address))
                waits["broker"] = self._link.keep()
            else:
                self._note("up")
            return await first_of(**waits)
        finally:
            self.network, self.address, self.serving = None, None, False
            self._link = None
            if self.running.fixed_address:
                in_use.discard(address)
            self._note("left")
            await door.shut()

    async def _until_sleep(self, longest: float) -> None:
        """Stay awake for its time, from when it is up, or cannot be within ``longest`` seconds. A
        restart that is due comes before sleep (manuals)."""
        with contextlib.suppress(TimeoutError):
            await self._world.changed.until(lambda: self.up, longest)
        await asyncio.sleep(self.spec.awake_seconds)
        if self._restart_due:
            await self._restart.wait()
        elif self._link is not None and self.spec.sleeps_cleanly:
            await self._link.leave()

    async def _sleep(self) -> None:
        """On no network until the next wake, from which its uptime counts (manuals)."""
        self._note("asleep")
        await asyncio.sleep(max((self.spec.wake_every_seconds or 0) - self.spec.awake_seconds, 0))
        self._booted_at = asyncio.get_running_loop().time()
        self._note("awake")

    async def _open(self, door: HttpDoor, host: str) -> None:
        while True:
            try:
                return await door.open(host, self.http_port)
            except OSError:
                self._note("address not free")
                await asyncio.sleep(self.spec.join_seconds)

    def _new_firmware(self) -> Firmware:
        return FAMILIES[self.spec.family](self.spec.topic, self.spec.http_password)

    def _new_link(self, network: Network, address: str) -> MqttLink:
        firmware, running = self._firmware, self.running
        words = firmware.presence_word, firmware.absence_word
        return MqttLink(
            running,
            identifier=f"{self.spec.family}-{self.spec.mac.replace('-', '')}",
            presence=Presence(firmware.presence_topic, *words),
            bind_address=address,
            keepalive=self.spec.mqtt_keepalive,
            trusted_ca=self.spec.trusted_ca,
            topics=lambda: self._firmware.topics(self.running),
            reachable=lambda: self._world.air.can_reach(
                network, running.broker_host, running.broker_port
            ),
            take=self._take_mqtt,
            changed=self._link_changed,
            tried=self._world.changed.fire,
            seed=f"{self._world.seed} {self.name}",
        )

    # Messages

    async def _take_http(self, request: HttpRequest) -> tuple[HttpAnswer, Fault | None]:
        reaction = self._firmware.http(request, self.store, self._facts())
        spoiled = await self._act(reaction, request.body or request.target.encode())
        return reaction.http or HttpAnswer(500), spoiled

    async def _take_mqtt(self, topic: str, payload: bytes) -> Sequence[MqttReply]:
        reaction = self._firmware.mqtt(topic, payload, self.store, self._facts())
        spoiled = await self._act(reaction, payload)
        if spoiled is None:
            return reaction.replies
        return [
            MqttReply(reply.topic, spoilt)
            for reply in reaction.replies
            if (spoilt := _spoiled(reply.payload, spoiled.kind)) is not None
        ]

    async def _act(self, reaction: Reaction, raw: bytes) -> Fault | None:
        """Keep what the message led to, unless the unit's fault forbids it."""
        outcome = reaction.outcome
        if outcome.declined:
            self._switch.count()
        spoiled = self._switch.spoiled(outcome.kind)
        if spoiled is not None and not spoiled.acts_anyway:
            return spoiled
        if outcome.settings_taken:
            self.messages_that_changed.append(raw)
            if outcome.store != self.store:
                self._before = self.store
            self.store = self._kept(outcome.store)
            self.running = self._firmware.in_effect(self.running, self.store)
            if self._link is not None:
                await self._link.listen_anew()
        if outcome.restart:
            self._restart_due = True
            asyncio.get_running_loop().call_later(RESTART_DELAY, self._restart.set)
        self._world.changed.fire()
        return spoiled

    def _kept(self, told: Store) -> Store:
        """What it stores of what it was told: all of it, but for its faults."""
        fresh = {
            one.name: value
            for one in fields(told)
            if one.name != "pending"
            and (value := getattr(told, one.name)) != getattr(self.store, one.name)
        }
        if len(fresh) > 1 and self._switch.take(FaultKind.KEEPS_ONE):
            return replace(self.store, **dict([*fresh.items()][:1]), pending=told.pending)
        cut: dict[str, Any] = {
            name: value.partition(";")[0]
            for name, value in fresh.items()
            if isinstance(value, str) and ";" in value
        }
        if cut and self._switch.take(FaultKind.CUTS_VALUES):
            return replace(told, **cut)
        return told

    def _facts(self) -> Facts:
        wrong_mac = self._switch.peek(FaultKind.WRONG_MAC)
        declines = self._switch.peek(FaultKind.DECLINES)
        stale = self._switch.peek(FaultKind.WRONG_READBACK)
        return Facts(
            mac=wrong_mac.mac if wrong_mac else self.spec.mac,
            firmware=self.spec.firmware,
            address=str(self.address),
            uptime_s=int(asyncio.get_running_loop().time() - self._booted_at),
            shown=self._before if stale else None,
            declines="busy" if declines else None,
            signal_dbm=self.spec.signal_dbm,
        )

    # Notes

    def _link_changed(self) -> None:
        self._note("up" if self.broker_connected else "broker lost")

    def _note(self, what: str) -> None:
        self.history.append((asyncio.get_running_loop().time(), what))
        self._world.changed.fire()

    def _last(self, what: str) -> float | None:
        return next((when for when, did in reversed(self.history) if did == what), None)


def _spoiled(payload: bytes, kind: FaultKind) -> bytes | None:
    """What goes out over MQTT instead of an answer; None for nothing at all."""
    match kind:
        case FaultKind.ANSWERS_HTML:
            return HTML_PAGE
        case FaultKind.HALF_JSON:
            return payload[: len(payload) // 2]
        case FaultKind.HUGE_BODY:
            return bytes(HUGE_PAYLOAD_OCTETS)
        case _:
            return None
