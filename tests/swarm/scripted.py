"""Stories with a script instead of chance: these devices, these mishaps, these processes."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Awaitable, Callable, Iterable
from dataclasses import replace
from pathlib import Path
from typing import Any

from migrate.engine.tidings import Outcome
from migrate.journal.store import Journal
from migrate.planning.plan import Plan
from migrate.virtual.clock import run_virtual
from migrate.virtual.unit import Flaws, VirtualUnit

from .invariants import Seen
from .scenario import Change, Drawn, Scenario, quiet
from .story import QUICK, Ending, Story


def device(number: int, family: str = "larch", via: str = "http", **more: Any) -> Drawn:
    """A device that has been up for a day, with nothing wrong."""
    plain = Drawn(
        name=f"device-{number}",
        family=family,
        via=via,
        mac=f"00-00-5E-00-53-{number:02X}",
        firmware="1.0",
        reach="table",
        cover="",
        feeds=(),
        age=86400.0,
        flaws=Flaws(),
    )
    return replace(plain, **more)


def setting(*devices: Drawn, change: tuple[Change, ...] = ("wifi",), **more: Any) -> Scenario:
    """A quiet scenario of these devices."""
    plain = replace(
        quiet(0),
        devices=devices,
        change=change,
        soak=10.0,
        least=15.0,
        most=45.0,
        reply=2.0,
        look=1.0,
        stranded=10,
        confidence=0.6,
        widest=100,
        on_fault="hold",
        presence=False,
    )
    return replace(plain, **more)


class Scripted(Story):
    """`script` is played instead of the owner; `final` are the rows at the end."""

    def __init__(
        self,
        scenario: Scenario,
        folder: Path,
        script: Script,
        prepare: Callable[[Scripted], None] = lambda story: None,
    ) -> None:
        super().__init__(scenario, folder, Ending(0))
        self.script, self.prepare = script, prepare
        self.final: dict[str, Seen] = {}

    def _plan(self) -> Plan:
        self.prepare(self)
        return super()._plan()

    async def _live(self) -> None:
        Journal.create(self.path, self.plan, self.house.now, {}).close()
        self.invariants.open(self.path)
        try:
            await self.script(self)
        finally:
            self.final = self.invariants.rows()
        if self.failed:
            raise self.failed

    async def forward(self, again: Iterable[str] = ()) -> Outcome | None:
        """One process that moves the fleet."""
        return await self._process(lambda conductor: conductor.forward(again))

    async def back(self, only: list[str] | None = None) -> Outcome | None:
        """One process that takes devices back."""
        return await self._process(lambda conductor: conductor.back(only))

    def unit(self, number: int) -> VirtualUnit:
        """A device itself."""
        return self.house.units[f"device-{number}"]

    def state(self, number: int) -> tuple[str, str]:
        """Direction and state of a device, on the disk."""
        row = (self.final or self.invariants.rows())[f"device-{number}"]
        return row.direction, row.state

    def lost_on_the_way_back(self) -> int:
        """How many devices are adrift on the way back."""
        rows = self.invariants.rows().values()
        return sum((row.direction, row.state) == ("back", "adrift") for row in rows)


Script = Callable[[Scripted], Awaitable[None]]


def tell(
    scenario: Scenario, script: Script, prepare: Callable[[Scripted], None] = lambda story: None
) -> Scripted:
    """Play it to its end. Raises what the script raises, and Broken."""
    folder = Path(
        tempfile.mkdtemp(prefix="migrate-scripted-", dir=QUICK if QUICK.is_dir() else None)
    )
    story = Scripted(scenario, folder, script, prepare)
    try:
        run_virtual(story.play())
    finally:
        shutil.rmtree(folder)
    return story
