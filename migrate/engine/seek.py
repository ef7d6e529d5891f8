"""Where is a device now? On the old side, on the new side, or nowhere that can be told.

A device counts as found only by its own MAC. Which side it is on is told by the broker it answers
over and by the subnet its address lies in; where neither differs between the sides, by its
settings, and then the sighting says that it is doubtful.
"""

from __future__ import annotations

import asyncio
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from ipaddress import AddressValueError, IPv4Address

from migrate.dialects.messages import Readings
from migrate.dialects.understand import differences
from migrate.engine.crew import Crew, Member
from migrate.engine.talk import Talker, Unread
from migrate.model.playbook import Broker
from migrate.model.settings import FrozenValue, Setting, Value
from migrate.planning.addressing import declared_addresses, own_address
from migrate.ports.protocols import At, SideName, World

SIDES: tuple[SideName, SideName] = ("old", "new")


@dataclass(frozen=True)
class Sighting:
    """A device that answered with its own MAC. `doubtful`: only its settings tell the side.
    `asked` and `heard` are the loop's times between which it told what it told: uptimes age."""

    at: At
    readings: Readings
    side: SideName
    doubtful: bool
    asked: float
    heard: float

    @property
    def place(self) -> str:
        """Where it is, in words; the side is the one it was found to be on, which is not that of
        the place it was asked at where both sides share a broker."""
        return str(replace(self.at, side=self.side))


@dataclass(frozen=True)
class Other:
    """Another device that answered at a place, by its MAC; and that in words."""

    mac: str
    words: str


@dataclass
class Look:
    """What one look brought: sightings by side, and why the other places brought none. `others`:
    MACs of other devices that answered there."""

    found: dict[SideName, Sighting] = field(default_factory=dict)
    words: list[str] = field(default_factory=list)
    others: list[str] = field(default_factory=list)


