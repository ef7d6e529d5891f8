"""Quiet hours in a run: who waits, who does not, and what ends the wait."""

from __future__ import annotations

import asyncio
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta

import pytest

from migrate.engine.tidings import Tidings
from migrate.model.lifecycle import State
from migrate.model.problems import Exit
from migrate.ports.protocols import World

from .harness import Dev, HouseMaker, Pace
from .together import Running, Together
from .watch import Passed, Watch

together = Together()
NIGHT = "22:00-06:30"
PACE = Pace(soak_seconds=0.1, reply_seconds=1, look_seconds=0.05)
PILOT = Dev("a-pilot", "larch")
SOON = 0.4


def on_the_wall(text: str, day: int = 15) -> datetime:
    return datetime.fromisoformat(f"2026-01-{day}T{text}").replace(tzinfo=UTC)


@dataclass
class Clock:
    """A clock on the wall that stands still until it is let go, by the loop's clock then."""

    shows: datetime
    let_go_at: float | None = None

    def __call__(self) -> datetime:
        if self.let_go_at is None:
            return self.shows
        return self.shows + timedelta(seconds=asyncio.get_running_loop().time() - self.let_go_at)

    def bend(self, world: World) -> World:
        return replace(world, now=self, zone=UTC)

    def let_go_when_waited_for(self, shows: datetime) -> None:
        self.shows, self.let_go_at = shows, asyncio.get_running_loop().time()


@together
async def those_in_quiet_hours_wait_in_their_wave(make_house: HouseMaker) -> None:
    """The others of the wave go at once; no later wave goes before; each admission is judged by
    itself."""
    devices = [
        PILOT,
        Dev("hall", "larch"),
        Dev("nursery", "larch", quiet=NIGHT),
        Dev("attic", "rowan", quiet="23:00-07:00"),
        Dev("z-feeder", "larch", feeds="access-point"),
    ]
    async with make_house(*devices, pace=PACE) as house:
        assert house.plan.wave_of("hall") == house.plan.wave_of("nursery") == 1
        assert house.plan.wave_of("attic") == 1
        clock, watch = Clock(on_the_wall("02:00:00")), Watch(house)
        seen: list[str] = []

        def hear(tidings: Tidings) -> None:
            if tidings.words.startswith("waiting until"):
                seen.append(tidings.words)
                end = {"06:30": "06:30:00", "07:00": "07:00:00"}[tidings.words[14:19]]
                clock.let_go_when_waited_for(on_the_wall(end) - timedelta(seconds=SOON))

        house.on_tidings.append(hear)
        told_the_time: dict[str, datetime] = {}

        def look_at_the_clock(one: Passed) -> None:
            if one.kind == "write":
                told_the_time[one.name] = clock()

        watch.before.append(look_at_the_clock)
        outcome = await house.forward(bend=lambda world: watch(clock.bend(world)))
        assert outcome.exit is Exit.DONE, (outcome, house.told[-8:])
        assert watch.written() == ["a-pilot", "hall", "nursery", "attic", "z-feeder"]
        assert seen == [
            "waiting until 06:30: quiet hours of nursery (and 1 more)",
            "waiting until 07:00: quiet hours of attic",
        ]
        assert told_the_time["hall"].hour == 2
        assert on_the_wall("06:30:00") <= told_the_time["nursery"] < on_the_wall("06:40:00")
        assert on_the_wall("07:00:00") <= told_the_time["attic"] < on_the_wall("07:10:00")
        admitted = [e.detail for e in house.journal.entries() if e.kind == "admitted"]
        assert [words.split(",")[0] for words in admitted] == [
            "1 of 1",
            "1 of 3",
            "1 of 2",
            "1 of 1",
            "1 of 1",
        ]


@together
async def stopping_ends_the_wait_at_once(make_house: HouseMaker) -> None:
    """And going on waits again. Nothing was sent in vain."""
    devices = [PILOT, Dev("nursery", "larch", quiet=NIGHT)]
    async with make_house(*devices, pace=PACE) as house:
        clock = Clock(on_the_wall("22:00:00"))
        async with asyncio.timeout(10), house.conductor(bend=clock.bend) as conductor:
            loop, stopped = asyncio.get_running_loop(), []

            def hear(tidings: Tidings) -> None:
                if tidings.words.startswith("waiting until 06:30"):
                    stopped.append(loop.time())
                    loop.call_soon(conductor.stop)

            house.on_tidings[:] = [hear]
            outcome = await conductor.forward()
            assert loop.time() - stopped[0] < 1
        assert outcome.exit is Exit.STOPPED
        assert house.states() == {"a-pilot": State.SETTLED, "nursery": State.WAITING}
        assert house.bundles("nursery") == 0
        clock.shows = on_the_wall("12:00:00")
        house.on_tidings.clear()
        assert (await house.forward(bend=clock.bend)).exit is Exit.DONE
        assert house.moved("nursery")


@together
async def hours_that_begin_before_the_message_left_put_it_off(make_house: HouseMaker) -> None:
    """It was admitted, and looked at. That it was put off is no fault, and shuts no gate."""
    devices = [PILOT, Dev("nursery", "larch", quiet=NIGHT)]
    async with make_house(*devices, pace=PACE) as house:
        clock, watch = Clock(on_the_wall("21:59:59")), Watch(house)
        when: list[datetime] = []

        def strike_ten(one: Passed) -> None:
            settled = house.states()["a-pilot"] is State.SETTLED
            if one.name == "nursery" and one.kind == "read" and settled and not when:
                clock.shows = on_the_wall("22:00:00")
                when.append(clock.shows)
            if one.name == "nursery" and one.kind == "write":
                when.append(clock())

        def hear(tidings: Tidings) -> None:
            if tidings.words.startswith("waiting until"):
                clock.let_go_when_waited_for(on_the_wall("06:29:59.5", 16))

        watch.before.append(strike_ten)
        house.on_tidings.append(hear)
        outcome = await house.forward(bend=lambda world: watch(clock.bend(world)))
        assert outcome.exit is Exit.DONE, (outcome, house.told[-8:])
        assert house.moved("nursery")
        assert len(when) == 2
        assert when[1] >= on_the_wall("06:30:00", 16)
        assert "gate shut" not in [entry.kind for entry in house.journal.entries()]


@together
async def the_way_back_does_not_wait(make_house: HouseMaker) -> None:
    """The owner asked for it; that it disturbs somebody's quiet hours is said."""
    devices = [PILOT, Dev("nursery", "larch", quiet=NIGHT)]
    async with make_house(*devices, pace=PACE) as house:
        clock = Clock(on_the_wall("12:00:00"))
        assert (await house.forward(bend=clock.bend)).exit is Exit.DONE
        clock.shows = on_the_wall("23:00:00")
        assert (await house.back(bend=clock.bend)).exit is Exit.DONE
        assert house.as_before("nursery")
        words = [tidings.words for _, tidings in house.told]
        assert "the way back does not wait for the quiet hours of nursery" in words


@pytest.mark.asyncio(loop_scope="module")
@pytest.mark.parametrize("scenario", together.names)
async def test_quiet(scenario: str, running: Running) -> None:
    await running(scenario)
