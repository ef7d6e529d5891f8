"""What the devices do wrong, at the moment it hurts. The lab says what became of them.

One house holds a healthy pilot and a device of each family and transport for each fault.
"""

from __future__ import annotations

import asyncio

import pytest

from migrate.lab import Fault, FaultKind
from migrate.model.lifecycle import Direction, State
from migrate.model.problems import Exit, Unreachable

from .harness import FAMILIES, Dev, House, HouseMaker, Pace
from .watch import Passed, Watch

K = FaultKind
PILOT = Dev("a-pilot", "larch")
HASTY = Pace(soak_seconds=0.2, least=1.5, most=3, reply_seconds=1)
"""For devices that are not to be found: upper limits that are waited out."""


def each(*kinds: FaultKind, name: str = "", **fault: object) -> list[Dev]:
    """A device of every family over both transports with each of these faults."""
    return [
        Dev(
            f"{kind.name.lower()}-{family}-{via}{name}",
            family,
            via,  # type: ignore[arg-type]
            fault=Fault(kind, **fault),  # type: ignore[arg-type]
        )
        for kind in kinds
        for family in FAMILIES
        for via in ("http", "mqtt")
    ]


def names(devices: list[Dev]) -> list[str]:
    return [device.name for device in devices]


def not_in(house: House, state: State, devices: list[Dev]) -> dict[str, str]:
    """Devices that are in another state, with the last words about them."""
    states = house.states()
    return {n: f"{states[n]}: {house.note(n)}" for n in names(devices) if states[n] is not state}


def not_moved(house: House) -> dict[str, object]:
    """Devices that are not on the new side by exactly one message."""
    return {
        name: (house.lab.where(name), house.bundles(name), unit.store)
        for name, unit in house.lab.units.items()
        if not house.moved(name) or house.bundles(name) != 1
    }


def after_its_write(house: House, faults: dict[str, Fault]) -> Watch:
    """Each of these devices gets its fault when its settings message has been answered."""
    watch = Watch(house)

    def hurt(one: Passed) -> None:
        if one.kind == "write" and one.name in faults:
            house.unit(one.name).fault = faults[one.name]

    watch.after.append(hurt)
    return watch


async def test_writes_that_are_not_acted_on(make_house: HouseMaker) -> None:
    """The device is unchanged, whatever its answer looked like: it is not sent the bundle again
    until the owner says so, and the gate stays shut."""
    devices = each(
        K.DECLINES, K.ANSWERS_HTML, K.ANSWERS_500, K.SILENT, K.HUGE_BODY, K.REDIRECTS,
        times=1, only="writes",
    )  # fmt: skip
    last = Dev("z-last", "larch", reach="ladder")
    async with make_house(PILOT, *devices, last, change=("wifi", "broker"), pace=HASTY) as house:
        outcome = await house.forward()
        assert outcome.exit is Exit.HELD
        declines = [device for device in devices if device.name.startswith("declines")]
        others = [device for device in devices if device not in declines]
        assert not_in(house, State.DECLINED, declines) == {}
        assert not_in(house, State.RETURNED, others) == {}
        assert [n for n in names(devices) if not house.as_before(n) or house.bundles(n)] == []
        assert {"busy" in house.note(name) for name in names(declines)} == {True}
        assert all(name in " ".join(outcome.reasons) for name in names(devices))
        assert house.states()["z-last"] is State.WAITING
        # Going on without the owner's word changes nothing; with it, each is sent its bundle.
        assert (await house.forward()).exit is Exit.HELD
        assert [n for n in names(devices) if house.bundles(n)] == []
        assert (await house.forward(*names(devices))).exit is Exit.DONE
        assert not_moved(house) == {}


async def test_writes_whose_answer_is_lost_or_spoiled_but_acted_on(make_house: HouseMaker) -> None:
    devices = each(K.HALF_JSON, K.LOSES_ACK, times=1, only="writes")
    devices += each(K.ANSWERS_HTML, K.ANSWERS_500, K.HUGE_BODY, times=1, only="writes", acts=True)
    async with make_house(PILOT, *devices, change=("wifi", "broker")) as house:
        assert (await house.forward()).exit is Exit.DONE
        assert not_moved(house) == {}
        assert not_in(house, State.SETTLED, devices) == {}


