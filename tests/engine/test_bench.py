"""A trial on the bench that is broken off, step by step: the device is in memory and waits."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping
from types import SimpleNamespace
from typing import Any, cast

import pytest

from migrate.dialects.messages import Readings, Taken
from migrate.engine.bench import Bench
from migrate.engine.crew import Member
from migrate.engine.seek import Sighting
from migrate.planning.trials import Trial
from migrate.ports.protocols import At
from tests.planning.samples import device, dialects

HELD = {"label": "my lamp", "remark": ""}
LAMP = device("lamp")


class Device:
    """Takes what it is given, and waits where it is told to: `at` says of each write and read
    whether, and `reached` that it does. `deaf`: from then on it takes nothing."""

    def __init__(self, at: Callable[[str, Mapping[str, str]], bool], *, deaf: bool = False) -> None:
        self.held, self.deaf, self._at = dict(HELD), deaf, at
        self.reached, self.go = asyncio.Event(), asyncio.Event()

    async def _may(self, what: str, texts: Mapping[str, str]) -> None:
        if not self.reached.is_set() and self._at(what, texts):
            self.reached.set()
            await self.go.wait()

    async def write_harmless(self, _: Member, at: At, texts: Mapping[str, str], __: float) -> Taken:
        await self._may("write", texts)
        if not (self.deaf and self.reached.is_set()):
            self.held.update(texts)
        return Taken()

    async def read_surely(self, _: Member, at: At, __: float) -> Readings:
        await self._may("read", self.held)
        return Readings(LAMP.mac, harmless=dict(self.held))


class Run:
    """A trial at work, and what it told."""

    def __init__(self, there: Device) -> None:
        self.kept: list[Mapping[str, str]] = []
        self.told: list[str] = []
        self.shown: list[Trial] = []
        member = Member(LAMP, cast(Any, None), dialects()["larch"])
        crew = SimpleNamespace(plan=SimpleNamespace(pace=SimpleNamespace(reply_seconds=1.0)))
        bench = Bench(cast(Any, crew), member, cast(Any, None), cast(Any, there), ("old",))
        found = Sighting(At("old"), Readings(LAMP.mac, harmless=HELD), "old", False, 0.0, 0.0)
        keep, tell, broken = self.kept.append, self.told.append, self.shown.append
        self.task = asyncio.create_task(bench.try_out(found, keep, tell, broken, restart=False))


async def stopped(there: Device) -> Run:
    """Ctrl-C as soon as the device waits; then it goes on."""
    run = Run(there)
    await asyncio.wait_for(there.reached.wait(), 5)
    run.task.cancel()
    await asyncio.sleep(0)
    there.go.set()
    with pytest.raises(asyncio.CancelledError):
        await asyncio.wait_for(run.task, 5)
    assert run.kept == [HELD]
    return run


async def test_stopped_while_a_text_is_written() -> None:
    there = Device(lambda what, texts: what == "write" and "qz" in texts.get("label", ""))
    run = await stopped(there)
    assert there.held == HELD
    (shown,) = run.shown
    assert (shown.alone, shown.together, shown.marks, shown.length) == (True, True, (), None)


async def test_stopped_before_anything_was_shown() -> None:
    there = Device(lambda what, _: what == "write")
    run = await stopped(there)
    assert there.held == HELD
    assert run.shown == [Trial()]
    assert not run.shown[0].any


@pytest.mark.parametrize("what", ["read", "write"])
async def test_stopped_while_the_texts_go_back(what: str) -> None:
    """Ctrl-C must not leave a text half put back: that is finished first."""
    run: Run | None = None

    def goes_back(now: str, texts: Mapping[str, str]) -> bool:
        assert run is not None
        return any("putting" in words for words in run.told) and now == what

    there = Device(goes_back)
    run = Run(there)
    await asyncio.wait_for(there.reached.wait(), 5)
    assert there.held != HELD
    run.task.cancel()
    await asyncio.sleep(0)
    assert not run.task.done()
    there.go.set()
    with pytest.raises(asyncio.CancelledError):
        await asyncio.wait_for(run.task, 5)
    assert there.held == HELD
    assert not [words for words in run.told if "could not" in words]
    (shown,) = run.shown
    assert shown.well


async def test_stopped_while_the_texts_go_back_and_the_device_takes_them_no_more() -> None:
    run: Run | None = None

    def goes_back(now: str, _: Mapping[str, str]) -> bool:
        assert run is not None
        return any("putting" in words for words in run.told) and now == "write"

    there = Device(goes_back, deaf=True)
    run = Run(there)
    await asyncio.wait_for(there.reached.wait(), 5)
    run.task.cancel()
    await asyncio.sleep(0)
    there.go.set()
    with pytest.raises(asyncio.CancelledError):
        await asyncio.wait_for(run.task, 5)
    told = [words for words in run.told if "could not be put back" in words]
    assert [words.partition(" could")[0] for words in told] == ["its label", "its remark"]
    assert all("before.json" in words for words in told)
    assert len(run.shown) == 1
