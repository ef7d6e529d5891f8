"""What the devices do wrong, at the moment it hurts. The lab says what became of them.

One house holds a healthy pilot and a device of each family and transport for each fault.
"""

from __future__ import annotations

import asyncio
import json
from dataclasses import dataclass, replace
from typing import Literal

import pytest

from migrate.dialects.messages import Reply, Request
from migrate.lab import Fault, FaultKind
from migrate.model.lifecycle import Direction, State
from migrate.model.problems import Exit, Unreachable
from migrate.ports.protocols import At, Line, World

from .harness import AN_HOUR, FAMILIES, Change, Dev, House, HouseMaker, Pace
from .together import Running, Together
from .watch import Passed, Watch, kind_of

# The first and the last are big houses: they are not to meet.
together = Together(at_once=3)
K = FaultKind
BOTH: tuple[Change, ...] = ("wifi", "broker")
PILOT = Dev("a-pilot", "larch")
HASTY = Pace(soak_seconds=0.2, least=3, most=3, reply_seconds=1, look_seconds=0.2)
"""For devices that are not to be found: upper limits that are waited out."""


def each(*kinds: FaultKind, name: str = "", **fault: object) -> list[Dev]:
    """A device of every family with each of these faults; the transports take turns."""
    devices = []
    for turn, kind in enumerate(kinds):
        for step, family in enumerate(FAMILIES):
            via: Literal["http", "mqtt"] = "http" if (turn + step) % 2 else "mqtt"
            called = f"{kind.name.lower()}-{family}-{via}{name}"
            devices.append(Dev(called, family, via, fault=Fault(kind, **fault)))  # type: ignore[arg-type]
    return devices


def one_of_each(*kinds: FaultKind, **more: object) -> list[Dev]:
    """One device for each of these faults; families and transports take turns."""
    return [each(kind, **more)[turn % 3] for turn, kind in enumerate(kinds)]  # type: ignore[arg-type]


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


async def goes_on(house: House, *again: str) -> None:
    """The run ends well, on however busy a machine: what was late is found the next time."""
    outcome = await house.forward(*again)
    for _ in range(5):
        if outcome.done:
            break
        outcome = await house.forward()
    assert outcome.done, outcome


def after_its_write(house: House, faults: dict[str, Fault]) -> Watch:
    """Each of these devices gets its fault when its settings message has been answered."""
    watch = Watch(house)

    def hurt(one: Passed) -> None:
        if one.kind == "write" and one.name in faults:
            house.unit(one.name).fault = faults[one.name]

    watch.after.append(hurt)
    return watch


def as_it_restarts(house: House, faults: dict[str, Fault]) -> Watch:
    """Each of these devices gets its fault with the message that makes it restart."""
    watch = Watch(house)

    def hurt(one: Passed) -> None:
        family = house.unit(one.name).spec.family
        if one.name in faults and one.kind == ("restart" if family == "sedge" else "write"):
            house.unit(one.name).fault = faults[one.name]

    watch.before.append(hurt)
    return watch


@together
async def everything_that_goes_wrong_after_the_write(make_house: HouseMaker) -> None:
    """Every device ends in the state that says what is known; when the world is well again, each
    is recognised where it is, and only those that came back are sent their bundle once more."""
    few = one_of_each(*SPOILED_READS, name="-few", only="reads", times=2)
    mute = one_of_each(*SPOILED_READS, name="-ever", only="reads")
    mute = [dev for dev in mute if not (dev.name.startswith("huge") and dev.via == "mqtt")]
    within = each(K.SLOW_RETURN, name="-within", seconds=1)
    beyond = each(K.SLOW_RETURN, name="-beyond", seconds=8.5)
    gone = each(K.NO_RETURN, times=1)
    back = each(K.RETURNS_TO_OLD, times=1)
    stranger = each(K.WRONG_MAC)
    stale, slow = each(K.WRONG_READBACK, name="-ever"), each(K.WRONG_READBACK, name="-once")
    flaps = each(K.FLAPS, times=1, after=0.4, seconds=1.0)
    settle, adrift = few + within + slow + flaps, mute + beyond + gone + stranger
    everybody = settle + adrift + back + stale
    faults = {device.name: device.fault for device in everybody if device.fault}
    healthy = [replace(device, fault=None) for device in everybody]
    pace = Pace(soak_seconds=0.6, least=5, most=5, reply_seconds=1.5, look_seconds=0.3)
    async with make_house(PILOT, *healthy, change=BOTH, pace=pace) as house:
        watch = as_it_restarts(house, faults)
        seen = dict.fromkeys(names(slow), 0)

        def heal(one: Passed) -> None:
            if one.name in seen and one.where[one.name] == "new":
                seen[one.name] += 1
                if seen[one.name] == 3:
                    house.unit(one.name).fault = None

        watch.after.append(heal)
        assert (await house.forward(bend=watch)).exit is Exit.HELD
        assert not_in(house, State.SETTLED, settle) == {}
        assert not_in(house, State.ADRIFT, adrift) == {}
        # Those that keep telling other settings than they were given may be sent them once more.
        assert not_in(house, State.RETURNED, back + stale) == {}
        assert {"wifi.ssid 'old-net'" in house.note(name) for name in names(stale)} == {True}
        assert {"another device" in house.note(name) for name in names(stranger)} == {True}
        # What a device that is adrift was last given is known exactly, secrets as references.
        for name in names(adrift):
            assert house.journal.row(name).given == house.plan.device(name).bundle
        # It counts only when it stayed well for the whole soak, from its last return on.
        when = {tidings.name: at for at, tidings in house.told if tidings.state is State.SETTLED}
        for name in names(flaps):
            joined = [at for at, what in house.unit(name).history if what == "joined new"]
            assert len(joined) == 2
            assert when[name] - joined[-1] >= pace.soak_seconds
        for name in names(mute + stranger + stale):
            house.unit(name).fault = None
        for name in names(gone):
            await house.unit(name).power_cycle()
        await house.lab.wait_until(lambda: all(unit.up for unit in house.lab.units.values()))
        await goes_on(house, *names(back))
        assert [name for name in house.lab.units if not house.moved(name)] == []
        assert {house.bundles(name) for name in set(house.lab.units) - {*names(back)}} == {1}
        for name in names(back):
            assert house.bundles(name) == 2
            assert len({one.text for one in watch.writes if one.name == name}) == 1


