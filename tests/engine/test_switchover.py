"""One access point changes its passphrase: with spare slots, without, and both together.

The lab's access point is asked who is on it; nothing but its new passphrase lets a device in after
`flip`. What the tool is told of that is the owner's word alone, as in life.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import pytest

from migrate.lab import Fault, FaultKind
from migrate.model.lifecycle import State
from migrate.model.problems import Exit, Refused, Unreachable

from .harness import SECRETS, Dev, HouseMaker, Pace
from .legged import LegHouse
from .test_legs import legged
from .together import Running, Together
from .watch import Watch

together = Together()
K = FaultKind
PACE = Pace(soak_seconds=0.3, least=2, most=4, reply_seconds=1, look_seconds=0.05)
BARE = [Dev("s-http", "sedge"), Dev("s-mqtt", "sedge", "mqtt"), Dev("r-http", "rowan")]


def everybody(house: LegHouse) -> None:
    """All of them hold the new passphrase, and are on the network by it."""
    for name in house.lab.units:
        assert house.unit(name).store == house.target(name), name
        assert house.lab.where(name) == "new", name
        assert not house.unit(name).on_spare, name


@together
async def with_spare_slots_nobody_is_ever_at_risk(make_house: HouseMaker) -> None:
    devices = [Dev("http", "larch"), Dev("mqtt", "larch", "mqtt"), Dev("late", "larch")]
    async with legged(make_house, *devices, switchover=True, pace=PACE) as house:
        boots = house.boots
        assert [len(plan.waves) for plan in house.plans] == [2, 2]
        assert (await house.forward()).exit is Exit.DONE
        assert house.boots == boots, "the spare slot needs no restart"
        for unit in house.lab.units.values():
            assert unit.running.wifi_spare_name == "old-net"
            assert unit.running.wifi_spare_key == SECRETS["new-wifi"]
        # The way back of the first leg, while the access point still has its old passphrase.
        assert (await house.back("late")).exit is Exit.DONE
        assert house.unit("late").store.wifi_spare_name == ""
        house.journal.close()
        house.journal = house.new_journal("once more")
        assert (await house.forward()).exit is Exit.DONE

        house.lab.flip()
        units = house.lab.units.values()
        await house.lab.wait_until(lambda: all(unit.up and unit.on_spare for unit in units))
        house.take_leg(2)
        assert (await house.forward()).exit is Exit.DONE
        everybody(house)
        # Back by one leg: on the network by the spare slot again, the old passphrase first.
        assert (await house.back()).exit is Exit.DONE
        for unit in units:
            assert (unit.store.wifi_key, unit.store.wifi_spare_name, unit.on_spare) == (
                SECRETS["old-wifi"],
                "old-net",
                True,
            )


@together
async def no_spare_slot_is_emptied_by_itself(make_house: HouseMaker) -> None:
    """Whatever the playbook says of faults: by now a device may live by that slot."""
    devices = [Dev("a-good", "larch"), Dev("b-bad", "larch", fault=Fault(K.DECLINES))]
    more = {"switchover": True, "pace": PACE, "on_fault": "roll-back-all"}
    async with legged(make_house, *devices, **more) as house:
        assert (await house.forward()).exit is Exit.HELD
        assert house.states() == {"a-good": State.SETTLED, "b-bad": State.DECLINED}
        house.lab.flip()
        await house.lab.wait_until(lambda: house.unit("a-good").on_spare)
        assert (await house.forward()).exit is Exit.HELD
        assert house.unit("a-good").store.wifi_spare_name == "old-net"


@together
async def who_did_not_come_across_is_named_before_anything_is_sent(make_house: HouseMaker) -> None:
    devices = [Dev("here", "larch"), Dev("gone", "larch")]
    async with legged(make_house, *devices, switchover=True, pace=PACE) as house:
        assert (await house.forward()).exit is Exit.DONE
        await house.unit("gone").power_off()
        house.lab.flip()
        await house.lab.wait_until(lambda: house.unit("here").up)
        house.take_leg(2)
        watch = Watch(house)
        with pytest.raises(Unreachable) as trouble:
            await house.forward(bend=watch)
        assert [problem.device for problem in trouble.value.problems] == ["gone"]
        assert {one.kind for one in watch.passed} == {"read"}


@together
async def without_spare_slots_it_is_one_step_that_waits_for_the_access_point(
    make_house: HouseMaker,
) -> None:
    more = {"switchover": True, "pace": PACE, "accept": 3}
    async with legged(make_house, *BARE, **more) as house:
        outcome = await house.forward()
        assert (outcome.exit, outcome.flip) == (Exit.HELD, True), outcome
        assert "all 3 devices have the new passphrase" in outcome.headline
        assert set(house.states().values()) == {State.AWAY}
        assert {house.lab.where(name) for name in house.lab.units} == {"nowhere"}
        with pytest.raises(Refused, match="one step for all"):
            await house.back()
        # A new process asks once more, and sends nothing.
        house.reopen()
        watch = Watch(house)
        assert (await house.forward(bend=watch)).flip
        assert not any(one.kind == "write" for one in watch.passed)

        house.lab.flip()
        house.reopen().flip()
        outcome = await house.forward()
        assert outcome.exit is Exit.DONE, outcome
        everybody(house)
        assert {house.bundles(name) for name in house.lab.units} == {1}
        assert set(house.states().values()) == {State.SETTLED}


@together
async def who_still_has_the_old_passphrase_is_told_before_the_access_point_is_changed(
    make_house: HouseMaker,
) -> None:
    """One declines, one comes back from its restart as it was. Sent once more, both go."""
    devices = [
        Dev("good", "sedge"),
        Dev("no", "sedge", "mqtt", fault=Fault(K.DECLINES, times=1)),
        Dev("back", "rowan", fault=Fault(K.RETURNS_TO_OLD, times=1)),
    ]
    # Gone for longer than a restart takes, before it counts as gone.
    pace = replace(PACE, soak_seconds=1.0, least=4)
    async with legged(make_house, *devices, switchover=True, pace=pace, accept=3) as house:
        outcome = await house.forward()
        assert (outcome.exit, outcome.flip) == (Exit.HELD, False)
        assert "Do not change it yet" in outcome.headline
        assert house.states() == {
            "good": State.AWAY,
            "no": State.DECLINED,
            "back": State.RETURNED,
        }
        assert any("still uses the old passphrase" in reason for reason in outcome.reasons)
        outcome = await house.forward("no", "back")
        assert outcome.flip, outcome
        house.lab.flip()
        house.journal.flip()
        assert (await house.forward()).exit is Exit.DONE
        everybody(house)


@together
async def an_access_point_said_to_be_changed_that_was_not_is_found_out(
    make_house: HouseMaker,
) -> None:
    """Somebody answers who was never given the new passphrase."""
    devices = [Dev("good", "sedge"), Dev("no", "sedge", fault=Fault(K.DECLINES, times=1))]
    async with legged(make_house, *devices, switchover=True, pace=PACE, accept=2) as house:
        assert not (await house.forward()).flip
        house.journal.flip()
        outcome = await house.forward()
        assert outcome.exit is Exit.HELD
        assert "still has its old passphrase: no answers" in outcome.headline
        assert not house.journal.flipped
        assert house.states() == {"good": State.AWAY, "no": State.DECLINED}
        assert (await house.forward("no")).flip
        house.lab.flip()
        house.journal.flip()
        assert (await house.forward()).exit is Exit.DONE
        everybody(house)


@together
async def who_never_left_has_not_come_across(make_house: HouseMaker) -> None:
    """Cut off while it was told, and then the access point is said to be changed too early."""
    devices = [Dev("sedge", "sedge"), Dev("rowan", "rowan")]
    pace = replace(PACE, least=1, most=1)
    async with legged(make_house, *devices, switchover=True, pace=pace, accept=2) as house:
        boots = house.boots
        for device in house.plan.devices:
            house.journal.record_before(device.name, {"mac": device.mac}, device.way_back)
            house.journal.intend(device.name, device.bundle)
        house.journal.flip()
        assert (await house.forward()).exit is Exit.HELD
        assert State.SETTLED not in house.states().values()
        assert house.boots == boots


@together
async def nobody_is_told_while_one_of_them_is_in_its_quiet_hours(make_house: HouseMaker) -> None:
    """Those who were told would be gone until these hours end."""
    devices = [Dev("hall", "sedge"), Dev("nursery", "sedge", quiet="22:00-06:30")]
    async with legged(make_house, *devices, switchover=True, pace=PACE, accept=2) as house:
        night, watch = datetime(2026, 3, 4, 2, tzinfo=UTC), Watch(house)
        outcome = await house.forward(
            bend=lambda world: watch(replace(world, now=lambda: night, zone=UTC))
        )
        assert (outcome.exit, outcome.flip) == (Exit.HELD, False)
        assert outcome.reasons == ("nursery is in its quiet hours",)
        assert {one.kind for one in watch.passed} == {"read"}


@together
async def who_does_not_come_is_adrift_and_the_others_have_settled(make_house: HouseMaker) -> None:
    devices = [Dev("good", "sedge"), Dev("bad", "sedge", fault=Fault(K.NO_RETURN))]
    pace = replace(PACE, most=2)
    async with legged(make_house, *devices, switchover=True, pace=pace, accept=2) as house:
        assert (await house.forward()).flip
        house.lab.flip()
        house.journal.flip()
        outcome = await house.forward()
        assert outcome.exit is Exit.HELD
        assert "1 of 2 devices came across" in outcome.headline
        assert house.states() == {"good": State.SETTLED, "bad": State.ADRIFT}
        await house.unit("bad").power_cycle()
        await house.lab.wait_until(lambda: house.unit("bad").up)
        assert (await house.forward()).exit is Exit.DONE
        everybody(house)


@together
async def those_with_a_spare_slot_come_along_with_those_without(make_house: HouseMaker) -> None:
    devices = [Dev("larch", "larch"), Dev("sedge", "sedge")]
    async with legged(make_house, *devices, switchover=True, pace=PACE, accept=1) as house:
        assert [[one.name for one in plan.devices] for plan in house.plans] == [
            ["larch"],
            ["sedge"],
            ["larch"],
        ]
        assert (await house.forward()).exit is Exit.DONE
        house.take_leg(2)
        assert (await house.forward()).flip
        house.lab.flip()
        house.journal.flip()
        assert (await house.forward()).exit is Exit.DONE
        house.take_leg(3)
        assert (await house.forward()).exit is Exit.DONE
        everybody(house)


@pytest.mark.asyncio(loop_scope="module")
@pytest.mark.parametrize("scenario", together.names)
async def test_switchover(scenario: str, running: Running) -> None:
    await running(scenario)
