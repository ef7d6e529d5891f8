"""The sites of the campaign that is measured: conducted one by one, then stood in for by workers
that take as long and give the same account."""

from __future__ import annotations

import asyncio
import random
import shutil
import tempfile
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from statistics import mean

from migrate.engine.campaign import CampaignEnding, Coordinator
from migrate.model.campaign import SitePace
from migrate.model.problems import Exit
from migrate.planning.campaign.errands import (
    Order,
    SiteAccount,
    SitePlan,
    from_json,
    to_json,
)
from migrate.planning.campaign.look import BEAT_SECONDS, Look
from migrate.planning.campaign.plan import (
    CampaignPlan,
    PlannedSite,
    freeze_campaign,
)
from migrate.planning.campaign.turn import expected_waves
from migrate.planning.plan import Source
from migrate.virtual.campaign import (
    BUSY_BEAT_SECONDS,
    Desk,
    StoreLine,
    VirtualSite,
    VirtualStore,
    VirtualWorker,
)
from migrate.virtual.clock import run_virtual
from tests.campaign.homes import HERE, Home, in_virtual_time
from tests.campaign.scenario import device, setting
from tests.swarm.scenario import Scenario
from tests.swarm.story import QUICK

VERSIONS = ("1.0", "1.1", "2.0")


@dataclass(frozen=True)
class Conducted:
    """A site that was really moved. `seconds`: of virtual time, for each leg; `processor`: seconds
    of processor time, by planning and by moving."""

    name: str
    plan: SitePlan
    seconds: tuple[float, ...]
    accounts: tuple[str, ...]
    planning: float
    moving: float


def house(number: int, devices: int) -> Scenario:
    """The house of a site: one or two of three families, in one of three versions each."""
    rng = random.Random(f"house {number}")  # noqa: S311 - the same house every time, no secret
    families = rng.sample(["larch", "rowan", "sedge"], rng.choice((1, 2, 2)))
    versions = {family: rng.choice(VERSIONS) for family in families}
    found = []
    for n in range(devices):
        family = rng.choice(families)
        found.append(device(n, family, rng.choice(("http", "mqtt")), versions[family]))
    soak = rng.choice((10.0, 15.0, 20.0))
    return setting(found, ("wifi",), stranded=1, confidence=0.95, soak=soak)


def name_of(number: int) -> str:
    """Of a site."""
    return f"home-{number:04}"


def conduct(devices: int, number: int) -> Conducted:
    """Plan and move a site, in a virtual time of its own."""
    folder = Path(tempfile.mkdtemp(prefix="migrate-site-", dir=QUICK if QUICK.is_dir() else None))
    try:
        with in_virtual_time():
            return run_virtual(_conduct(devices, number, folder))
    finally:
        shutil.rmtree(folder)


async def _conduct(devices: int, number: int, folder: Path) -> Conducted:
    began = time.process_time()
    home = Home(name_of(number), house(number, devices), folder / "site", "benchmark")
    planned = time.process_time()
    HERE.set(home)
    loop = asyncio.get_running_loop()
    legs = tuple(leg.digest for leg in home.plan.legs)
    order = Order(kind="move", site=home.name, campaign="benchmark", legs=legs)
    seconds, accounts = [], []
    for leg in range(1, len(legs) + 1):
        at = loop.time()
        account = await home.work().move(order, leg)
        if account.exit is not Exit.DONE or account.there != devices:
            raise RuntimeError(f"{home.name} was to be moved, and is not: {home.told}")
        seconds.append(loop.time() - at)
        accounts.append(to_json(account))
    moved = time.process_time()
    return Conducted(
        home.name, home.plan, tuple(seconds), tuple(accounts), planned - began, moved - planned
    )


def campaign_of(plans: Mapping[str, SitePlan]) -> CampaignPlan:
    """One site in ten comes after another; the pace is what it is if nobody says otherwise."""
    rng = random.Random(len(plans))  # noqa: S311 - the same campaign every time, no secret
    sites, names = [], list(plans)
    for number, (name, plan) in enumerate(plans.items()):
        after = (rng.choice(names[:number]),) if number and rng.random() < 0.1 else ()
        sites.append(
            PlannedSite(
                name=name,
                after=after,
                travel_minutes=rng.choice((0, 10, 30, 60)),
                legs=plan.legs,
                twins=plan.twins,
            )
        )
    draft = CampaignPlan(
        tool="benchmark",
        title="benchmark",
        created="2026-01-01T00:00:00+00:00",
        source=Source(path="campaign.toml", sha256="0" * 64),
        pace=SitePace(),
        sites=tuple(sites),
    )
    return freeze_campaign(draft, *expected_waves(draft))


