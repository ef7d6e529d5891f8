"""The coordinator of a campaign: looks at the store, lets sites begin, and looks again.

It keeps nothing: all it knows is in the store, and what it gives is given once, by a key of its
own. So it may be killed at any moment, and whoever is started next goes on where it was. The sites
do not need it to finish what they have begun.
"""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Final, Literal, TypeVar

from tenacity import AsyncRetrying, retry_if_exception_type, wait_exponential

from migrate.model.problems import Exit, Problem, Refused
from migrate.planning.campaign.errands import Answers, Order
from migrate.planning.campaign.look import Look, Wanted
from migrate.planning.campaign.plan import CampaignPlan
from migrate.planning.campaign.standing import Errand, SiteStanding, SiteState
from migrate.planning.campaign.turn import (
    SILENT,
    Turn,
    next_turn,
    next_turn_back,
    to_take_back,
)
from migrate.ports.protocols import SiteStore, StoreLost

LOOK_SECONDS: Final = 2.0
"""The store is looked at at least so often."""
LONGEST_PAUSE_SECONDS: Final = 15.0
"""Between two tries to reach a store that is lost."""

ANSWERED: Final = frozenset({SiteState.HELD, SiteState.REFUSED, SiteState.STOPPED})
"""States in which the owner may say that a site is to go on."""
Result = TypeVar("Result")


@dataclass(frozen=True)
class CampaignScene:
    """What there is to see of a campaign: `kept` says of each site that does not begin why not;
    `lost` that the store cannot be reached, and everything else is as it was last seen."""

    plan: CampaignPlan
    look: Look
    standings: Mapping[str, SiteStanding]
    kept: Mapping[str, str] = field(default_factory=dict)
    exposure: float = 0.0
    back: bool = False
    lost: bool = False

    def named(self, *states: SiteState) -> list[str]:
        """Names of the sites in these states, in the order of the plan."""
        return [s.name for s in self.plan.sites if self.standings[s.name].state in states]

    @property
    def stopping(self) -> bool:
        """Whether the owner wants it stopped."""
        return self.look.wanted == "stop"


def scene_of(plan: CampaignPlan, look: Look) -> CampaignScene:
    """What one look shows, and who would wait for what now."""
    standings = look.standings(plan)
    turn = next_turn(plan, standings, {site.name for site in plan.sites if look.heard(site.name)})
    back = any(standing.back for standing in standings.values())
    kept = {} if back else turn.kept
    return CampaignScene(plan, look, standings, kept, turn.exposure, back)


@dataclass(frozen=True)
class CampaignEnding:
    """How the work of a coordinator ended, and what was seen last."""

    exit: Exit
    headline: str
    scene: CampaignScene


Show = Callable[[CampaignScene], None]


