"""Processes of a campaign that come and go: workers, coordinators, and whoever else runs one."""

from __future__ import annotations

import asyncio
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from random import Random
from typing import Any

from migrate.engine.campaign import CampaignEnding, Coordinator
from migrate.model.problems import Busy
from migrate.planning.campaign.plan import CampaignPlan
from migrate.ports.protocols import SiteStore
from migrate.virtual.campaign import Desk, StoreLine, VirtualStore, VirtualWorker
from tests.swarm.gauge import Cut

from .homes import HERE, Home
from .scenario import DrawnCampaign, DrawnSite


@dataclass
class Ending:
    """How a campaign ended, and what happened in it. `first`: which sites were moved, held and
    refused when everything had been done that could be without the owner; `cut_short`: those of the
    held ones where nothing is wrong, see Story."""

    seed: int
    broken: str = ""
    first: tuple[frozenset[str], ...] = ()
    cut_short: frozenset[str] = frozenset()
    last: str = ""
    sites: int = 0
    devices: int = 0
    moved: int = 0
    seconds: float = 0.0
    exposure: float = 0.0
    counts: Counter[str] = field(default_factory=Counter)
    digest: str = ""
    told: list[str] = field(default_factory=list)


class Processes:
    """Everybody who has to do with the store, but for the owner."""

    loop: asyncio.AbstractEventLoop
    main: asyncio.Task[None]
    store: VirtualStore
    plan: CampaignPlan

    def __init__(self, drawn: DrawnCampaign, folder: Path, ending: Ending) -> None:
        self.drawn = drawn
        self.folder = folder
        self.ending = ending
        self.random = Random(f"owner {drawn.seed}")  # noqa: S311
        self.counts = ending.counts
        self.failed: BaseException | None = None
        self.homes: dict[str, Home] = {}
        self.coordinating: tuple[asyncio.Task[CampaignEnding], StoreLine] | None = None
        self.coordinators = 0

    def _failed_between(self, loop: asyncio.AbstractEventLoop, what: dict[str, Any]) -> None:
        error = what.get("exception")
        if not isinstance(error, Cut | asyncio.CancelledError):
            self._fail(error or RuntimeError(what["message"]))

    def _fail(self, error: BaseException) -> None:
        while isinstance(error, BaseExceptionGroup):
            error = error.exceptions[0]
        if self.failed is None:
            self.failed = error
            self.main.cancel()

    def _hear(self, words: str) -> None:
        self.ending.told.append(f"{self.loop.time():9.2f} {words}")

    # Workers

    async def _worker(self, site: DrawnSite) -> None:
        """Processes of a site's worker, one after another."""
        home = self.homes[site.name]
        HERE.set(home)
        random = Random(f"worker {self.drawn.seed} {site.name}")  # noqa: S311
        home.gauge.cuts = dict.fromkeys(site.kills, "cut")
        between = list(site.killed_between)
        running: list[asyncio.Task[None]] = []
        line = StoreLine(random)

        def killed() -> None:
            if running and not running[0].done():
                self.counts["worker killed"] += 1
                home.gauge.dead = True
                running[0].cancel()

        def at(step: str) -> None:
            if step in between:
                between.remove(step)
                self.counts[f"worker killed: {step}"] += 1
                home.gauge.dead = True
                raise Cut

        for when in site.killed_at:
            self.loop.call_later(when, killed)
        for when, seconds in site.cuts:
            self.loop.call_later(when, self._cut, line, seconds, site.name)
        await asyncio.sleep(site.late)
        while True:
            home.gauge.dead = False
            home.held.clear()
            process = VirtualWorker(self.store, line, site.name, home.work(), at)
            running[:] = [asyncio.create_task(process.live())]
            try:
                await running[0]
            except BaseException as error:
                if not home.gauge.dead or not _only_killed(error):
                    if isinstance(error, asyncio.CancelledError):
                        home.gauge.dead = True
                        running[0].cancel()
                        await asyncio.gather(running[0], return_exceptions=True)
                        raise
                    self._fail(error)
                    return
            self._hear(f"{site.name}: its worker was killed")
            await asyncio.sleep(random.choice([1.0, 5.0, 60.0]))

    def _cut(self, line: StoreLine, seconds: float, who: str) -> None:
        self.counts["line cut"] += 1
        self._hear(f"{who}: the line is cut for {seconds:.0f} s")
        line.cut(seconds)

    # Coordinators

    async def _coordinate(self, work: Callable[[Coordinator], Any]) -> CampaignEnding:
        """Coordinators, one after another, until one of them comes to an end. `work`: what each is
        asked to do, by how it finds things."""
        while True:
            self.coordinators += 1
            who = f"coordinator {self.coordinators}"
            line = StoreLine(self.random)
            coordinator = Coordinator(self.plan, self._desk(line, who))
            task = asyncio.create_task(work(coordinator))
            self.coordinating = task, line
            try:
                ending: CampaignEnding = await task
            except asyncio.CancelledError:
                if self.failed is not None or not task.cancelled():
                    task.cancel()
                    raise
                self._hear(f"{who} was killed")
                await asyncio.sleep(self.random.choice([0.5, 5.0, 40.0]))
                continue
            except Busy:
                self.counts["coordinator told that another is at work"] += 1
                await asyncio.sleep(5.0)
                continue
            finally:
                self.coordinating = None
            self.store.let_go(who)
            self._hear(f"{who} {ending.exit.name}: {ending.headline}")
            return ending

    def _desk(self, line: StoreLine, who: str = "") -> SiteStore:
        return Desk(self.store, line, who)

    def _kill_coordinator(self) -> None:
        if self.coordinating is not None:
            self.counts["coordinator killed"] += 1
            self.coordinating[0].cancel()

    def _cut_coordinator(self, seconds: float) -> None:
        if self.coordinating is not None:
            self._cut(self.coordinating[1], seconds, "coordinator")

    async def _rival(self, number: int) -> None:
        """Somebody else starts one as well; perhaps the first is cut off and his takes over."""
        who = f"rival {number}"
        try:
            ending = await Coordinator(self.plan, self._desk(StoreLine(self.random), who)).forward()
        except Busy:
            self.counts["rival told that another is at work"] += 1
            return
        self.counts["rival took over"] += 1
        self._hear(f"{who} {ending.exit.name}: {ending.headline}")
        self.store.let_go(who)

    async def _stop(self) -> None:
        self.counts["owner stops it"] += 1
        await Coordinator(self.plan, self._desk(StoreLine(self.random))).stop()
        self._hear("the owner has it stopped")


def _only_killed(error: BaseException) -> bool:
    if isinstance(error, BaseExceptionGroup):
        return all(_only_killed(one) for one in error.exceptions)
    return isinstance(error, Cut | asyncio.CancelledError)