@together
async def a_restart_that_is_not_heard_is_asked_for_again(make_house: HouseMaker) -> None:
    """sedge stores; only a restart puts it in force. Where both sides look alike its read-back
    says "moved" before it is true."""
    changes: list[tuple[Change, ...]] = [BOTH, ("broker",), ("group",)]
    await asyncio.gather(*(not_heard(make_house, change) for change in changes))


async def not_heard(make_house: HouseMaker, change: tuple[Change, ...]) -> None:
    devices = [Dev("http", "sedge"), Dev("mqtt", "sedge", "mqtt")]
    async with make_house(PILOT, *devices, change=change, pace=Pace(reply_seconds=1)) as house:
        fault = Fault(K.SILENT, times=1, only="writes")
        watch = after_its_write(house, dict.fromkeys(names(devices), fault))
        assert (await house.forward(bend=watch)).exit is Exit.DONE
        assert not_moved(house) == {}
        asked = [one.name for one in watch.passed if one.kind == "restart"]
        assert sorted(asked) == ["http", "http", "mqtt", "mqtt"]


@together
async def a_restart_that_is_never_made_is_never_settled(make_house: HouseMaker) -> None:
    devices = [Dev("http", "sedge", load="a"), Dev("mqtt", "sedge", "mqtt", load="b")]
    async with make_house(PILOT, *devices, change=("group",), pace=HASTY) as house:
        fault = Fault(K.SILENT, only="writes")
        watch = after_its_write(house, dict.fromkeys(names(devices), fault))
        assert (await house.forward(bend=watch)).exit is Exit.HELD
        assert not_in(house, State.RETURNED, devices) == {}
        assert {"not in force" in house.note(name) for name in names(devices)} == {True}
        # Once more it is the same bundle; then it restarts.
        for name in names(devices):
            house.unit(name).fault = None
        await goes_on(house, *names(devices))
        assert [name for name in house.lab.units if not house.moved(name)] == []
        for name in names(devices):
            assert len(set(house.unit(name).messages_that_changed)) == 1


# The first is of a family whose answer means nothing by half: a text does.
SPOILED_READS = (
    K.HALF_JSON, K.ANSWERS_HTML, K.ANSWERS_500, K.SILENT, K.HUGE_BODY, K.LOSES_ACK, K.REDIRECTS,
)  # fmt: skip


@together
async def devices_that_cannot_be_read_stop_the_run_before_it_begins(
    make_house: HouseMaker,
) -> None:
    devices = each(*SPOILED_READS, only="reads") + each(K.WRONG_MAC)
    missing = Dev("missing", "rowan")
    pace = Pace(reply_seconds=1)
    async with make_house(PILOT, *devices, missing, change=BOTH, pace=pace) as house:
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


@together
async def nothing_is_written_to_a_stranger_at_the_right_address(
    make_house: HouseMaker,
) -> None:
    """The survey was well; then another MAC answers (RFC 7042 documentation range)."""
    devices = each(K.WRONG_MAC)
    healthy = [Dev(device.name, device.family, device.via) for device in devices]
    async with make_house(PILOT, *healthy, change=BOTH, pace=HASTY) as house:
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