class Coordinator:
    """Lets the sites of a frozen campaign go, by what the store says of them. `show` is called with
    all that it sees."""

    def __init__(
        self, plan: CampaignPlan, store: SiteStore, show: Show = lambda scene: None
    ) -> None:
        self._plan = plan
        self._store = store
        self._show = show
        self._seen: CampaignScene | None = None
        self._given: set[Order] = set()
        self._names = [site.name for site in plan.sites]

    async def forward(self, answers: Mapping[str, Answers] | None = None) -> CampaignEnding:
        """Until no site is under way and none can begin. `answers`: sites that are held, refused or
        stopped and go on, each with what the owner has decided.

        Raises Refused if the campaign is on its way back, or a site does not wait for an answer;
        BadFile for what stands in the store and is of another version.
        """
        look = await self._look()
        standings = look.standings(self._plan)
        self._check_forward(look, standings, answers or {})
        await self._want("run")
        for name, answer in (answers or {}).items():
            await self._give("move", name, standings[name], answer)
        return _ended(await self._until_over("move", lambda s, h: next_turn(self._plan, s, h)))

    async def back(
        self,
        names: Collection[str] = (),
        again: Collection[str] = (),
        not_flipped: Collection[str] = (),
    ) -> CampaignEnding:
        """Take the sites of these names back to the old side; without names those of `again`, and
        without those all of them. `again`: sites whose way back is held, and is gone on with;
        `not_flipped`: those where the access point still has its old passphrase, by the owner's
        word.

        Raises Refused while a site is under way forward, and where a site that came after one of
        these would stay behind.
        """
        standings = (await self._look()).standings(self._plan)
        wanted = frozenset(names or again or self._names)
        self._check_back(standings, wanted, again)
        await self._want("run")
        words = {name: Answers(not_flipped=True) for name in not_flipped}
        for name in again:
            await self._give("back", name, standings[name], words.get(name, Answers()))
        scene = await self._until_over(
            "back", lambda s, h: next_turn_back(self._plan, s, h, wanted), words, wanted
        )
        return _ended_back(scene, wanted)

    async def stop(self) -> CampaignScene:
        """Say that the campaign is to stop: no site begins, and those under way stop between two
        devices as soon as their workers hear of it. Does not wait for that."""
        await self._want("stop")
        scene = scene_of(self._plan, await self._look())
        await self._stop_errands(scene)
        return scene

    async def _until_over(
        self,
        kind: Literal["move", "back"],
        turn_of: Callable[[Mapping[str, SiteStanding], frozenset[str]], Turn],
        words: Mapping[str, Answers] | None = None,
        among: Collection[str] = (),
    ) -> CampaignScene:
        """Give errands as the rule lets, until none is at work and none can begin. `among`: what
        these sites come to is waited for, and no other; of all, without."""
        while True:
            look = await self._look()
            standings = look.standings(self._plan)
            heard = frozenset(name for name in self._names if look.heard(name))
            turn = turn_of(standings, heard)
            told = words or {}
            orders = [
                self._order(kind, name, standings[name], told.get(name, Answers()))
                for name in turn.sites
            ]
            # One of which nothing comes is not given over and over.
            new = [order for order in orders if order not in self._given]
            if look.wanted == "run" and new:
                await self._give_all(new)
                continue
            back = kind == "back"
            scene = CampaignScene(self._plan, look, standings, turn.kept, turn.exposure, back)
            self._seen = scene
            self._show(scene)
            if look.wanted == "stop":
                await self._stop_errands(scene)
            silent = look.wanted == "run" and any(words == SILENT for words in turn.kept.values())
            if not silent and not any(standings[n].at_work for n in among or standings):
                return scene
            await self._patiently(lambda: self._store.news(LOOK_SECONDS))

    async def _stop_errands(self, scene: CampaignScene) -> None:
        errands = {
            name: standing.errand.key
            for name, standing in scene.standings.items()
            if standing.at_work and standing.errand is not None
        }
        if errands:
            await self._patiently(lambda: self._store.stop_errands(errands))

    def _check_forward(
        self, look: Look, standings: Mapping[str, SiteStanding], answers: Mapping[str, Answers]
    ) -> None:
        if any(standing.back for standing in standings.values()):
            raise Refused(
                Problem(
                    "this campaign is being taken back, and does not go forward any more",
                    "plan what is to be next: migrate campaign plan",
                )
            )
        unasked = [name for name in answers if standings[name].state not in ANSWERED]
        if unasked:
            raise Refused(
                [
                    Problem(
                        f"site {name} is {standings[name].state}, and waits for no answer",
                        "see where the sites stand: migrate campaign status",
                    )
                    for name in unasked
                ]
            )
        unknown = [
            (name, device)
            for name, answer in answers.items()
            for device in (*answer.again, *answer.write_off)
            if device not in _devices(look.errands.get(name, ()))
        ]
        if unknown:
            raise Refused(
                [
                    Problem(
                        f"site {name} has told of no device {device!r}",
                        f"see the names: migrate campaign status --site {name}",
                    )
                    for name, device in unknown
                ]
            )

    def _check_back(
        self,
        standings: Mapping[str, SiteStanding],
        wanted: Collection[str],
        again: Collection[str],
    ) -> None:
        problems = [
            Problem(
                f"site {name} is under way to the new side",
                "have it stop first: migrate campaign stop",
            )
            for name in self._names
            if name in wanted and standings[name].at_work and not standings[name].back
        ]
        problems += [
            Problem(
                f"site {site.name} came after {name}, and would stay behind on the new side",
                f"take it back as well: --site {site.name}",
            )
            for site in self._plan.sites
            for name in site.after
            if name in wanted and site.name not in wanted and to_take_back(standings[site.name])
        ]
        problems += [
            Problem(
                f"site {name} is not held on its way back",
                "see where the sites stand: migrate campaign status",
            )
            for name in again
            if not standings[name].back or standings[name].state is not SiteState.HELD
        ]
        if problems:
            raise Refused(problems)

    async def _give_all(self, orders: Sequence[Order]) -> None:
        """Let these sites begin. If the store is lost meanwhile the rest does not: when it is back,
        the owner may have stopped the campaign, and it is looked at anew first."""
        try:
            for order in orders:
                await self._store.give(order)
                self._given.add(order)
        except StoreLost:
            self._lost()

    async def _give(
        self, kind: Literal["move", "back"], name: str, standing: SiteStanding, answers: Answers
    ) -> None:
        order = self._order(kind, name, standing, answers)
        await self._patiently(lambda: self._store.give(order))

    def _order(
        self, kind: Literal["move", "back"], name: str, standing: SiteStanding, answers: Answers
    ) -> Order:
        return Order(
            kind=kind,
            site=name,
            campaign=self._plan.key,
            attempt=standing.attempts + 1 if standing.back is (kind == "back") else 1,
            legs=tuple(leg.digest for leg in self._plan.by_name[name].legs),
            answers=answers,
        )

    async def _want(self, wanted: Wanted) -> None:
        await self._patiently(lambda: self._store.want(self._plan.key, wanted))

    async def _look(self) -> Look:
        return await self._patiently(lambda: self._store.look(self._plan.key, self._names))

    async def _patiently(self, do: Callable[[], Awaitable[Result]]) -> Result:
        return await patiently(do, self._lost)

    def _lost(self) -> None:
        # Once, however often it is tried.
        if self._seen is not None and not self._seen.lost:
            self._seen = replace(self._seen, lost=True)
            self._show(self._seen)


