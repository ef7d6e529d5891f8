"""What a gate that fails does, and the way back after faults."""

from __future__ import annotations

import asyncio

import pytest

from migrate.lab import Fault, FaultKind
from migrate.model.lifecycle import Direction, State
from migrate.model.problems import Exit

from .harness import Dev, House, HouseMaker, Pace
from .together import Running, Together
from .watch import Passed, Watch

together = Together()
K = FaultKind
HASTY = Pace(soak_seconds=0.15, least=3, most=3, reply_seconds=1, look_seconds=0.1)
PILOT = Dev("a-pilot", "larch")
FIRST = [Dev("lamp", "larch"), Dev("plug", "rowan", "mqtt"), Dev("fan", "sedge")]
LAST = Dev("z-last", "larch", feeds="access-point")


def moved(house: House) -> set[str]:
    return {name for name in house.lab.units if house.moved(name)}


def as_before(house: House) -> set[str]:
    return {name for name in house.lab.units if house.as_before(name)}


@together
async def policies_when_a_device_declines(make_house: HouseMaker) -> None:
    await policies(make_house, K.DECLINES)


@together
async def policies_when_a_device_is_adrift(make_house: HouseMaker) -> None:
    """It keeps nobody else from being taken back."""
    await policies(make_house, K.NO_RETURN)


async def policies(make_house: HouseMaker, kind: FaultKind) -> None:
    ill = Dev("ill", "rowan", fault=Fault(kind))
    houses = {
        policy: make_house(
            PILOT, *FIRST, ill, LAST, change=("wifi", "broker"), pace=HASTY, on_fault=policy
        )
        for policy in ("hold", "roll-back-wave", "roll-back-all")
    }
    await asyncio.gather(*(keeps(policy, kind, house) for policy, house in houses.items()))


async def keeps(policy: str, kind: FaultKind, at_home: House) -> None:
    async with at_home as house:
        outcome = await house.forward()
        assert outcome.exit is Exit.HELD
        expected = State.DECLINED if kind is K.DECLINES else State.ADRIFT
        assert house.states()["ill"] is expected, policy
        assert any("ill" in reason for reason in outcome.reasons)
        healthy = {PILOT.name, *(device.name for device in FIRST)}
        back = {"hold": set(), "roll-back-wave": healthy - {"a-pilot"}, "roll-back-all": healthy}
        assert as_before(house) - {"ill"} == back[policy] | {"z-last"}, policy
        assert moved(house) == healthy - back[policy]
        assert house.bundles("z-last") == 0
        assert house.journal.row("z-last").direction is Direction.FORWARD


@together
async def a_stale_device_and_its_wave_are_rolled_back(make_house: HouseMaker) -> None:
    """Seen on the new side with a wrong read-back: it was moved, so it is taken back."""
    ill = Dev("ill", "larch", "mqtt", fault=Fault(K.WRONG_READBACK, times=1))
    more = {"change": ("wifi", "broker"), "pace": HASTY, "on_fault": "roll-back-wave"}
    async with make_house(PILOT, *FIRST, ill, **more) as house:
        house.on_tidings.append(
            lambda tidings: (
                setattr(house.unit("ill"), "fault", None) if tidings.kind == "gate" else None
            )
        )
        # The gate opens once, behind the pilot: the fault must outlive that.
        fault = house.unit("ill").fault
        watch = Watch(house)
        watch.before.append(
            lambda one: (
                setattr(house.unit("ill"), "fault", fault)
                if one.kind == "write" and one.name == "ill"
                else None
            )
        )
        assert (await house.forward(bend=watch)).exit is Exit.HELD
        assert moved(house) == {"a-pilot"}
        assert as_before(house) == {"ill", "lamp", "plug", "fan"}


@together
async def the_way_back_stops_where_a_device_does_not_take_it(make_house: HouseMaker) -> None:
    """And goes on when it is asked for once more: that is the owner's word for a device that
    declined or did not return, too."""
    devices = [PILOT, *FIRST, LAST]
    async with make_house(*devices, change=("wifi", "broker"), pace=HASTY) as house:
        assert (await house.forward()).exit is Exit.DONE
        # One is back already: the old network lets in whoever comes.
        assert (await house.back("a-pilot")).done
        house.unit("lamp").fault = Fault(K.DECLINES, times=1)
        house.unit("plug").fault = Fault(K.RETURNS_TO_OLD, times=1)
        house.unit("fan").fault = Fault(K.NO_RETURN, times=1)
        outcome = await house.back()
        assert outcome.exit is Exit.HELD
        states = house.states()
        assert states["lamp"] is State.DECLINED
        assert states["plug"] is State.RETURNED
        assert states["fan"] is State.ADRIFT
        # The wave behind it was not sent anything: the carrier.
        assert moved(house) >= {"z-last", "lamp", "plug"}
        await house.unit("fan").power_cycle()
        await house.lab.wait_until(lambda: house.unit("fan").up)
        outcome = await house.back()
        for _ in range(5):
            if not outcome.done:
                outcome = await house.back()
        assert outcome.done
        assert as_before(house) == set(house.lab.units)


@together
async def one_of_a_cover_stays_while_the_other_is_adrift(make_house: HouseMaker) -> None:
    """Invariant 7 on the way back: never both lights of the stairs away at once."""
    low = Dev("low", "larch", cover="stairs")
    high = Dev("high", "larch", cover="stairs", reach="ladder")
    async with make_house(PILOT, low, high, pace=HASTY) as house:
        assert (await house.forward()).exit is Exit.DONE
        assert house.plan.wave_of("low") < house.plan.wave_of("high")
        # Its restart on the way back is the one from which it does not return.
        house.unit("high").fault = Fault(K.NO_RETURN)
        assert (await house.back("high")).exit is Exit.HELD
        assert house.states()["high"] is State.ADRIFT
        outcome = await house.back()
        assert outcome.exit is Exit.HELD
        assert house.moved("low")
        assert house.moved("a-pilot")
        # The owner can name others, but not both of a cover.
        assert (await house.back("low")).exit is Exit.HELD
        assert "high of the same cover" in house.note("low")
        assert (await house.back("a-pilot")).done
        assert house.as_before("a-pilot")


@together
async def a_device_that_stored_and_never_restarted_is_taken_back(
    make_house: HouseMaker,
) -> None:
    """It is on the old side, but its memory holds the new settings: the next power cut would
    send it away. Invariant 12 asks for the memory as it was."""
    sedge = Dev("fan", "sedge", load="a fan")
    async with make_house(PILOT, sedge, change=("wifi",), pace=HASTY) as house:
        watch = Watch(house)

        def deafen(one: Passed) -> None:
            if one.kind == "write" and one.name == "fan":
                house.unit("fan").fault = Fault(K.SILENT, only="writes")

        watch.after.append(deafen)
        assert (await house.forward(bend=watch)).exit is Exit.HELD
        assert house.states()["fan"] is State.RETURNED
        house.unit("fan").fault = None
        assert (await house.back()).exit is Exit.DONE
        assert as_before(house) == {"a-pilot", "fan"}


@pytest.mark.asyncio(loop_scope="module")
@pytest.mark.parametrize("scenario", together.names)
async def test_gate(scenario: str, running: Running) -> None:
    await running(scenario)
