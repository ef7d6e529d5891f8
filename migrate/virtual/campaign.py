"""The store of a campaign in memory, under virtual time: orders, accounts, signs, the owner's word.

What it was given is kept for good. Everybody comes to it over a line of his own, which may be cut;
what was asked over a line that is cut meanwhile may have been done all the same.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from functools import partial
from random import Random
from typing import Final, Protocol, TypeVar

from migrate.model.problems import BadFile, Busy, Exit, Problem
from migrate.planning.campaign.errands import Order, SiteAccount, from_json, to_json
from migrate.planning.campaign.look import BEAT_SECONDS, Look, SiteSign, Wanted
from migrate.planning.campaign.standing import Errand
from migrate.ports.durable.names import key_of
from migrate.ports.protocols import StoreLost
from migrate.virtual.house import EPOCH

COORDINATOR_SILENT_SECONDS: Final = 12.0
"""A coordinator that has not been heard of for so long has ended without saying so."""
POLL_SECONDS: Final = 1.0
"""How often a worker looks into its queue, and a coordinator into the store."""
BUSY_BEAT_SECONDS: Final = 2.0
"""While an errand is under way, a worker says so often how far it is."""
PATIENCE_SECONDS: Final = 3.0
"""After which whoever is behind a line that is cut is told so."""
Result = TypeVar("Result")


@dataclass
class Kept:
    """An errand as it stands in the store. `legs`: accounts of the legs that are over; times are
    seconds since 1970."""

    order: str
    site: str
    errand: Errand
    legs: dict[int, str] = field(default_factory=dict)


class StoreWatch(Protocol):
    """Whoever looks on from outside, at the very moment at which something happens in the store.
    `who`: the coordinator that it was, or nothing for somebody who only looks or stops."""

    def looked(self, who: str, look: Look) -> None: ...

    def gave(self, who: str, order: Order, *, anew: bool) -> None: ...

    def took(self, site: str, key: str) -> None: ...

    def ended(self, site: str, key: str, account: str) -> None: ...

    def said(self, site: str, picture: str) -> None: ...


class VirtualStore:
    """The database. `errands`: by their keys, in the order in which they were given."""

    def __init__(self, sites: Sequence[str]) -> None:
        self.loop = asyncio.get_running_loop()
        self.errands: dict[str, Kept] = {}
        self.watchers: list[StoreWatch] = []
        self.word: Wanted = "run"
        self.coordinator, self.coordinator_at = "", 0.0
        self.queued = {site: asyncio.Event() for site in sites}
        self._of: dict[str, list[str]] = {site: [] for site in sites}
        self._told: dict[str, tuple[Errand, ...]] = {}
        self._signs: dict[str, SiteSign] = {}
        self._pictures: dict[str, str] = {}
        self._stopping: dict[str, str] = {}

    def now(self) -> float:
        """Seconds since 1970, by the store's clock."""
        return EPOCH.timestamp() + self.loop.time()

    # What coordinators, and those who only look or stop, ask of it

    def look(self, who: str, sites: Sequence[str]) -> Look:
        """All that stands in it of these sites. Raises Busy."""
        if who:
            self._claim(who)
        signs = {site: self._signs[site] for site in sites if site in self._signs}
        look = Look(self.now(), self.word, dict(self._told), signs)
        for watcher in self.watchers:
            watcher.looked(who, look)
        return look

    def give(self, who: str, order: Order) -> None:
        """Put an errand on its site's queue, once. Raises Busy."""
        if who:
            self._claim(who)
        key = key_of(order)
        anew = key not in self.errands
        if anew and order.kind != "plan":
            errand = Errand(key, order.kind, order.attempt, "asked", asked_at=self.now())
            self.errands[key] = Kept(to_json(order), order.site, errand)
            self._of[order.site].append(key)
            self._changed(order.site)
            self.queued[order.site].set()
        for watcher in self.watchers:
            watcher.gave(who, order, anew=anew)

    def want(self, wanted: Wanted) -> None:
        """Keep the owner's word."""
        self.word = wanted

    def stop_errands(self, keys: Mapping[str, str]) -> None:
        """Have these errands stopped when their workers say next how they are."""
        self._stopping.update(keys)

    def _claim(self, who: str) -> None:
        silent = self.now() - self.coordinator_at > COORDINATOR_SILENT_SECONDS
        if self.coordinator not in ("", who) and not silent:
            raise Busy(Problem("this campaign is being run by another process"))
        self.coordinator, self.coordinator_at = who, self.now()

    def let_go(self, who: str) -> None:
        """A coordinator ends and says so."""
        if self.coordinator == who:
            self.coordinator = ""

    # What workers ask of it

    def take(self, site: str) -> str | None:
        """The key of the errand that a site has begun and not ended, or else of the next."""
        for phase in ("taken", "asked"):
            for key in self._of[site]:
                kept = self.errands[key]
                if kept.errand.phase == phase:
                    if phase == "asked":
                        kept.errand = replace(kept.errand, phase="taken", taken_at=self.now())
                        self._changed(site)
                        for watcher in self.watchers:
                            watcher.took(site, key)
                    return key
        self.queued[site].clear()
        return None

    def keep_leg(self, key: str, leg: int, account: str) -> None:
        """A leg of an errand is over. Said twice, the first word stands."""
        self.errands[key].legs.setdefault(leg, account)

    def end(self, key: str, account: str) -> None:
        """An errand is over. Said twice, the first word stands."""
        kept = self.errands[key]
        if kept.errand.phase != "taken":
            return
        try:
            told = from_json(account, SiteAccount, key)
            kept.errand = replace(kept.errand, phase="done", account=told, ended_at=self.now())
        except BadFile:
            kept.errand = replace(kept.errand, phase="failed", ended_at=self.now())
        self._changed(kept.site)
        for watcher in self.watchers:
            watcher.ended(kept.site, key, account)

    def say(self, site: str, tool: str, doing: str, picture: str) -> str:
        """How a worker is; the key of the errand that is to stop."""
        last, told = self._pictures.get(site, ""), None
        if picture and picture == last:
            told = self._signs[site].picture
        elif picture:
            told = from_json(picture, SiteAccount, site)
        self._pictures[site] = picture
        self._signs[site] = SiteSign(self.now(), tool, doing, told)
        for watcher in self.watchers:
            watcher.said(site, picture)
        return self._stopping.get(site, "")

    def _changed(self, site: str) -> None:
        self._told[site] = tuple(self.errands[key].errand for key in self._of[site])