@together
async def a_restart_too_short_to_be_missed_is_noticed(make_house: HouseMaker) -> None:
    """A device that starts again and again between two looks answers each of them; its uptime
    gives it away, and the soak begins anew."""
    pace = Pace(soak_seconds=1, reply_seconds=1, look_seconds=0.2)
    async with make_house(Dev("lamp"), Dev("plug", "rowan", "mqtt"), pace=pace) as house:
        watch, cycled = Watch(house), dict[str, float]()

        async def cycle(one: Passed) -> None:
            unit = house.unit(one.name)
            if house.states()[one.name] is not State.SEEN or one.name in cycled:
                return
            if asyncio.get_running_loop().time() - unit._booted_at < AN_HOUR:
                unit._booted_at -= AN_HOUR  # the next look finds that it has been up for long
                return
            cycled[one.name] = asyncio.get_running_loop().time()
            await unit.power_cycle()

        watch.after.append(cycle)
        assert (await house.forward(bend=watch)).exit is Exit.DONE
        settled = {t.name: at for at, t in house.told if t.state is State.SETTLED}
        assert set(cycled) == {"lamp", "plug"}
        for name, at in cycled.items():
            assert settled[name] - at >= pace.soak_seconds


@dataclass
class LastAnswer:
    """A line over which a larch, in the moment between two lives, still answers where it was: with
    its new settings, and an uptime of nothing. Seen in the lab on a busy machine."""

    house: House
    line: Line | None = None
    written: bool = False
    answered: bool = False

    def __call__(self, world: World) -> World:
        self.line = world.line
        return replace(world, line=self)

    async def exchange(self, request: Request, at: At, seconds: float) -> Reply:
        assert self.line is not None
        reply = await self.line.exchange(request, at, seconds)
        kind, _ = kind_of(request)
        self.written = self.written or kind == "write"
        if kind == "read" and self.written and at.side == "old":
            document = json.loads(reply.body)
            document["unit"]["uptime_s"] = 0
            document["network"]["name"] = self.house.lab.new.ssid
            self.answered = True
            return replace(reply, body=json.dumps(document).encode())
        return reply


@together
async def the_last_answer_on_the_side_it_leaves(make_house: HouseMaker) -> None:
    """It has not come back: it holds what it was given."""
    async with make_house(Dev("lamp")) as house:
        last = LastAnswer(house)
        assert (await house.forward(bend=last)).exit is Exit.DONE
        assert last.answered
        assert not_moved(house) == {}


@together
async def the_old_network_goes_off_the_air(make_house: HouseMaker) -> None:
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
        await goes_on(house)
        assert not_moved(house) == {}


@together
async def the_new_network_is_not_on_the_air(make_house: HouseMaker) -> None:
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


@together
async def a_deadline_is_kept_by_a_device_that_answers_nothing(make_house: HouseMaker) -> None:
    """An address that takes connections and is silent, as a dropped packet is, must not hold up
    the clock: the read of a look lasts as long as the wait for it."""
    devices = [Dev("http", "rowan"), Dev("mqtt", "sedge", "mqtt")]
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


@together
async def writes_that_are_answered_badly(make_house: HouseMaker) -> None:
    """Not acted on: the device is unchanged, whatever its answer looked like; it is not sent the
    bundle again until the owner says so, and the gate stays shut. Acted on: it settles."""
    declined = each(K.DECLINES, times=1, only="writes")
    unchanged = each(
        K.ANSWERS_HTML, K.ANSWERS_500, K.SILENT, K.HUGE_BODY, K.REDIRECTS, times=1, only="writes"
    )
    acted = each(K.HALF_JSON, K.LOSES_ACK, times=1, only="writes")
    acted += each(K.ANSWERS_HTML, K.HUGE_BODY, times=1, only="writes", acts=True, name="-acted")
    last = Dev("z-last", "larch", feeds="access-point")
    devices = declined + unchanged
    pace = replace(HASTY, reply_seconds=2)  # a busy machine must not take an answer for none
    async with make_house(PILOT, *devices, *acted, last, change=BOTH, pace=pace) as house:
        outcome = await house.forward()
        assert outcome.exit is Exit.HELD
        assert not_in(house, State.DECLINED, declined) == {}
        assert not_in(house, State.RETURNED, unchanged) == {}
        assert not_in(house, State.SETTLED, acted) == {}
        assert [n for n in names(devices) if not house.as_before(n) or house.bundles(n)] == []
        assert {"busy" in house.note(name) for name in names(declined)} == {True}
        assert all(name in " ".join(outcome.reasons) for name in names(devices))
        assert house.states()["z-last"] is State.WAITING
        # Without the owner's word nothing is sent again; one that is named goes, whatever became
        # of the others of its wave.
        assert (await house.forward(declined[0].name)).exit is Exit.HELD
        assert [n for n in names(devices) if house.bundles(n)] == [declined[0].name]
        await goes_on(house, *names(devices))
        assert not_moved(house) == {}


@pytest.mark.asyncio(loop_scope="module")
@pytest.mark.parametrize("scenario", together.names)
async def test_fault(scenario: str, running: Running) -> None:
    await running(scenario)