@pytest.mark.parametrize("change", [("wifi", "broker"), ("broker",), ("group",)], ids="+".join)
async def test_a_restart_that_is_not_heard_is_asked_for_again(
    make_house: HouseMaker, change: object
) -> None:
    """sedge stores; only a restart puts it in force. Where both sides look alike its read-back
    says "moved" before it is true."""
    devices = [Dev("http", "sedge"), Dev("mqtt", "sedge", "mqtt")]
    async with make_house(PILOT, *devices, change=change, pace=Pace(reply_seconds=1)) as house:
        fault = Fault(K.SILENT, times=1, only="writes")
        watch = after_its_write(house, dict.fromkeys(names(devices), fault))
        assert (await house.forward(bend=watch)).exit is Exit.DONE
        assert not_moved(house) == {}
        asked = [one.name for one in watch.passed if one.kind == "restart"]
        assert sorted(asked) == ["http", "http", "mqtt", "mqtt"]


async def test_a_restart_that_is_never_made_is_never_settled(make_house: HouseMaker) -> None:
    devices = [Dev("http", "sedge"), Dev("mqtt", "sedge", "mqtt")]
    async with make_house(PILOT, *devices, change=("group",), pace=HASTY) as house:
        fault = Fault(K.SILENT, only="writes")
        watch = after_its_write(house, dict.fromkeys(names(devices), fault))
        assert (await house.forward(bend=watch)).exit is Exit.HELD
        assert not_in(house, State.RETURNED, devices) == {}
        assert {"not in force" in house.note(name) for name in names(devices)} == {True}
        # Once more it is the same bundle; then it restarts.
        for name in names(devices):
            house.unit(name).fault = None
        assert (await house.forward(*names(devices))).exit is Exit.DONE
        assert [name for name in house.lab.units if not house.moved(name)] == []
        for name in names(devices):
            assert len(set(house.unit(name).messages_that_changed)) == 1


SPOILED_READS = (
    K.ANSWERS_HTML, K.ANSWERS_500, K.HALF_JSON, K.SILENT, K.HUGE_BODY, K.LOSES_ACK, K.REDIRECTS,
)  # fmt: skip


async def test_reads_that_fail_after_the_move(make_house: HouseMaker) -> None:
    """A few: it settles. For ever: it is adrift when its deadline ends, and never settled
    unseen; healed, it is recognised, and nothing is sent again."""
    few, ever = each(*SPOILED_READS, name="-few"), each(*SPOILED_READS, name="-ever")
    faults = {device.name: Fault(device.fault.kind, 2, "reads") for device in few if device.fault}
    faults |= {
        device.name: Fault(device.fault.kind, None, "reads") for device in ever if device.fault
    }
    devices = [Dev(device.name, device.family, device.via) for device in few + ever]
    pace = Pace(soak_seconds=0.2, least=6, most=6, reply_seconds=1)
    async with make_house(PILOT, *devices, change=("wifi", "broker"), pace=pace) as house:
        outcome = await house.forward(bend=after_its_write(house, faults))
        assert outcome.exit is Exit.HELD
        assert not_in(house, State.SETTLED, few) == {}
        assert not_in(house, State.ADRIFT, ever) == {}
        for name in names(ever):
            house.unit(name).fault = None
        assert (await house.forward()).exit is Exit.DONE
        assert not_moved(house) == {}


async def test_devices_that_cannot_be_read_stop_the_run_before_it_begins(
    make_house: HouseMaker,
) -> None:
    devices = each(*SPOILED_READS, only="reads") + each(K.WRONG_MAC)
    missing = Dev("missing", "rowan")
    pace = Pace(reply_seconds=0.7)
    async with make_house(PILOT, *devices, missing, change=("wifi", "broker"), pace=pace) as house:
        await house.unit("missing").power_off()
        watch = Watch(house)
        with pytest.raises(Unreachable) as trouble:
            await house.forward(bend=watch)
        told = {problem.device for problem in trouble.value.problems}
        assert told == {*names(devices), "missing"}
        assert all(problem.what and problem.remedy for problem in trouble.value.problems)
        assert {one.kind for one in watch.passed} == {"read"}
        assert set(house.states().values()) == {State.WAITING}
        # The owner goes on without them: nothing is ever sent to a stranger.
        for name in told:
            house.journal.write_off(name)
        outcome = await house.forward(bend=watch)
        assert outcome.exit is Exit.DONE
        assert watch.written() == ["a-pilot"]
        assert "1 of" in outcome.headline
        assert f"{len(told)} written off" in outcome.headline