class StandIn:
    """A site that has been conducted before: it takes as long, and gives the same account."""

    def __init__(self, seconds: Sequence[float], accounts: Sequence[str]) -> None:
        self._seconds, self._accounts = seconds, accounts
        self._picture: SiteAccount | None = None

    async def move(self, order: Order, leg: int) -> SiteAccount:
        """See VirtualSite."""
        account = from_json(self._accounts[leg - 1], SiteAccount, order.site)
        self._picture = account
        await asyncio.sleep(self._seconds[leg - 1])
        self._picture = None
        return account

    async def back(self, order: Order, leg: int) -> SiteAccount:
        """Nothing is taken back here."""
        raise NotImplementedError

    def stop(self) -> None:
        """Nothing is stopped here."""

    @property
    def picture(self) -> SiteAccount | None:
        """As full as it gets."""
        return self._picture


class Measured(Desk):
    """A desk that measures what the coordinator does between two words to the store: it gives way
    to nobody there."""

    def __init__(self, store: VirtualStore, line: StoreLine, pause: float) -> None:
        super().__init__(store, line, "coordinator")
        self._pause = pause
        self.looks, self.processor, self._since = 0, 0.0, 0.0

    async def look(self, campaign: str, sites: Sequence[str]) -> Look:
        """See Desk."""
        self._stop()
        found = await super().look(campaign, sites)
        self.looks += 1
        self._since = time.process_time()
        return found

    async def give(self, order: Order) -> None:
        """See Desk."""
        self._stop()
        await super().give(order)
        self._since = time.process_time()

    async def news(self, seconds: float) -> None:
        """See Desk."""
        self._stop()
        await super().news(seconds)
        await asyncio.sleep(self._pause)

    def _stop(self) -> None:
        if self._since:
            self.processor += time.process_time() - self._since
        self._since = 0.0


async def run_campaign(
    plan: CampaignPlan,
    works: Mapping[str, Callable[[], VirtualSite]],
    begun: Callable[[], None] = lambda: None,
    pause: float = 0.0,
    beats: tuple[float, float] = (BEAT_SECONDS, BUSY_BEAT_SECONDS),
) -> dict[str, float]:
    """The campaign, from the first look to the last. `begun` is called when every worker has been
    heard of, and before the coordinator is there; `pause`: seconds more between its looks;
    `beats`: seconds between two signs of a worker at rest and at work."""
    loop = asyncio.get_running_loop()
    store = VirtualStore(list(works))
    workers = []
    for name, work in works.items():
        line = StoreLine(random.Random(name))  # noqa: S311
        process = VirtualWorker(store, line, name, work(), beats=beats)
        workers.append(asyncio.create_task(process.live()))
    await asyncio.sleep(5)
    begun()
    at, processor = loop.time(), time.process_time()
    desk = Measured(store, StoreLine(random.Random("coordinator")), pause)  # noqa: S311
    ending: CampaignEnding = await Coordinator(plan, desk).forward()
    if ending.exit is not Exit.DONE:
        raise RuntimeError(f"the campaign was to be done, and is not: {ending.headline}")
    for worker in workers:
        worker.cancel()
    await asyncio.gather(*workers, return_exceptions=True)
    errands = [kept.errand for kept in store.errands.values()]
    waits = [(e.taken_at or 0.0) - (e.asked_at or 0.0) for e in errands]
    return {
        "seconds": loop.time() - at,
        "looks": desk.looks,
        "coordinator": desk.processor,
        "processor": time.process_time() - processor,
        "taken_after": mean(waits),
    }


async def together(sites: int, devices: int, folder: Path) -> tuple[CampaignPlan, dict[str, float]]:
    """The campaign with all houses in its own virtual time."""
    homes = {}
    for number in range(sites):
        name = name_of(number)
        homes[name] = Home(name, house(number, devices), folder / name, "benchmark")
    plan = campaign_of({name: home.plan for name, home in homes.items()})
    works = {name: partial(_AtHome, home) for name, home in homes.items()}
    return plan, await run_campaign(plan, works)


class _AtHome:
    """The worker's own work at a site, whose files are removed when it is over."""

    def __init__(self, home: Home) -> None:
        self._home, self._work = home, home.work()

    async def move(self, order: Order, leg: int) -> SiteAccount:
        """See VirtualSite."""
        HERE.set(self._home)
        account = await self._work.move(order, leg)
        if leg == len(order.legs):
            shutil.rmtree(self._home.folder)
        return account

    async def back(self, order: Order, leg: int) -> SiteAccount:
        """Nothing is taken back here."""
        raise NotImplementedError

    def stop(self) -> None:
        """Nothing is stopped here."""

    @property
    def picture(self) -> SiteAccount | None:
        """How far it is."""
        return self._work.picture
