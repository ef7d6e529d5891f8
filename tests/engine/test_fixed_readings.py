"""What the survey makes of a fixed address that a device tells, without sockets."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any

import pytest

from migrate.dialects.messages import Readings, Reply, Request
from migrate.dialects.schema import Dialect
from migrate.engine.crew import Crew, Member
from migrate.engine.seek import Seeker
from migrate.engine.survey import Survey, survey
from migrate.engine.talk import Talker, Unread
from migrate.model.secrets import Redactor
from migrate.model.settings import ADDRESSING, Setting
from migrate.ports.protocols import At, NotDelivered, SideName, World
from tests.model.helpers import playbook_of
from tests.planning.samples import (
    NEW_NET,
    OLD_BROKER,
    OLD_NET,
    OLD_WIFI,
    WIFI,
    device,
    dialects,
    own_dialect,
    plan_of,
    resolver,
)

S = Setting
MOVE = f"{WIFI}[old]\n{OLD_NET}{OLD_WIFI}{OLD_BROKER}{NEW_NET}"
FIXED = "[addressing]\nfixed = { plug = '198.51.100.9' }\ngateway = '198.51.100.1'\n"
UNPROVEN = "[proof]\naddress = false\n"
OLD = {S.ADDRESS: "192.0.2.9", S.MASK: "255.255.255.0", S.GATEWAY: "192.0.2.1", S.RESOLVER: ""}
NEW = {
    S.ADDRESS: "198.51.100.9",
    S.MASK: "255.255.255.0",
    S.GATEWAY: "198.51.100.1",
    S.RESOLVER: "",
}
DHCP = dict.fromkeys(ADDRESSING, "")


@dataclass
class Nowhere:
    """A world without devices; its lease files are those given, by side."""

    leases: Mapping[SideName, Sequence[str]] = field(default_factory=dict)

    async def exchange(self, request: Request, at: At, seconds: float) -> Reply:
        raise NotDelivered

    async def addresses(self, mac: str, side: SideName) -> Sequence[str]:
        return self.leases.get(side, ())

    def last(self, topic: str, side: SideName) -> str | None:
        return None

    def heard_at(self, topic: str, side: SideName) -> float | None:
        return None

    async def change(self, topic: str, seconds: float) -> None:
        return


class Says(Talker):
    """A device that tells this, at this address alone (over MQTT: anywhere)."""

    def __init__(self, world: Nowhere, said: Readings, at: str) -> None:
        super().__init__(world, Redactor())
        self._said, self._at = said, at

    async def read(self, member: Member, at: At, seconds: float) -> Readings:
        if at.address not in ("", self._at):
            raise Unread("nobody is there")
        return self._said

    async def read_surely(self, member: Member, at: At, seconds: float) -> Readings:
        return await self.read(member, at, seconds)


async def surveyed(
    playbook: str,
    settings: Mapping[Setting, str],
    at: str = "192.0.2.9",
    *,
    leases: Mapping[SideName, Sequence[str]] | None = None,
    own: Mapping[str, Dialect] | None = None,
    **more: Any,
) -> Survey:
    """The survey of one device, `plug`, that tells these settings at this address."""
    known = {**dialects(), **(own or {})}
    plug = device("plug", **({"dialect": "rowan", "address": "192.0.2.9"} | more))
    plan = plan_of([plug], playbook, own=own)
    member = Member(plug, plan.device("plug"), known[plug.dialect])
    crew = Crew(plan, playbook_of(playbook), {"plug": member}, resolver())
    nowhere = Nowhere(leases or {})
    world = World(nowhere, nowhere, nowhere, lambda: datetime(2026, 1, 1, tzinfo=UTC))
    said = Readings(plug.mac, {S.WIFI_SSID: "attic", **settings})
    seeker = Seeker(crew, world, Says(nowhere, said, at))
    return await survey(crew, seeker, ["plug"])


async def problem(*args: Any, **more: Any) -> str:
    found = await surveyed(*args, **more)
    (one,) = found.problems
    assert one.device == "plug"
    return f"{one.what} -> {one.remedy}"


async def test_what_it_reads_is_its_way_back() -> None:
    found = (await surveyed(FIXED + MOVE, OLD)).found["plug"]
    assert {setting: found.way_back[setting] for setting in ADDRESSING} == OLD
    assert found.sighting.side == "old"


async def test_left_behind_without_a_word_of_addresses() -> None:
    words = await problem(MOVE, OLD)
    assert "192.0.2.9, which is of the old network 192.0.2.0/24" in words
    assert "[addressing]" in words


@pytest.mark.parametrize("settings", [DHCP, {}])
async def test_who_asks_dhcp_is_not_held_up(settings: Mapping[Setting, str]) -> None:
    assert (await surveyed(MOVE, settings)).problems == ()


async def test_an_address_of_the_new_network_may_stay() -> None:
    assert (await surveyed(MOVE, {**OLD, S.ADDRESS: "198.51.100.9"})).problems == ()


async def test_asking_dhcp_where_nobody_can_tell_what_it_is_given() -> None:
    """Nothing but addresses change, and there is no lease file: so the plan cannot know."""
    stays = f"[addressing]\n[old]\nsubnet = '192.0.2.0/24'\n{OLD_WIFI}"
    assert "nobody can tell" in await problem(stays, OLD)
    assert (await surveyed(stays, DHCP)).problems == ()


async def test_one_that_has_moved_is_known_by_its_new_address() -> None:
    """No lease file holds it. What it had before, nobody can read any more."""
    there = {S.WIFI_SSID: "loft", **NEW}
    found = (await surveyed(FIXED + MOVE, there, "198.51.100.9")).found["plug"]
    assert (found.sighting.side, found.sighting.at.address) == ("new", "198.51.100.9")
    assert found.way_back == {}, "the old network without the old address would strand it"
    old = "[old.addressing]\nfixed = { plug = '192.0.2.9' }\ngateway = '192.0.2.1'\n"
    found = (await surveyed(FIXED + MOVE + old, there, "198.51.100.9")).found["plug"]
    assert {setting: found.way_back[setting] for setting in ADDRESSING} == OLD


async def test_one_that_has_moved_and_asks_dhcp_can_ask_there_too() -> None:
    asks = "[addressing]\n" + MOVE
    there = {S.WIFI_SSID: "loft", **DHCP}
    leases: dict[SideName, Sequence[str]] = {"new": ["198.51.100.77"]}
    found = (await surveyed(asks, there, "198.51.100.77", leases=leases)).found["plug"]
    assert found.way_back[S.WIFI_SSID] == "attic"
    assert {setting: found.way_back[setting] for setting in ADDRESSING} == DHCP


async def test_a_lease_that_is_left_over_tells_nothing_of_a_fixed_address() -> None:
    """Over one broker, by a family that does not tell the address it has: its settings tell."""

    def no_address(data: dict[str, Any]) -> None:
        del data["readings"]["address"]

    own = own_dialect("moss", "rowan", no_address)
    leases: dict[SideName, Sequence[str]] = {"old": ["192.0.2.9"]}
    over: dict[str, Any] = {"own": own, "dialect": "moss", "via": "mqtt", "leases": leases}
    there = {S.WIFI_SSID: "loft", **NEW}
    found = (await surveyed(FIXED + MOVE + UNPROVEN, there, **over)).found["plug"]
    assert (found.sighting.side, found.sighting.doubtful) == ("new", True)
    # Of one without a fixed address the lease file does tell.
    asks = "[addressing]\n" + MOVE + UNPROVEN
    found = (await surveyed(asks, DHCP, **over)).found["plug"]
    assert (found.sighting.side, found.sighting.doubtful) == ("old", False)


async def test_a_declared_gateway_goes_with_the_declared_address_only() -> None:
    def blind(data: dict[str, Any]) -> None:
        for name in ADDRESSING[1:]:
            del data["settings"][name]["read"]

    own = own_dialect("moss", "rowan", blind)
    old = "[old.addressing]\nfixed = { plug = '192.0.2.8' }\ngateway = '192.0.2.1'\n"
    words = await problem(FIXED + MOVE + old, {S.ADDRESS: "192.0.2.9"}, own=own, dialect="moss")
    assert "addressing.address '192.0.2.9'" in words
    assert "'192.0.2.8'" in words
