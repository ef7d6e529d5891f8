"""Legs over real sockets: a second group topic, and the old network kept in a spare slot."""

from __future__ import annotations

from contextlib import closing
from dataclasses import replace

import pytest

from migrate.model.lifecycle import State
from migrate.model.problems import Exit, Unreachable
from migrate.model.settings import Setting

from .harness import SECRETS, Dev, HouseMaker, Pace
from .legged import LegHouse
from .together import Running, Together
from .watch import Watch

together = Together()
HASTY = Pace(soak_seconds=0.15, least=2, most=2, reply_seconds=1, look_seconds=0.05)


def legged(make_house: HouseMaker, *devices: Dev, **more: object) -> LegHouse:
    house = make_house(Dev("nobody"))
    return LegHouse(house.folder, list(devices), **more)  # type: ignore[arg-type]


@together
async def a_group_topic_is_changed_in_two_legs_without_a_moment_of_deafness(
    make_house: HouseMaker,
) -> None:
    devices = [Dev("http", "rowan"), Dev("mqtt", "rowan", "mqtt"), Dev("larch", "larch", "mqtt")]
    async with legged(make_house, *devices, change=("group",)) as house:
        boots = house.boots
        assert [plan.leg.of for plan in house.plans] == [2, 2]
        assert {one.name for one in house.plan.devices} == {"http", "mqtt"}
        assert (await house.forward()).exit is Exit.DONE
        for name in ("http", "mqtt"):
            running = house.unit(name).running
            assert (running.group, running.group_spare) == ("old-group", "new-group")
        house.take_leg(2)
        assert (await house.forward()).exit is Exit.DONE
        for unit in house.lab.units.values():
            assert (unit.running.group, unit.running.group_spare) == ("new-group", "")
        assert house.bundles("larch") == 1
        assert (await house.back()).exit is Exit.DONE
        house.take_leg(1)
        assert (await house.back()).exit is Exit.DONE
        assert all(house.as_before(name) for name in house.lab.units)
        assert house.boots == boots, "nothing of this needs a restart"


@together
async def a_second_leg_does_not_begin_where_the_first_was_not_run(make_house: HouseMaker) -> None:
    """The survey sees it too, should somebody get around the command line."""
    async with legged(make_house, Dev("http", "rowan"), change=("group",)) as house:
        house.take_leg(2)
        watch = Watch(house)
        with pytest.raises(Unreachable, match="which an earlier leg put"):
            await house.forward(bend=watch)
        assert {one.kind for one in watch.passed} == {"read"}


@together
async def a_device_that_the_new_network_does_not_let_in_comes_back_by_its_spare_slot(
    make_house: HouseMaker,
) -> None:
    devices = [Dev("a-lamp", "larch"), Dev("b-lamp", "larch", "mqtt")]
    async with legged(make_house, *devices, pace=HASTY) as house:
        given = house.plan.device("a-lamp").bundle
        assert given[Setting.SPARE_SSID] == "old-net"
        house.lab.new_network.secret = "not what the devices are told"
        outcome = await house.forward()
        assert outcome.exit is Exit.HELD
        assert house.states() == {"a-lamp": State.RETURNED, "b-lamp": State.WAITING}
        assert house.lab.where("a-lamp") == "old"
        assert house.unit("a-lamp").on_spare
        assert "stored but not in force: by its spare network" in house.note("a-lamp")
        # Planned anew as it is, it is not taken for one that was declared wrongly.
        with (
            closing(house.new_journal("too early")) as journal,
            pytest.raises(Unreachable, match=r"holds the new wifi\.ssid 'new-net'"),
        ):
            await house.run(lambda conductor: conductor.forward(), journal)
        # Taken back, its memory is as it was; then it can be sent once more.
        assert (await house.back("a-lamp")).exit is Exit.DONE
        assert not house.unit("a-lamp").on_spare
        assert house.unit("a-lamp").store.wifi_name == "old-net"
        house.lab.new_network.secret = SECRETS["new-wifi"]
        house.journal.close()
        house.journal = house.new_journal("again")
        assert (await house.forward()).exit is Exit.DONE
        for name, unit in house.lab.units.items():
            assert unit.store == replace(
                house.target(name), wifi_spare_name="old-net", wifi_spare_key=SECRETS["old-wifi"]
            )
            assert house.lab.where(name) == "new"
            assert not unit.on_spare
        assert (await house.back()).exit is Exit.DONE
        assert all(house.as_before(name) for name in house.lab.units)


@together
async def a_spare_network_of_the_owners_own_is_not_written_over(make_house: HouseMaker) -> None:
    async with legged(make_house, Dev("lamp", "larch")) as house:
        unit = house.unit("lamp")
        unit.store = unit.running = replace(
            unit.store, wifi_spare_name="shed", wifi_spare_key="spades and forks"
        )
        watch = Watch(house)
        with pytest.raises(Unreachable) as trouble:
            await house.forward(bend=watch)
        (problem,) = trouble.value.problems
        assert "the spare network 'shed' of its own" in problem.what
        assert "no_way_back" in problem.remedy
        assert {one.kind for one in watch.passed} == {"read"}
        # The owner accepts it by name: then the slot is emptied on the way back.
        text = house.playbook.read_text(encoding="utf-8")
        house.playbook.write_text(
            text.replace("[old]\n", '[old]\nno_way_back = ["lamp"]\n'), encoding="utf-8"
        )
        house.plan = house.make_plan()
        house.journal.close()
        house.journal = house.new_journal("again")
        assert (await house.forward()).exit is Exit.DONE
        assert (await house.back()).exit is Exit.DONE
        assert (unit.store.wifi_name, unit.store.wifi_spare_name) == ("old-net", "")


@pytest.mark.asyncio(loop_scope="module")
@pytest.mark.parametrize("scenario", together.names)
async def test_legs(scenario: str, running: Running) -> None:
    await running(scenario)
