"""Devices that sleep: their message is delivered when they wake, and nobody waits in vain."""

from __future__ import annotations

import asyncio
from dataclasses import replace
from typing import Literal

import aiomqtt
import pytest

from migrate.engine.tidings import Tidings
from migrate.lab import Fault, FaultKind
from migrate.model.lifecycle import Event, State
from migrate.model.problems import Exit, Unreachable

from .harness import Bend, Dev, Family, House, HouseMaker, Pace
from .together import Running, Together
from .watch import Passed, Watch

together = Together(at_once=3)
K = FaultKind
WAKES = 1.2
PACE = Pace(soak_seconds=0.15, least=6, most=8, reply_seconds=1, look_seconds=0.05)


def sleeper(
    name: str,
    family: Family = "larch",
    via: Literal["http", "mqtt"] = "http",
    *,
    fault: Fault | None = None,
    cleanly: bool = True,
) -> Dev:
    return Dev(name, family, via, fault=fault, cleanly=cleanly, wakes=WAKES, awake=0.6)


async def comes_to_be(house: House, well: str, *names: str) -> None:
    """Each of these is on its side as it must be, when next it is awake."""
    right = house.moved if well == "moved" else house.as_before
    for name in names:
        await house.lab.wait_until(lambda name=name: right(name), 5)  # type: ignore[misc]


async def retained(house: House) -> set[str]:
    """Topics with a retained message on either broker: where a message to a device must not be."""
    topics: set[str] = set()
    for side in (house.lab.old, house.lab.new):
        async with aiomqtt.Client(
            side.broker_host,
            side.broker_port,
            username=side.broker_username,
            password=side.broker_password,
        ) as client:
            await client.subscribe("#")
            await client.publish("the/end", b"")
            async for message in client.messages:
                if message.topic.value == "the/end":
                    break
                if message.retain:
                    topics.add(message.topic.value)
    return topics


@together
async def sleepers_move_with_the_others_and_go_back(make_house: HouseMaker) -> None:
    """Over HTTP by asking, over MQTT by their presence, whether they sign off or vanish; each by
    one message, given to it while it was awake."""
    devices = [
        Dev("a-pilot", "larch"),
        sleeper("asked"),
        sleeper("heard", "larch", "mqtt"),
        sleeper("vanishing", "rowan", "mqtt", cleanly=False),
        Dev("z-lamp", "rowan", "mqtt"),
    ]
    async with make_house(*devices, change=("wifi", "broker"), pace=PACE) as house:
        watch = Watch(house)
        outcome = await house.forward(bend=watch)
        assert outcome.exit is Exit.DONE, (outcome, house.told[-8:])
        await comes_to_be(house, "moved", *house.lab.units)
        assert {house.bundles(name) for name in house.lab.units} == {1}
        assert set(watch.written()) == set(house.lab.units)
        assert await retained(house) <= {
            f"{unit.spec.family}/{unit.spec.topic}/presence" for unit in house.lab.units.values()
        }
        # To be asleep is no fault: none was lost while it soaked.
        notes = " ".join(entry.detail for entry in house.journal.entries())
        assert "while it soaked" not in notes
        outcome = await house.back()
        assert outcome.exit is Exit.DONE, (outcome, house.told[-8:])
        await comes_to_be(house, "as before", *house.lab.units)


@together
async def their_return_times_say_nothing_about_the_others(make_house: HouseMaker) -> None:
    """RFC 6298's estimate is of the others' returns alone."""
    async with (
        make_house(sleeper("sleeper"), Dev("z-lamp", "rowan"), pace=PACE) as house,
        house.conductor() as conductor,
    ):
        assert (await conductor.forward()).exit is Exit.DONE
        returns = conductor._ground.returns
        took = [entry.detail for entry in house.journal.entries() if entry.kind == "arrive"]
        assert len(took) == 2
        assert returns is not None
        lamp = next(float(words.split(" after ")[1][:-2]) for words in took[1:])
        # Still the first sample: RTTVAR is half of SRTT (RFC 6298 section 2.2).
        assert returns.variation == pytest.approx(returns.smoothed / 2)
        assert returns.smoothed == pytest.approx(lamp, abs=0.06)


@together
async def one_that_never_wakes_is_told_at_the_survey(make_house: HouseMaker) -> None:
    """Over HTTP and MQTT, while the others are read at once; nothing is sent to anybody."""
    devices = [sleeper("asked"), sleeper("heard", "larch", "mqtt"), Dev("z-lamp", "rowan")]
    async with make_house(*devices, pace=PACE) as house:
        for name in ("asked", "heard"):
            await house.unit(name).power_off()
        watch = Watch(house)
        begun = asyncio.get_running_loop().time()
        with pytest.raises(Unreachable) as trouble:
            await house.forward(bend=watch)
        took = asyncio.get_running_loop().time() - begun
        assert 1.5 * WAKES <= took < 1.5 * WAKES + PACE.reply_seconds + 1.5
        assert {problem.device for problem in trouble.value.problems} == {"asked", "heard"}
        for problem in trouble.value.problems:
            assert "did not wake within 1.8 s" in problem.what
            assert "every 1.2 s" in problem.what
        assert watch.writes == []


