"""One campaign from its first minute to its end: workers and coordinators that come and go, and an
owner who decides."""

from __future__ import annotations

import asyncio
import hashlib
import shutil
import tempfile
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from random import Random
from typing import Any

from migrate.engine.campaign import CampaignEnding, Coordinator
from migrate.model.problems import Busy, Exit, Refused
from migrate.planning.campaign.errands import Answers, SiteAccount
from migrate.planning.campaign.plan import CampaignPlan, PlannedSite, freeze_campaign
from migrate.planning.campaign.turn import expected_waves
from migrate.planning.plan import Source
from migrate.ports.protocols import SiteStore
from migrate.virtual.campaign import Desk, StoreLine, VirtualStore, VirtualWorker
from migrate.virtual.clock import Standstill, run_virtual
from tests.swarm.gauge import Cut
from tests.swarm.story import QUICK

from .homes import HERE, Home, in_virtual_time
from .invariants import Broken, Invariants, _held, _latest
from .scenario import DrawnCampaign, DrawnSite, draw

ROUNDS = 8
"""Times that the owner sees to what is held; a campaign not over by then never will be."""
LONGEST = 86400.0
"""Seconds of virtual time after which a campaign counts as one that has no end."""


@dataclass
class Ending:
    """How a campaign ended, and what happened in it. `first`: which sites were moved, held and
    refused when everything had been done that could be without the owner; `cut_short`: see there."""

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


def play(seed: int, drawn: DrawnCampaign | None = None) -> Ending:
    """Play a seed to its end. What is wrong is in `broken`; an error of the tool is as well."""
    drawn = drawn or draw(seed)
    folder = Path(
        tempfile.mkdtemp(prefix="migrate-campaign-", dir=QUICK if QUICK.is_dir() else None)
    )
    ending = Ending(seed, sites=len(drawn.sites))
    story = Story(drawn, folder, ending)
    try:
        with in_virtual_time():
            run_virtual(story.play())
    except Broken as broken:
        ending.broken = str(broken)
    except Standstill:
        ending.broken = "nothing can happen any more, and the campaign is not over"
    except Exception as error:  # noqa: BLE001
        ending.broken = f"{type(error).__name__}: {error}"
    finally:
        shutil.rmtree(folder)
    return ending


def campaign_of(drawn: DrawnCampaign, homes: dict[str, Home]) -> CampaignPlan:
    """The frozen campaign of what the workers planned."""
    draft = CampaignPlan(
        tool="virtual",
        title="a campaign",
        created="2026-01-01T00:00:00+00:00",
        source=Source(path="campaign.toml", sha256="0" * 64),
        pace=drawn.pace,
        sites=tuple(
            PlannedSite(
                name=site.name,
                after=site.after,
                travel_minutes=site.travel,
                legs=homes[site.name].plan.legs,
                twins=homes[site.name].plan.twins,
            )
            for site in drawn.sites
        ),
    )
    return freeze_campaign(draft, *expected_waves(draft))