class Seeker:
    """Looks for devices on both sides at once."""

    def __init__(self, crew: Crew, world: World, talker: Talker) -> None:
        self._crew = crew
        self.world = world
        self._talker = talker
        self._sides = crew.sides
        old, new = self._sides["old"], self._sides["new"]
        self._subnets_tell = bool(old.subnet and new.subnet and not old.subnet.overlaps(new.subnet))
        # One broker with another login is still one broker: a device answers over it before it has
        # moved as well as after.
        self._brokers_tell = _place_of(old.broker) != _place_of(new.broker)
        self.flipped = False
        """Whether the access point has been changed, where one step for all waits for that."""

    async def look(
        self,
        member: Member,
        seconds: float,
        sides: tuple[SideName, ...] = SIDES,
        *,
        sure: bool = False,
    ) -> Look:
        """Look for a device on these sides; `seconds` bound each read, `sure` reads a few times.

        All places are asked at once, and those that become known meanwhile, such as by a new lease,
        join them. A device is in one place at a time, so its first sighting ends the look: a place
        where nobody answers any more does not hold up the one where it is.
        """
        seen = Look()
        asking: dict[tuple[SideName, str], asyncio.Task[Sighting | Other | str]] = {}
        told: set[tuple[SideName, str]] = set()

        async def ask_everywhere() -> None:
            for at, possible in await self._places(member, sides):
                if (at.side, at.address) not in asking:
                    asking[at.side, at.address] = asyncio.create_task(
                        self._ask(member, at, possible, seconds, sure)
                    )

        await ask_everywhere()
        if not asking:
            seen.words.append("no address is known for it")
        pause = self._crew.playbook.pace.look_seconds
        try:
            while not seen.found and (left := [key for key in asking if key not in told]):
                await asyncio.wait(
                    [asking[key] for key in left],
                    timeout=pause,
                    return_when=asyncio.FIRST_COMPLETED,
                )
                # In the order in which they were asked, whichever of them came first in a set.
                for key in left:
                    if asking[key].done() and not seen.found:
                        told.add(key)
                        self._take(asking[key].result(), sides, seen)
                if not seen.found:
                    await ask_everywhere()
        finally:
            for task in asking.values():
                task.cancel()
            await asyncio.gather(*asking.values(), return_exceptions=True)
        return seen

    def _take(
        self, result: Sighting | Other | str, sides: tuple[SideName, ...], seen: Look
    ) -> None:
        """What one place brought."""
        if isinstance(result, Other):
            seen.words.append(result.words)
            seen.others.append(result.mac)
        elif isinstance(result, str):
            seen.words.append(result)
        elif result.side in sides:
            seen.found.setdefault(result.side, result)

    def present(self, member: Member, side: SideName) -> bool | None:
        """Whether its presence topic says it is there; None if it says nothing."""
        topic, presence = member.presence_topic, member.dialect.presence
        if topic is None or presence is None:
            return None
        word = self.world.presence.last(topic, side)
        return {presence.online: True, presence.offline: False}.get(word or "")

    def spoke_since(self, member: Member, side: SideName, since: float) -> bool:
        """Whether it said something on its presence topic after this time of the loop."""
        at = self.world.presence.heard_at(member.presence_topic or "", side)
        return at is not None and at > since

    async def change(self, member: Member, seconds: float) -> None:
        """Until its presence changes, if it is waited for by that; at the latest after these
        seconds."""
        topic = member.presence_topic
        if topic is not None and member.tells_presence:
            await self.world.presence.change(topic, seconds)
        else:
            await asyncio.sleep(seconds)

    async def _ask(
        self,
        member: Member,
        at: At,
        possible: tuple[SideName, ...],
        seconds: float,
        sure: bool,
    ) -> Sighting | Other | str:
        if not at.address and self.present(member, at.side) is False:
            return f"it says at {at} that it is away"
        asked = asyncio.get_running_loop().time()
        try:
            read = self._talker.read_surely if sure else self._talker.read
            said = await read(member, at, seconds)
        except Unread as error:
            return str(error)
        return await self._place(member, at, possible, said, asked)

    async def _places(
        self, member: Member, sides: tuple[SideName, ...]
    ) -> list[tuple[At, tuple[SideName, ...]]]:
        """Where it could answer, and for each place the sides it would then be on."""
        device, dialect = member.device, member.dialect
        if device.via == "mqtt":
            if self._brokers_tell:
                return [(At(side), (side,)) for side in sides if self._sides[side].broker]
            return [(At("old"), SIDES)]
        by_address: dict[str, list[SideName]] = {}
        fixed = self._fixed(member)
        for side in sides:
            subnet = self._sides[side].subnet
            addresses = list(await self.world.finder.addresses(device.mac, side))
            if device.address is not None:
                addresses.append(str(device.address))
            for address in (*fixed, *addresses):
                # Nothing is sent outside the networks that the owner declared.
                if subnet is None or IPv4Address(address) in subnet:
                    known = by_address.setdefault(address, [])
                    if side not in known:
                        known.append(side)
        login = device.login
        password = self._crew.resolve(login.secret) if login else None
        return [
            (
                At(
                    possible[0],
                    address,
                    device.port or dialect.http.port,
                    dialect.http.auth if login else "none",
                    (login.username or "") if login else "",
                    password,
                ),
                tuple(possible),
            )
            for address, possible in by_address.items()
        ]

    async def _place(
        self,
        member: Member,
        at: At,
        possible: tuple[SideName, ...],
        readings: Readings,
        asked: float,
    ) -> Sighting | Other | str:
        heard = asyncio.get_running_loop().time()
        side: SideName
        if readings.mac != member.device.mac:
            words = f"{at} answers as {readings.mac}, which is another device"
            return Other(readings.mac, words)
        address = at.address or readings.address
        if self._subnets_tell and (address or not self._has_own(member, readings)):
            leased = [] if address else await self._leased(member)
            # Leases on both sides tell nothing: one is left over, and nobody knows which.
            if len(leased) < 2:
                address = address or next(iter(leased), None)
                possible = tuple(one for one in possible if self._inside(address, one, possible))
            if not possible:
                return f"it answers over {at}, but with an address of neither side"
        if len(possible) == 1:
            return Sighting(at, readings, possible[0], False, asked, heard)
        if self._crew.plan.leg.together:
            # The access point lets in either the old passphrase or the new one, never both.
            side = "new" if self.flipped else "old"
            at = replace(at, side=side) if at.address else at
            return Sighting(at, readings, side, False, asked, heard)
        moved = not differences(plain(member.planned.bundle), readings, member.dialect)
        side = "new" if moved else "old"
        # Over a shared broker one link serves both sides; an address is the same on both.
        at = replace(at, side=side) if at.address else at
        return Sighting(at, readings, side, True, asked, heard)

    def _fixed(self, member: Member) -> list[str]:
        """Fixed addresses that the owner declared for it, new side first."""
        old, new = self._sides["old"], self._sides["new"]
        return [str(address) for address in declared_addresses(old, new, member.name)]

    def _has_own(self, member: Member, readings: Readings) -> bool:
        """Whether it may have a fixed address: a lease then tells nothing, it may be left over."""
        reading = readings.settings.get(Setting.ADDRESS)
        return own_address(reading) is not None or bool(self._fixed(member))

    async def _leased(self, member: Member) -> list[str]:
        """Its address by the lease files alone, one for each side that has one."""
        found = [await self.world.finder.addresses(member.device.mac, side) for side in SIDES]
        return [addresses[0] for addresses in found if addresses]

    def _inside(self, address: str | None, side: SideName, possible: tuple[SideName, ...]) -> bool:
        subnet = self._sides[side].subnet
        if not self._crew.playbook.proof.address and len(possible) == 1:
            return True
        try:
            return address is not None and subnet is not None and IPv4Address(address) in subnet
        except AddressValueError:
            return False


def _place_of(broker: Broker | None) -> tuple[str, int] | None:
    return None if broker is None else (broker.host, broker.port)


def plain(bundle: Mapping[Setting, FrozenValue]) -> dict[Setting, Value]:
    """The part of a frozen bundle that holds no secrets."""
    return {
        setting: value for setting, value in bundle.items() if isinstance(value, str | int | bool)
    }
