"""Devices with fixed addresses, over real sockets: what the lab's units really have is asked.

That a device with an address of another network is on the air and yet nobody reaches it is a fact
of IPv4: a host hands a packet to a neighbour only within its own prefix (RFC 1122, section 3.3.1).
"""

from __future__ import annotations

import pytest

from migrate.lab import two_networks_possible
from migrate.model.lifecycle import State
from migrate.model.problems import Exit, Unreachable

from .harness import NEW_NET, OLD_NET, Dev, House, HouseMaker
from .test_crossings import crosses
from .together import Running, Together

together = Together()
OLD_50, OLD_51, OLD_60 = (str(OLD_NET[number]) for number in (50, 51, 60))
NEW_50, NEW_52 = (str(NEW_NET[number]) for number in (50, 52))


def address(house: House, name: str) -> str:
    return str(house.unit(name).address)


@together
async def every_change_of_address_with_a_move(make_house: HouseMaker) -> None:
    """Fixed to fixed, fixed to DHCP, DHCP to fixed, over both transports; and a family that knows
    no fixed address beside them. There and back."""
    devices = [
        Dev("keeps", "rowan", fixed_address=OLD_50),
        Dev("lets-go", "rowan", "mqtt", fixed_address=OLD_51),
        Dev("gets", "rowan", "mqtt"),
        Dev("gets-too", "rowan"),
        Dev("lets-go-too", "rowan", fixed_address=OLD_60),
        Dev("knows-none", "larch"),
    ]
    fixed = {"keeps": NEW_50, "gets": NEW_52, "gets-too": str(NEW_NET[53])}
    async with make_house(*devices, addressing=fixed) as house:
        before = {name: address(house, name) for name in house.lab.units}
        assert before["keeps"] == OLD_50
        there: dict[str, str] = {}

        def look(_: object) -> None:
            there.update((n, address(house, n)) for n in before if house.moved(n))

        house.on_tidings.append(look)
        await crosses(house)
        assert {name: there[name] for name in fixed} == fixed
        leased = {str(lease.address) for lease in house.lab.dhcp["new"].leases.values()}
        assert {there[n] for n in ("lets-go", "lets-go-too", "knows-none")} == leased
        assert {name: address(house, name) for name in before} == before


@together
async def within_one_network(make_house: HouseMaker) -> None:
    """Nothing but addresses change; one device has the right one already."""
    devices = [
        Dev("gets", "rowan"),
        Dev("lets-go", "rowan", fixed_address=OLD_50),
        Dev("changes", "rowan", fixed_address=OLD_51),
        Dev("asks", "rowan"),
    ]
    fixed = {"gets": OLD_60, "changes": str(OLD_NET[61])}
    async with make_house(*devices, change=(), addressing=fixed) as house:
        before = {name: address(house, name) for name in house.lab.units}
        assert (await house.forward()).exit is Exit.DONE
        assert [name for name in before if not house.moved(name)] == []
        assert {name: address(house, name) for name in fixed} == fixed
        assert house.bundles("asks") == 0
        assert address(house, "asks") == before["asks"]
        assert (await house.back()).exit is Exit.DONE
        assert [name for name in before if not house.as_before(name)] == []
        assert {name: address(house, name) for name in before} == before


@together
async def an_address_that_would_be_left_behind(make_house: HouseMaker) -> None:
    """The survey finds it; nothing is sent. What would have become of it, the lab shows."""
    devices = [Dev("fixed", "rowan", fixed_address=OLD_50), Dev("leased", "rowan")]
    async with make_house(*devices) as house:
        with pytest.raises(Unreachable) as trouble:
            await house.forward()
        (problem,) = trouble.value.problems
        assert problem.device == "fixed"
        assert f"fixed address {OLD_50}" in problem.what
        assert str(NEW_NET) in problem.what
        assert "[addressing]" in problem.remedy
        assert {house.bundles(name) for name in house.lab.units} == {0}
        assert set(house.states().values()) == {State.WAITING}
        unit = house.unit("fixed")
        unit.store = house.target("fixed")
        await unit.power_cycle()
        await house.lab.wait_until(lambda: house.lab.where("fixed") == "new", 5)
        assert (str(unit.address), unit.serving) == (OLD_50, False)


@pytest.mark.skipif(not two_networks_possible(), reason="this machine has one loopback address")
@pytest.mark.asyncio(loop_scope="module")
@pytest.mark.parametrize("scenario", together.names)
async def test_fixed_address(scenario: str, running: Running) -> None:
    await running(scenario)
