"""The process ends at any moment; another goes on from the journal.

A fuse counts everything that counts: each write to the journal, each message that changes a
device, before it leaves and after it was answered. It blows once, and then nothing works any more.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial
from typing import Any, cast

from migrate.dialects.messages import Reply, Request
from migrate.journal.store import Journal
from migrate.lab import BrokerKind
from migrate.model.lifecycle import State
from migrate.model.problems import Exit
from migrate.ports.protocols import At, Line, World

from .harness import Dev, House, HouseMaker, Pace
from .watch import Watch, kind_of

WRITES = {"record_before", "intend", "step", "turn", "write_off", "note", "remark"}
AT_ONCE = 10
PACE = Pace(soak_seconds=0.1, least=3, most=6, reply_seconds=1.5)
OVER_HTTP = [Dev("lamp", "larch"), Dev("fan", "sedge"), Dev("plug", "rowan")]
OVER_MQTT = [Dev("fan", "sedge", "mqtt"), Dev("plug", "rowan", "mqtt")]


class Crash(BaseException):
    """The end of the process."""


@dataclass
class Fuse:
    """Blows at one of the things it counts."""

    at: int
    count: int = -1
    blown: bool = False

    def burn(self, what: str) -> None:
        """One more thing that counts."""
        self.count += 1
        self.blown = self.blown or self.count >= self.at
        self.check()

    def check(self) -> None:
        """Raises Crash for ever after."""
        if self.blown:
            raise Crash


class FusedJournal:
    """A journal whose writes are counted, each before it is made."""

    def __init__(self, journal: Journal, fuse: Fuse) -> None:
        self._journal, self._fuse = journal, fuse

    def __getattr__(self, name: str) -> Any:
        found = getattr(self._journal, name)
        return partial(self._write, name, found) if name in WRITES else found

    def _write(self, name: str, write: Callable[..., Any], *args: Any) -> Any:
        self._fuse.burn(name)
        return write(*args)


@dataclass(frozen=True)
class FusedLine:
    """A line whose messages are counted, before they leave and after they were answered."""

    line: Line
    fuse: Fuse

    async def exchange(self, request: Request, at: At, seconds: float) -> Reply:
        kind, _ = kind_of(request)
        if kind == "read":
            self.fuse.check()
            return await self.line.exchange(request, at, seconds)
        self.fuse.burn(f"{kind} leaves")
        reply = await self.line.exchange(request, at, seconds)
        self.fuse.burn(f"{kind} answered")
        return reply


async def crashes(house: House, watch: Watch, at: int, *, back: bool) -> int:
    """One run that ends at this point, if it gets there; the number of points it passed."""
    fuse = Fuse(at)
    journal = cast(Journal, FusedJournal(house.journal, fuse))

    def bend(world: World) -> World:
        return replace(world, line=FusedLine(watch(world).line, fuse))

    try:
        await house.run(lambda c: c.back() if back else c.forward(), journal, bend)
    except BaseException as error:
        if not fuse.blown or isinstance(error, asyncio.CancelledError):
            raise
    house.reopen()
    return fuse.count


def accounted_for(house: House) -> None:
    """What a device may have been given is in the journal, whatever the moment was."""
    for row in house.journal.rows():
        if house.unit(row.name).store != house.before[row.name]:
            assert row.state is not State.WAITING or row.direction == "back"
            assert row.given is not None
            assert house.journal.way_back(row.name) is not None


async def ends_well(house: House, watch: Watch, *, back: bool) -> None:
    """Another process goes on; on a busy machine it may take more than one."""
    for _ in range(5):
        outcome = await house.run(lambda c: c.back() if back else c.forward(), bend=watch)
        if outcome.done:
            break
    assert outcome.exit is Exit.DONE, outcome
    well = house.as_before if back else house.moved
    assert [name for name in house.lab.units if not well(name)] == []
    if not back:  # also that of a wave whose last device an earlier process saw arrive
        assert house.journal.opened() == set(range(len(house.journal.plan.waves)))


def each_bundle_is_one(house: House, watch: Watch, most: int) -> None:
    """However often a device was sent something, it was the same thing."""
    for name in house.lab.units:
        assert len({one.text for one in watch.writes if one.name == name}) <= most


async def forward_then(house: House, at: int, *, back: bool) -> int:
    """A crash on the way there; then the run goes on, or is rolled back."""
    async with house:
        watch = Watch(house)
        passed = await crashes(house, watch, at, back=False)
        accounted_for(house)
        await ends_well(house, watch, back=back)
        each_bundle_is_one(house, watch, 2 if back else 1)
    return passed


async def on_the_way_back(house: House, at: int) -> int:
    """A crash on the way back, which is then gone on with."""
    async with house:
        assert (await house.forward()).done
        watch = Watch(house)
        passed = await crashes(house, watch, at, back=True)
        await ends_well(house, watch, back=True)
        each_bundle_is_one(house, watch, 1)
    return passed


Story = Callable[[House, int], Any]
STORIES: dict[str, Story] = {
    "gone on with": partial(forward_then, back=False),
    "rolled back": partial(forward_then, back=True),
    "on the way back": on_the_way_back,
}


async def every_story(make: Callable[[], House], step: int) -> int:
    """Each story with a crash at every `step`th point that it passes without one, beginning at
    another point each; the number of crashes."""
    gate = asyncio.Semaphore(AT_ONCE)

    async def one(name: str, at: int) -> int:
        async with gate:
            try:
                return int(await STORIES[name](make(), at))
            except Exception as error:
                error.add_note(f"{name}; the crash was at point {at}")
                raise

    whole = await asyncio.gather(*(one(name, 10**6) for name in STORIES))
    points = [
        (name, at)
        for turn, (name, passed) in enumerate(zip(STORIES, whole, strict=True))
        for at in range(turn, passed + 1, step)
    ]
    async with asyncio.TaskGroup() as group:
        for name, at in points:
            group.create_task(one(name, at))
    return len(points)


async def test_crashes_over_http(make_house: HouseMaker) -> None:
    """What one story leaves out, the others have. Points of each device: survey, intent, message,
    answer, outcome, arrival, soak."""
    devices = OVER_HTTP
    crashes = await every_story(
        lambda: make_house(*devices, brokers=BrokerKind.NONE, pace=PACE), step=3
    )
    assert crashes >= 20


async def test_crashes_over_mqtt(make_house: HouseMaker) -> None:
    crashes = await every_story(
        lambda: make_house(*OVER_MQTT, change=("wifi", "broker"), pace=PACE), step=6
    )
    assert crashes >= 8
