"""One campaign from its first minute to its end: workers and coordinators that come and go, and an
owner who decides."""

from __future__ import annotations

import asyncio
import hashlib
import shutil
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

from migrate.engine.campaign import CampaignEnding
from migrate.model.problems import Exit
from migrate.planning.campaign.errands import Answers, SiteAccount
from migrate.planning.campaign.plan import CampaignPlan, PlannedSite, freeze_campaign
from migrate.planning.campaign.turn import expected_waves
from migrate.planning.plan import Source
from migrate.virtual.campaign import VirtualStore
from migrate.virtual.clock import Standstill, run_virtual
from tests.swarm.story import QUICK

from .homes import Home, in_virtual_time
from .invariants import Broken, Invariants, is_held, latest_of
from .processes import Ending, Processes
from .scenario import DrawnCampaign, draw

ROUNDS = 8
"""Times that the owner sees to what is held; a campaign not over by then never will be."""
LONGEST = 86400.0
"""Seconds of virtual time after which a campaign counts as one that has no end."""


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


class Story(Processes):
    """A store, sites and an owner."""

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
        self.invariants = Invariants(self.plan, self.homes, self.store.now)
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
        beside: list[asyncio.Task[None]] = []
        if self.drawn.stops:
            self.loop.call_later(20, lambda: beside.append(asyncio.create_task(self._stop())))
        for _ in range(ROUNDS):

            def again() -> list[str]:
                found = {n: latest_of(self._errands(n)) for n in self.homes}
                return [n for n, e in found.items() if e and e.kind == "back" and is_held(e)]

            ending = await self._coordinate(lambda one: one.back(again=again()))
            if ending.exit is Exit.DONE:
                self.counts["campaigns taken back"] += 1
                await asyncio.gather(*beside)
                return
            self.counts["way back gone on with"] += 1
        raise Broken(f"not back after {ROUNDS} times: {ending.headline}")

    # Looking at it

    def _errands(self, name: str) -> list[Any]:
        return [kept.errand for kept in self.store.errands.values() if kept.site == name]

    def _account(self, name: str) -> SiteAccount:
        latest = latest_of(self._errands(name))
        assert latest is not None
        return latest.account or SiteAccount(exit=Exit.HELD)

    def _states(self) -> tuple[frozenset[str], frozenset[str], frozenset[str]]:
        """Sites that are moved, held and refused."""
        found: dict[str, set[str]] = {"moved": set(), "held": set(), "refused": set()}
        for name in self.homes:
            latest = latest_of(self._errands(name))
            if latest is None:
                continue
            if latest.account is not None and latest.account.exit is Exit.DONE:
                found["moved"].add(name)
            elif is_held(latest):
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


def _sets(*sets: frozenset[str]) -> str:
    return " / ".join(",".join(sorted(one)) or "-" for one in sets)