async def test_nothing_is_written_to_a_stranger_at_the_right_address(
    make_house: HouseMaker,
) -> None:
    """The survey was well; then another MAC answers (RFC 7042 documentation range)."""
    devices = each(K.WRONG_MAC)
    healthy = [Dev(device.name, device.family, device.via) for device in devices]
    async with make_house(PILOT, *healthy, change=("wifi", "broker")) as house:
        watch = Watch(house)

        def swap(one: Passed) -> None:
            if one.kind == "write":
                for name in names(devices):
                    house.unit(name).fault = Fault(K.WRONG_MAC)

        watch.before.append(swap)
        assert (await house.forward(bend=watch)).exit is Exit.HELD
        assert watch.written() == ["a-pilot"]
        assert not_in(house, State.WAITING, devices) == {}
        assert {"another device" in house.note(name) for name in names(devices)} == {True}
        assert [n for n in names(devices) if not house.as_before(n)] == []


async def test_a_stranger_on_the_new_side_is_not_the_device(make_house: HouseMaker) -> None:
    devices = each(K.WRONG_MAC)
    healthy = [Dev(device.name, device.family, device.via) for device in devices]
    async with make_house(PILOT, *healthy, change=("wifi", "broker"), pace=HASTY) as house:
        watch = after_its_write(house, dict.fromkeys(names(devices), Fault(K.WRONG_MAC)))
        assert (await house.forward(bend=watch)).exit is Exit.HELD
        assert not_in(house, State.ADRIFT, devices) == {}
        for name in names(devices):
            house.unit(name).fault = None
        assert (await house.forward()).exit is Exit.DONE
        assert not_moved(house) == {}


async def test_a_wrong_read_back(make_house: HouseMaker) -> None:
    """For ever: it stays seen, and the gate shut. For a while: it settles."""
    ever, once = each(K.WRONG_READBACK, name="-ever"), each(K.WRONG_READBACK, name="-once")
    pace = Pace(soak_seconds=0.2, least=2, most=4, reply_seconds=1)
    async with make_house(PILOT, *ever, *once, change=("wifi", "broker"), pace=pace) as house:
        watch, seen = Watch(house), dict.fromkeys(names(once), 0)

        def heal(one: Passed) -> None:
            if one.name in seen and one.where[one.name] == "new":
                seen[one.name] += 1
                if seen[one.name] == 3:
                    house.unit(one.name).fault = None

        watch.after.append(heal)
        assert (await house.forward(bend=watch)).exit is Exit.HELD
        assert not_in(house, State.SEEN, ever) == {}
        assert {"wifi.ssid 'old-net'" in house.note(name) for name in names(ever)} == {True}
        assert not_in(house, State.SETTLED, once) == {}
        for name in names(ever):
            house.unit(name).fault = None
        assert (await house.forward()).exit is Exit.DONE
        assert not_moved(house) == {}


async def test_slow_returns(make_house: HouseMaker) -> None:
    """Within the deadline it is waited for. Beyond it, the device is adrift until the run goes
    on; then it is found where it was sent, and sent nothing."""
    within = each(K.SLOW_RETURN, name="-within", seconds=1)
    beyond = each(K.SLOW_RETURN, name="-beyond", seconds=5)
    pace = Pace(soak_seconds=0.2, least=3.5, most=6, reply_seconds=1)
    async with make_house(PILOT, *within, *beyond, change=("wifi", "broker"), pace=pace) as house:
        assert (await house.forward()).exit is Exit.HELD
        assert not_in(house, State.SETTLED, within) == {}
        assert not_in(house, State.ADRIFT, beyond) == {}
        await house.lab.wait_until(lambda: all(unit.up for unit in house.lab.units.values()))
        assert (await house.forward()).exit is Exit.DONE
        assert not_moved(house) == {}