@together
async def one_that_does_not_return_is_adrift_after_its_own_deadline(
    make_house: HouseMaker,
) -> None:
    """The playbook's, and one and a half of its periods."""
    pace = replace(PACE, least=1, most=1)
    ways: list[Literal["http", "mqtt"]] = ["http", "mqtt"]
    for via in ways:
        lost = sleeper("sleeper", "larch", via, fault=Fault(K.NO_RETURN))
        async with make_house(lost, change=("wifi", "broker"), pace=pace) as house:
            outcome = await house.forward()
            assert outcome.exit is Exit.HELD, via
            assert house.states() == {"sleeper": State.ADRIFT}
            at = {tidings.state: when for when, tidings in house.told if tidings.name}
            waited = at[State.ADRIFT] - at[State.AWAY]
            assert 1 + 1.5 * WAKES - 0.1 <= waited < 1 + 1.5 * WAKES + pace.reply_seconds + 1.5
            assert "for 3 s" in house.note("sleeper")


@together
async def one_that_returns_by_itself_is_told(make_house: HouseMaker) -> None:
    """Its uptime counts from each wake, so no restart is read from it: it is still there when its
    own deadline is over."""
    pace = replace(PACE, least=1, most=1)
    homesick = sleeper("sleeper", fault=Fault(K.RETURNS_TO_OLD))
    async with make_house(homesick, pace=pace, age=0) as house:
        assert (await house.forward()).exit is Exit.HELD
        assert house.states() == {"sleeper": State.RETURNED}
        assert "still at" in house.note("sleeper")


@together
async def one_that_falls_asleep_before_its_message_is_sent_it_at_the_next_wake(
    make_house: HouseMaker,
) -> None:
    """Over HTTP it is certain that nothing was delivered. Over MQTT nobody can tell, until it is
    found unchanged in a later wake; only then is it sent the same once more."""
    devices = [sleeper("asked"), sleeper("heard", "larch", "mqtt")]
    async with make_house(*devices, change=("wifi", "broker"), pace=PACE) as house:
        watch = Watch(house)
        dozed: set[str] = set()

        async def doze_off(one: Passed) -> None:
            # Between the look that found it and its message.
            if one.kind == "write" and one.name not in dozed:
                dozed.add(one.name)
                await house.lab.wait_until(lambda: house.lab.where(one.name) == "nowhere", 5)

        watch.before.append(doze_off)
        outcome = await house.forward(bend=watch)
        assert outcome.exit is Exit.DONE, (outcome, house.told[-8:])
        assert dozed == {"asked", "heard"}
        await comes_to_be(house, "moved", *dozed)
        assert {house.bundles(name) for name in dozed} == {1}
        steps = [one.kind for one in house.journal.entries("heard") if one.kind in set(Event)]
        assert steps[:4] == ["intend", "unsent", "intend", "sent"]
        same = {one.text for one in watch.writes if one.name == "heard"}
        assert len(same) == 1


@together
async def stopping_does_not_wait_for_a_wake(make_house: HouseMaker) -> None:
    """Neither in the survey nor before a message."""
    sleepy = Dev("sleeper", "larch", wakes=600, awake=1.5)
    async with make_house(Dev("a-pilot", "larch"), sleepy, pace=PACE) as house:

        async def asleep() -> None:
            await house.lab.wait_until(lambda: house.lab.where("sleeper") == "nowhere", 10)

        async def stopped_at(words: str, bend: Bend = lambda world: world) -> None:
            async with asyncio.timeout(15), house.conductor(bend=bend) as conductor:

                def stop(tidings: Tidings) -> None:
                    if words in tidings.words:
                        asyncio.get_running_loop().call_later(0.1, conductor.stop)

                house.on_tidings[:] = [stop]
                assert (await conductor.forward()).exit is Exit.STOPPED

        await asleep()
        await stopped_at("until they wake")
        assert set(house.states().values()) == {State.WAITING}
        await house.unit("sleeper").power_cycle()
        await house.lab.wait_until(lambda: house.unit("sleeper").serving)
        watch = Watch(house)
        watch.before.append(lambda one: asleep() if one.kind == "write" else None)
        await stopped_at("when it wakes", watch)
        assert house.states() == {"a-pilot": State.SETTLED, "sleeper": State.WAITING}
        assert house.bundles("sleeper") == 0


@pytest.mark.asyncio(loop_scope="module")
@pytest.mark.parametrize("scenario", together.names)
async def test_sleeper(scenario: str, running: Running) -> None:
    await running(scenario)
