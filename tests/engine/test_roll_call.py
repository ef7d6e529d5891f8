"""The roll call on the lab: who is read, what is masked, how many at once; what a run leaves."""

from __future__ import annotations

import asyncio
from dataclasses import replace

import pytest

from migrate.cli.conduct import world_for
from migrate.dialects.messages import Reply, Request
from migrate.engine.crew import Crew, learn_secrets, muster_to_read
from migrate.engine.roll_call import roll_call, snapshot_of_run
from migrate.engine.seek import Seeker
from migrate.engine.survey import AT_ONCE
from migrate.engine.talk import Talker
from migrate.lab import Fault, FaultKind
from migrate.lab.firmware.base import Facts
from migrate.model.problems import BadFile, Problem
from migrate.model.secrets import Redactor
from migrate.model.settings import Setting
from migrate.planning.snapshots import Seen, compare
from migrate.ports.files import load
from migrate.ports.protocols import At, Line, World
from migrate.ports.secret_reader import SecretReader

from .harness import FAMILIES, SECRETS, Bend, Dev, House, HouseMaker, Pace, six
from .scan import leaks

PACE = Pace(reply_seconds=0.5)


async def called(house: House, bend: Bend = lambda world: world) -> dict[str, Seen]:
    """All devices, by name; read as the command does it."""
    crew = whole(house)
    redactor = Redactor()
    learn_secrets(crew, redactor)
    async with world_for(crew) as world:
        world = bend(world)
        found = await roll_call(crew, Seeker(crew, world, Talker(world.line, redactor)), [])
    return {one.name: one for one in found}


def whole(house: House) -> Crew:
    inputs = load(house.fleet, house.playbook)
    return muster_to_read(inputs, SecretReader().resolve, created="now", tool="test")


async def test_all_that_they_can_tell_over_both_transports(make_house: HouseMaker) -> None:
    async with make_house(*six(), pace=PACE) as house:
        found = await called(house)
        for name, one in found.items():
            unit, store = house.unit(name), house.unit(name).store
            assert (one.standing, one.side, one.mac) == ("read", "old", unit.spec.mac)
            assert (one.firmware, one.signal_dbm) == (unit.spec.firmware, -58)
            assert one.address == str(unit.address)
            assert one.settings[Setting.WIFI_SSID] == store.wifi_name
            assert one.settings[Setting.GROUP_TOPIC] == store.group
            assert one.settings[Setting.BROKER_PORT] == store.broker_port
            assert one.outputs == {"relay": store.output}
            # Each setting that its dialect can read, and no other.
            words = house.crew(SecretReader()).members[name].dialect.settings
            assert set(one.settings) == {setting for setting, word in words.items() if word.read}
        assert not any(unit.messages_that_changed for unit in house.lab.units.values())


async def test_at_most_so_many_at_once(make_house: HouseMaker) -> None:
    """The lab cannot count questions that wait; a line of our own does."""
    async with make_house(*(Dev(f"lamp-{n:02}") for n in range(AT_ONCE + 4)), pace=PACE) as house:
        line = Counting()

        def bend(world: World) -> World:
            line.real = world.line
            return replace(world, line=line)

        found = await called(house, bend)
        assert {one.standing for one in found.values()} == {"read"}
        assert line.most == AT_ONCE


class Counting:
    """A line that answers once as many wait as may, and counts them."""

    real: Line

    def __init__(self) -> None:
        self.waiting = self.most = 0
        self._full = asyncio.Event()

    async def exchange(self, request: Request, at: At, seconds: float) -> Reply:
        self.waiting += 1
        self.most = max(self.most, self.waiting)
        if self.waiting >= AT_ONCE:
            self._full.set()
        await self._full.wait()
        reply = await self.real.exchange(request, at, seconds)
        self.waiting -= 1
        return reply


async def test_a_sleeper_is_not_waited_for_and_not_missing(make_house: HouseMaker) -> None:
    devices = (Dev("pilot"), Dev("sensor", wakes=3600, awake=0.01), Dev("dead"))
    async with make_house(*devices, pace=PACE) as house:
        sensor = house.unit("sensor")
        await house.lab.wait_until(lambda: not sensor.up, 10)
        await house.unit("dead").power_off()
        found = await called(house)
        assert {name: one.standing for name, one in found.items()} == {
            "pilot": "read",
            "sensor": "asleep",
            "dead": "missing",
        }
        assert "wake every 3600 s" in found["sensor"].why


@pytest.mark.parametrize("family", FAMILIES)
async def test_a_reading_that_is_a_secret_is_masked(make_house: HouseMaker, family: str) -> None:
    async with make_house(Dev("blab", family), pace=PACE) as house:  # type: ignore[arg-type]
        unit = house.unit("blab")
        truth = unit._facts

        def facts() -> Facts:
            store = replace(unit.store, group=SECRETS["new-wifi"], wifi_name=SECRETS["old-wifi"])
            return replace(truth(), firmware=SECRETS["new-wifi"], shown=store)

        unit._facts = facts  # type: ignore[method-assign]
        one = (await called(house))["blab"]
        assert one.standing == "read"
        assert set(one.hidden) == {Setting.WIFI_SSID, Setting.GROUP_TOPIC}
        assert leaks(one.model_dump_json().encode(), SECRETS, ("old-net", "new-net")) == []


async def test_what_a_run_read_is_kept_before_anything_is_sent(make_house: HouseMaker) -> None:
    """The keeping fails, as on a full disk: then nothing has been sent, and it can go on later."""
    async with make_house(Dev("a-pilot"), Dev("plug", "rowan"), pace=PACE) as house:

        def full() -> None:
            raise BadFile(Problem("cannot be written: no space left on device", "make room", "x"))

        async with house.conductor() as conductor:
            conductor._surveyed = full
            with pytest.raises(BadFile):
                await conductor.forward()
        assert not any(unit.messages_that_changed for unit in house.lab.units.values())
        kept = snapshot_of_run(house.journal)
        assert [one.standing for one in kept.device] == ["read", "read"]
        found = await called(house)
        told = compare(kept, kept.model_copy(update={"device": tuple(found.values())}))
        assert (told.changed, told.unproven) == ((), ())


async def test_another_device_at_its_address(make_house: HouseMaker) -> None:
    wrong = Fault(FaultKind.WRONG_MAC, mac="00-00-5E-00-53-77")
    async with make_house(Dev("lamp", fault=wrong), Dev("plug", "rowan"), pace=PACE) as house:
        found = await called(house)
        assert found["lamp"].standing == "missing"
        assert found["lamp"].others == ("00-00-5E-00-53-77",)
        assert "which is another device" in found["lamp"].why
        assert found["plug"].others == ()


async def test_where_only_a_password_changes_nobody_can_tell_the_side(
    make_house: HouseMaker,
) -> None:
    """One broker, one network, the same user name: what can be read is the same on both sides."""
    async with make_house(
        Dev("lamp"), Dev("plug", "rowan"), change=("broker",), same_broker="house", pace=PACE
    ) as house:
        assert {one.side for one in (await called(house)).values()} == {"either"}
    async with make_house(
        Dev("lamp"), Dev("plug", "rowan"), change=("broker",), same_broker="other", pace=PACE
    ) as house:
        assert {one.side for one in (await called(house)).values()} == {"old"}