class StoreLine:
    """One process's line to the store. `latency`: seconds for one way, at most."""

    def __init__(self, random: Random, latency: float = 0.03) -> None:
        self.random = random
        self.latency = latency
        self.up = True
        self._cuts = 0

    def cut(self, seconds: float) -> None:
        """Nothing goes either way for these seconds."""
        self._cuts += 1
        self.up = False

        def again() -> None:
            self._cuts -= 1
            self.up = self._cuts == 0

        asyncio.get_running_loop().call_later(seconds, again)

    async def reach(self, do: Callable[[], Result]) -> Result:
        """What comes of it. Raises StoreLost; then it may have been done, or not."""
        for way in ("there", "back"):
            await asyncio.sleep(self.random.uniform(0.001, self.latency))
            if not self.up:
                await asyncio.sleep(PATIENCE_SECONDS)
                raise StoreLost
            if way == "there":
                result = do()
        return result

    async def patiently(self, do: Callable[[], Result]) -> Result:
        """The same, however long the line is cut."""
        while True:
            with suppress(StoreLost):
                return await self.reach(do)
            await asyncio.sleep(BUSY_BEAT_SECONDS)


class Desk:
    """A SiteStore: the store as one process has it that runs a campaign, or looks on. `who`: its
    name as a coordinator; without one it may not let sites begin, and keeps nobody from it."""

    def __init__(self, store: VirtualStore, line: StoreLine, who: str = "") -> None:
        self._store = store
        self._line = line
        self._who = who

    async def look(self, campaign: str, sites: Sequence[str]) -> Look:
        """See SiteStore. Raises Busy."""
        return await self._line.reach(lambda: self._store.look(self._who, sites))

    async def give(self, order: Order) -> None:
        """See SiteStore. Raises Busy."""
        await self._line.reach(lambda: self._store.give(self._who, order))

    async def want(self, campaign: str, wanted: Wanted) -> None:
        """See SiteStore."""
        await self._line.reach(lambda: self._store.want(wanted))

    async def stop_errands(self, keys: Mapping[str, str]) -> None:
        """See SiteStore."""
        await self._line.reach(lambda: self._store.stop_errands(keys))

    async def news(self, seconds: float) -> None:
        """See SiteStore. Nothing tells of a change."""
        await asyncio.sleep(min(seconds, POLL_SECONDS))