class Story:
    """A store, sites and an owner."""

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
        self.written_off: set[str] = set()

    async def play(self) -> None:
        """The whole campaign. Raises Broken."""
        self.loop = asyncio.get_running_loop()
        self.loop.set_exception_handler(self._failed_between)
        for site in self.drawn.sites:
            home = Home(site.name, site.scenario, self.folder / site.name, str(self.drawn.seed))
            self.homes[site.name] = home
            self.ending.devices += len(site.scenario.devices)
            if site.wrong == "files":
                home.change_files()
        self.plan = campaign_of(self.drawn, self.homes)
        self.store = VirtualStore(list(self.homes))
        self.invariants = Invariants(self.plan, self.homes)
        self.store.watchers.append(self.invariants)
        workers = [asyncio.create_task(self._worker(site)) for site in self.drawn.sites]
        self.main = asyncio.create_task(self._owner())
        try:
            async with asyncio.timeout(LONGEST):
                await self.main
        except TimeoutError:
            raise Broken("a day has passed, and the campaign is not over") from None
        except asyncio.CancelledError:
            if self.failed is None:
                raise
        finally:
            for worker in workers:
                worker.cancel()
            await asyncio.gather(*workers, return_exceptions=True)
            self._sum_up()
        if self.failed is not None:
            raise self.failed

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

    # The owner

    async def _owner(self) -> None:
        drawn, beside = self.drawn, list[asyncio.Task[None]]()

        def soon(do: Callable[[], Any]) -> None:
            beside.append(asyncio.create_task(do()))

        later = [
            self.loop.call_later(at, self._kill_coordinator) for at in drawn.coordinator_killed
        ]
        later += [
            self.loop.call_later(a, self._cut_coordinator, s) for a, s in drawn.coordinator_cut
        ]
        for number, at in enumerate(drawn.rivals):
            later.append(self.loop.call_later(at, soon, lambda n=number: self._rival(n)))
        later += [self.loop.call_later(at, soon, self._stop) for at in drawn.stops]
        await self._forward(lambda: {})
        for handle in later:
            handle.cancel()
        await asyncio.gather(*beside)
        ending = await self._forward(lambda: {})  # after a word to stop that came last
        self._first_end(ending)
        if drawn.then == "mend":
            await self._mend()
        elif drawn.then == "back":
            await self._back()
        self._accounted()

    async def _forward(self, answers: Callable[[], dict[str, Answers]]) -> CampaignEnding:
        """On and on, until it has ended otherwise than by a word to stop."""
        while True:
            ending = await self._coordinate(lambda one: one.forward(answers()))
            if ending.exit is not Exit.STOPPED:
                return ending
            await asyncio.sleep(self.random.choice([1.0, 30.0]))

    def _first_end(self, ending: CampaignEnding) -> None:
        """Everything has been done that could be."""
        moved, held, refused = self._states()
        self.ending.first = moved, held, refused
        cut_short = frozenset(filter(self._cut_short, held))
        self.ending.cut_short = cut_short
        self.counts["held, killed between settings and restart"] += len(cut_short)
        should = tuple(map(frozenset, self.drawn.ends(cut_short)))
        if self.drawn.pace.wait_when_held is None:
            if (moved, held, refused) != should:
                raise Broken(f"ended with {_sets(moved, held, refused)}, not {_sets(*should)}")
        elif not (moved <= should[0] and held <= should[1] and refused <= should[2]):
            raise Broken(f"ended with {_sets(moved, held, refused)}, beyond {_sets(*should)}")
        elif len(held) < self.drawn.pace.wait_when_held and moved != should[0]:
            raise Broken(f"waits, and only {held} are held")
        if (ending.exit is Exit.DONE) != (len(moved) == len(self.homes)):
            raise Broken(f"{len(moved)} sites are moved, and it says {ending.exit.name}")

    def _cut_short(self, name: str) -> bool:
        """Whether nothing is wrong at a site, and its worker was killed after a device took its
        settings and before it was told the restart that it needs: that is left to the owner."""
        if self.drawn.by_name[name].wrong or "sedge" not in {
            unit.family for unit in self.homes[name].house.units.values()
        }:
            return False
        return self.homes[name].says("not in force")

    async def _mend(self) -> None:
        """The owner sees to what is held, and lets it go on, until all are moved."""
        for _ in range(ROUNDS):
            moved, held, refused = self._states()
            if len(moved) == len(self.homes):
                return
            off = self.random.random() < 0.3
            for name in sorted(held | refused):
                if not (off and self.drawn.by_name[name].wrong == "lost"):
                    self.homes[name].mend()
            await asyncio.sleep(30)

            def answers(off: bool = off) -> dict[str, Answers]:
                _, held, refused = self._states()
                return {name: self._answer(name, off=off) for name in sorted(held | refused)}

            await self._forward(answers)
        raise Broken(f"not over after the owner has seen to it {ROUNDS} times")

    def _answer(self, name: str, *, off: bool) -> Answers:
        self.counts["owner lets a site go on"] += 1
        devices = self._account(name).devices
        lost = [one.name for one in devices if one.state == "adrift"]
        return Answers(
            again=tuple(one.name for one in devices if one.state in ("declined", "returned")),
            write_off=tuple(lost if off and self.drawn.by_name[name].wrong == "lost" else ()),
        )

    async def _back(self) -> None:
        """All of it is taken back."""
        for home in self.homes.values():
            home.mend()
        await asyncio.sleep(30)
        for _ in range(ROUNDS):

            def again() -> list[str]:
                found = {n: _latest(self._errands(n)) for n in self.homes}
                return [n for n, e in found.items() if e and e.kind == "back" and _held(e)]

            ending = await self._coordinate(lambda one: one.back(again=again()))
            if ending.exit is Exit.DONE:
                self.counts["campaigns taken back"] += 1
                return
        raise Broken(f"not back after {ROUNDS} times: {ending.headline}")

    # Looking at it

    def _errands(self, name: str) -> list[Any]:
        return [kept.errand for kept in self.store.errands.values() if kept.site == name]

    def _account(self, name: str) -> SiteAccount:
        latest = _latest(self._errands(name))
        assert latest is not None
        return latest.account or SiteAccount(exit=Exit.HELD)

    def _states(self) -> tuple[frozenset[str], frozenset[str], frozenset[str]]:
        """Sites that are moved, held and refused."""
        found: dict[str, set[str]] = {"moved": set(), "held": set(), "refused": set()}
        for name in self.homes:
            latest = _latest(self._errands(name))
            if latest is None:
                continue
            if latest.account is not None and latest.account.exit is Exit.DONE:
                found["moved"].add(name)
            elif _held(latest):
                found["held"].add(name)
            elif latest.phase == "done" and self._account(name).exit is not Exit.STOPPED:
                found["refused"].add(name)
        return frozenset(found["moved"]), frozenset(found["held"]), frozenset(found["refused"])

    def _accounted(self) -> None:
        """Nobody is at work, and every site that is moved has come to its end once."""
        if self.invariants.open:
            raise Broken(f"at the end {self.invariants.open} are still open")
        for name in self._states()[0]:
            if self.drawn.then != "back" and self.invariants.done[name, "move"] != 1:
                raise Broken(f"{name} came to its end {self.invariants.done[name, 'move']} times")
        fair = self.drawn.then != "back"
        for name, home in self.homes.items():
            for unit in home.house.units.values():
                # Nobody was sent the same again: once for each leg.
                legs = len(self.plan.by_name[name].legs)
                well = fair and not self.drawn.by_name[name].wrong
                if well and name not in self.ending.cut_short and len(unit.taken) > legs:
                    raise Broken(f"{name}: {unit.name} was told {len(unit.taken)} times")

    def _sum_up(self) -> None:
        ending = self.ending
        for home in self.homes.values():
            ending.told += [f"{home.name}: {words}" for words in home.told]
        ending.seconds = self.loop.time()
        if not hasattr(self, "invariants"):
            return
        self.counts.update(self.invariants.counts)
        for home in self.homes.values():
            for what, times in home.gauge.counts.items():
                self.counts[f"worker killed: {what.removeprefix('cut ')}"] += times
        ending.exposure = self.invariants.exposure
        ending.moved = len(self._states()[0])
        key = self.plan.key
        ending.told += [
            f"{k.replace(key, '...')} {e.errand.phase}" for k, e in self.store.errands.items()
        ]
        ending.digest = hashlib.sha256("\n".join(ending.told).encode()).hexdigest()[:16]


def _only_killed(error: BaseException) -> bool:
    if isinstance(error, BaseExceptionGroup):
        return all(_only_killed(one) for one in error.exceptions)
    return isinstance(error, Cut | asyncio.CancelledError)


def _sets(*sets: frozenset[str]) -> str:
    return " / ".join(",".join(sorted(one)) or "-" for one in sets)


__all__ = ["Ending", "Refused", "play"]