async def test_no_return_and_a_return_to_the_old_side(make_house: HouseMaker) -> None:
    gone, back = each(K.NO_RETURN, times=1), each(K.RETURNS_TO_OLD, times=1)
    last = Dev("z-last", "larch", reach="ladder")
    async with make_house(
        PILOT, *gone, *back, last, change=("wifi", "broker"), pace=HASTY
    ) as house:
        assert (await house.forward()).exit is Exit.HELD
        assert not_in(house, State.ADRIFT, gone) == {}
        assert not_in(house, State.RETURNED, back) == {}
        # What a device that is adrift was last given is known exactly, secrets as references.
        for name in names(gone):
            assert house.journal.row(name).given == house.plan.device(name).bundle
        for name in names(gone):
            await house.unit(name).power_cycle()
        await house.lab.wait_until(lambda: all(unit.up for unit in house.lab.units.values()))
        assert (await house.forward(*names(back))).exit is Exit.DONE
        assert [name for name in house.lab.units if not house.moved(name)] == []
        assert {house.bundles(name) for name in names(gone)} == {1}
        for name in names(back):
            # rowan's messages hold the identifier of each request (JSON-RPC 2.0 section 4).
            assert house.bundles(name) == 2


async def test_a_device_that_flaps_in_its_soak(make_house: HouseMaker) -> None:
    """It counts only when it stayed well for the whole soak, from its last return on."""
    devices = each(K.FLAPS, times=1, after=0.3, seconds=0.8)
    pace = Pace(soak_seconds=0.6, reply_seconds=1)
    async with make_house(PILOT, *devices, change=("wifi", "broker"), pace=pace) as house:
        assert (await house.forward()).exit is Exit.DONE
        assert not_moved(house) == {}
        settled = {tidings.name: at for at, tidings in house.told if tidings.state is State.SETTLED}
        for name in names(devices):
            unit = house.unit(name)
            assert [what for _, what in unit.history].count("joined new") == 2
            assert unit.last_up is not None
            assert settled[name] - unit.last_up >= pace.soak_seconds - pace.look_seconds
            assert [e.kind for e in house.journal.entries() if e.name == name].count("lose") == 1


async def test_the_old_network_goes_off_the_air(make_house: HouseMaker) -> None:
    """Between two waves: nothing can be sent to the rest, and nothing is lost."""
    devices = [Dev(f"lamp-{n}", "larch") for n in range(3)]
    async with make_house(PILOT, *devices, pace=HASTY) as house:
        house.on_tidings.append(
            lambda tidings: (
                setattr(house.lab.old_network, "on_air", False) if tidings.kind == "gate" else None
            )
        )
        outcome = await house.forward()
        house.on_tidings.clear()
        assert outcome.exit is Exit.HELD
        assert not_in(house, State.WAITING, devices) == {}
        house.lab.old_network.on_air = True
        await house.lab.wait_until(lambda: all(unit.up for unit in house.lab.units.values()))
        assert (await house.forward()).exit is Exit.DONE
        assert not_moved(house) == {}


async def test_the_new_network_is_not_on_the_air(make_house: HouseMaker) -> None:
    """The pilot alone pays for it; when the network comes on, the run goes on by itself."""
    async with make_house(PILOT, Dev("lamp", "larch"), Dev("plug", "rowan"), pace=HASTY) as house:
        house.lab.new_network.on_air = False
        watch = Watch(house)
        assert (await house.forward(bend=watch)).exit is Exit.HELD
        assert watch.written() == ["a-pilot"]
        assert house.states()["a-pilot"] is State.ADRIFT
        house.lab.new_network.on_air = True
        await house.lab.wait_until(lambda: house.lab.where("a-pilot") == "new")
        assert (await house.forward(bend=watch)).exit is Exit.DONE
        assert sorted(watch.written()) == ["a-pilot", "lamp", "plug"]
        assert not_moved(house) == {}


async def test_a_deadline_is_kept_by_a_device_that_answers_nothing(make_house: HouseMaker) -> None:
    """An address that takes connections and is silent, as a dropped packet is, must not hold up
    the clock: the read of a look lasts as long as the wait for it."""
    devices = [Dev("http", "rowan"), Dev("mqtt", "rowan", "mqtt")]
    async with make_house(PILOT, *devices, change=("broker",), pace=HASTY) as house:
        silent = Fault(K.SILENT, only="reads")
        watch = after_its_write(house, dict.fromkeys(names(devices), silent))
        begun = asyncio.get_running_loop().time()
        async with asyncio.timeout(30):
            assert (await house.forward(bend=watch)).exit is Exit.HELD
        assert not_in(house, State.ADRIFT, devices) == {}
        # Twice the deadline, and a look on top.
        assert asyncio.get_running_loop().time() - begun < 15
        assert {house.journal.row(n).direction for n in names(devices)} == {Direction.FORWARD}