class VirtualSite(Protocol):
    """What is done at a site, by whatever does it."""

    async def move(self, order: Order, leg: int) -> SiteAccount: ...

    async def back(self, order: Order, leg: int) -> SiteAccount: ...

    def stop(self) -> None: ...

    @property
    def picture(self) -> SiteAccount | None: ...


class VirtualWorker:
    """One process of a site's worker. `at` is told each step between two words to the store, and
    may raise, which ends it there; whoever is started next goes on. `beats`: seconds between two
    signs of it, while it has nothing to do and while it has."""

    def __init__(
        self,
        store: VirtualStore,
        line: StoreLine,
        site: str,
        work: VirtualSite,
        at: Callable[[str], None] = lambda step: None,
        beats: tuple[float, float] = (BEAT_SECONDS, BUSY_BEAT_SECONDS),
    ) -> None:
        self._store = store
        self._line = line
        self._site = site
        self._work = work
        self._at = at
        self._beat, self._busy_beat = beats
        self._doing = ""
        self._news = asyncio.Event()

    async def live(self) -> None:
        """Take errand after errand, until it is cancelled."""
        beats = asyncio.create_task(self._beats())
        try:
            while True:
                key = await self._line.patiently(lambda: self._store.take(self._site))
                if key is None:
                    await self._store.queued[self._site].wait()
                    # It looks by its own clock: in the midst of a period, as a rule.
                    await asyncio.sleep(self._line.random.uniform(0, POLL_SECONDS))
                    continue
                await self._errand(key)
        finally:
            beats.cancel()
            await asyncio.gather(beats, return_exceptions=True)

    async def _errand(self, key: str) -> None:
        """One errand, leg after leg; back from the last to the first. A leg whose account is in the
        store is not done again."""
        self._at("taken")
        kept = self._store.errands[key]
        order = from_json(kept.order, Order, key)
        result = to_json(SiteAccount(exit=Exit.BAD_FILE))
        for leg in _legs(order):
            if leg not in kept.legs:
                done = await self._leg(key, order, leg)
                self._at("leg done")
                await self._line.patiently(partial(self._store.keep_leg, key, leg, done))
                self._at("leg kept")
            result = kept.legs[leg]
            if from_json(result, SiteAccount, key).exit is not Exit.DONE:
                break
        self._at("all done")
        await self._line.patiently(lambda: self._store.end(key, result))
        self._at("ended")

    async def _leg(self, key: str, order: Order, leg: int) -> str:
        self._doing = key
        self._news.set()
        try:
            do = self._work.back if order.kind == "back" else self._work.move
            return to_json(await do(order, leg))
        finally:
            self._doing = ""
            self._news.set()

    async def _beats(self) -> None:
        """Say how it is, over and over, and hear whether to stop."""
        while True:
            account = self._work.picture if self._doing else None
            picture, doing = to_json(account) if account else "", self._doing
            with suppress(StoreLost):
                say = partial(self._store.say, self._site, "virtual", doing, picture)
                stopping = await self._line.reach(say)
                if stopping and stopping == self._doing:
                    self._work.stop()
            self._news.clear()
            with suppress(TimeoutError):
                async with asyncio.timeout(self._busy_beat if self._doing else self._beat):
                    await self._news.wait()


def _legs(order: Order) -> Iterator[int]:
    legs = range(1, len(order.legs) + 1)
    yield from reversed(legs) if order.kind == "back" else legs
