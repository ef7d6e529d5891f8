"""Looking for a sleeper, and its soak, by a seeker that answers as a test wants it."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any, cast

import pytest

from migrate.dialects.messages import Readings
from migrate.engine.awake import look_awake, look_for_patience
from migrate.engine.crew import Member
from migrate.engine.seek import Look, Seeker, Sighting
from migrate.engine.soak import Wakes, soak_asleep
from migrate.model.lifecycle import Event
from migrate.model.playbook import Deadline, Pace
from migrate.ports.protocols import At

PACE = Pace(
    soak_seconds=0.1,
    reply_seconds=30.0,
    look_seconds=0.05,
    deadline_seconds=Deadline(least=0.1, most=0.2),
)


@dataclass(frozen=True)
class Planned:
    wakes_seconds: float


@dataclass(frozen=True)
class Sleeper:
    """As much of a member as is looked at."""

    tells_presence: bool
    planned: Planned


@dataclass
class OneDevice:
    """`answers` says whether a look that begins now is answered; one that is not hangs until it
    is given up, as a read of a device that sleeps does."""

    answers: Callable[[], bool]
    changed: asyncio.Event = field(default_factory=asyncio.Event)
    looks: int = 0
    at_once: int = 0
    most_at_once: int = 0
    refuses: bool = False

    async def look(self, member: Member, seconds: float, sides: Any, *, sure: bool = False) -> Look:
        self.looks += 1
        self.at_once += 1
        self.most_at_once = max(self.most_at_once, self.at_once)
        try:
            if self.answers():
                return Look({"old": sighting()})
            if not self.refuses:
                await asyncio.sleep(seconds)
            return Look(words=["nothing answers"])
        finally:
            self.at_once -= 1

    async def change(self, member: Member, seconds: float) -> None:
        try:
            async with asyncio.timeout(seconds):
                await self.changed.wait()
                self.changed.clear()
        except TimeoutError:
            pass


def sighting() -> Sighting:
    now = asyncio.get_running_loop().time()
    return Sighting(At("old"), Readings(mac="00-00-5E-00-53-01"), "old", False, now, now)


def sleeper(*, over_mqtt: bool, wakes: float = 1.0) -> Member:
    return cast(Member, Sleeper(over_mqtt, Planned(wakes)))


def seeker(device: OneDevice) -> Seeker:
    return cast(Seeker, device)


async def test_a_look_that_hangs_does_not_hold_up_the_next() -> None:
    """Over HTTP. A reply may take 30 s here; the third look meets it awake after 0.1 s."""
    device = OneDevice(lambda: device.looks == 3)
    async with asyncio.timeout(5):
        look = await look_awake(seeker(device), sleeper(over_mqtt=False), PACE, 20)
    assert look.found
    assert device.looks == 3


async def test_it_is_asked_only_a_few_times_at_once() -> None:
    device = OneDevice(lambda: False)
    pace = PACE.model_copy(update={"reply_seconds": 0.4, "look_seconds": 0.05})
    look = await look_awake(seeker(device), sleeper(over_mqtt=False), pace, 1)
    assert not look.found
    assert device.most_at_once == 3
    assert device.looks >= 6


async def test_a_read_begun_while_it_slept_is_begun_anew_when_it_wakes() -> None:
    """Over MQTT, where its presence still says that it is there: nothing but the change tells."""
    device = OneDevice(lambda: device.looks == 2)
    asyncio.get_running_loop().call_later(0.1, device.changed.set)
    async with asyncio.timeout(5):
        look = await look_awake(seeker(device), sleeper(over_mqtt=True), PACE, 20)
    assert look.found
    assert device.looks == 2


async def test_a_wake_between_two_looks_is_not_missed() -> None:
    """One watch lasts over look and pause."""
    pace = PACE.model_copy(update={"look_seconds": 30.0})
    device = OneDevice(lambda: device.looks == 2, refuses=True)
    asyncio.get_running_loop().call_later(0.1, device.changed.set)
    async with asyncio.timeout(5):
        assert (await look_awake(seeker(device), sleeper(over_mqtt=True), pace, 20)).found


async def test_presence_that_changes_for_ever_does_not_hold_up_the_end() -> None:
    pace = PACE.model_copy(update={"reply_seconds": 0.2})
    device = OneDevice(lambda: False)

    async def flap() -> None:
        while True:
            device.changed.set()
            await asyncio.sleep(0.01)

    flapping = asyncio.create_task(flap())
    async with asyncio.timeout(5):
        assert not (await look_awake(seeker(device), sleeper(over_mqtt=True), pace, 0.3)).found
    flapping.cancel()


@pytest.mark.parametrize("over_mqtt", [False, True])
async def test_stopping_ends_it_at_once(over_mqtt: bool) -> None:
    device, stopping = OneDevice(lambda: False), asyncio.Event()
    asyncio.get_running_loop().call_later(0.05, stopping.set)
    async with asyncio.timeout(5):
        look = await look_for_patience(
            seeker(device), sleeper(over_mqtt=over_mqtt, wakes=600), PACE, stopping
        )
    assert not look.found
    assert device.at_once == 0


@pytest.mark.parametrize("over_mqtt", [False, True])
async def test_it_is_looked_at_once_even_if_there_is_no_time_left(over_mqtt: bool) -> None:
    device = OneDevice(lambda: True)
    assert (await look_awake(seeker(device), sleeper(over_mqtt=over_mqtt), PACE, 0)).found


@pytest.mark.parametrize(
    ("seen", "asleep_before", "soaked_at"),
    [
        # Awake all the time: the soak alone counts.
        ([0, 20, 40, 60], [], 60),
        # Asleep in between: half a period apart, and the soak is over.
        ([0, 1, 300, 301], [300], 300),
        # Two sightings of one wake are one wake, although one look went astray.
        ([0, 61, 70, 600], [61], 600),
        # Wakes that come more often than the soak is long: all of the soak.
        ([0, 10, 20, 60], [10, 20, 60], 60),
    ],
)
def test_a_sleeper_soaks_over_two_wakes_or_awake_throughout(
    seen: list[float], asleep_before: list[float], soaked_at: float
) -> None:
    """Soak 60 s; it wakes every 600 s, or 10 s in the last."""
    wakes = Wakes(period=10 if 10 in asleep_before else 600, soak=60)
    done = []
    for now in seen:
        wakes.asleep = wakes.asleep or now in asleep_before
        if wakes.seen(now):
            done.append(now)
    assert done[0] == soaked_at


def test_a_soak_begins_anew_after_anything_wrong() -> None:
    wakes = Wakes(period=600, soak=60)
    wakes.asleep = True
    assert not wakes.seen(0)
    wakes.unwell()
    assert not wakes.seen(600)
    assert wakes.seen(660)


async def test_it_is_lost_after_two_periods_unseen_and_not_after_two_looks() -> None:
    device = OneDevice(lambda: False, refuses=True)
    loop = asyncio.get_running_loop()
    begun = loop.time()
    event, words = await soak_asleep(
        seeker(device), sleeper(over_mqtt=False, wakes=0.3), PACE, "old", lambda there: ""
    )
    assert event is Event.LOSE
    assert loop.time() - begun >= 0.6
    assert device.looks > 4
    assert "not seen" in words


async def test_it_stays_unwell_until_its_time_is_up() -> None:
    device = OneDevice(lambda: True)
    event, words = await soak_asleep(
        seeker(device), sleeper(over_mqtt=False, wakes=0.1), PACE, "old", lambda there: "odd"
    )
    assert (event, words) == (Event.COME_BACK, "on the old side, but odd")