def _devices(errands: Sequence[Errand]) -> frozenset[str]:
    """Names of the devices that a site has told of, at whichever errand."""
    accounts = [errand.account for errand in errands if errand.account]
    return frozenset(device.name for account in accounts for device in account.devices)


async def patiently(
    do: Callable[[], Awaitable[Result]], lost: Callable[[], None] = lambda: None
) -> Result:
    """What comes of it, however long the store is lost meanwhile; `lost` is told each time."""
    async for attempt in AsyncRetrying(
        retry=retry_if_exception_type(StoreLost),
        wait=wait_exponential(min=0.5, max=LONGEST_PAUSE_SECONDS),
        before_sleep=lambda _: lost(),
    ):
        with attempt:
            return await do()
    raise AssertionError  # tenacity either returns from the body or raises


def _ended(scene: CampaignScene) -> CampaignEnding:
    names = scene.plan.by_name
    moved = scene.named(SiteState.MOVED)
    words = f"{len(moved)} of {len(names)} sites are moved"
    if len(moved) == len(names):
        return CampaignEnding(Exit.DONE, words, scene)
    if scene.stopping:
        return CampaignEnding(Exit.STOPPED, f"stopped, as you asked: {words}", scene)
    return CampaignEnding(Exit.HELD, f"held: {words}, and the rest waits for you", scene)


def _ended_back(scene: CampaignScene, wanted: Collection[str]) -> CampaignEnding:
    left = [name for name, one in scene.standings.items() if name in wanted and to_take_back(one)]
    words = f"{len(scene.named(SiteState.BACK))} sites are back on the old side"
    if not left:
        return CampaignEnding(Exit.DONE, words, scene)
    if scene.stopping:
        return CampaignEnding(Exit.STOPPED, f"stopped, as you asked: {words}", scene)
    return CampaignEnding(
        Exit.HELD, f"held: {words}, {len(left)} are not ({', '.join(left[:5])})", scene
    )
