"""Whose turn it is: the exposure rule of a wave, one level up.

After n sites moved and f were held among those with a twin group, the rate at which such sites are
held is at most the exact one-sided upper bound of Clopper and Pearson (exposure.py). A site is
counted by the least proved of its twin groups: one that no site has shown counts whole, so that a
site with it is a pilot, and goes alone if the owner is prepared to go to one site only. The sites
under way together count for no more than the owner is prepared to go to; one at least may always
go.

A site begins as soon as it fits, not when a whole wave is over: one that is slow, or whose line is
cut, keeps back only as much as it counts for itself. A site that is held is no longer under way. It
counts as a fault, so that fewer go at once, and keeps back those that come after it; anybody else
only if the owner said so (`wait_when_held`).

Taken back they go by the same rule, by what the way back has shown, each before what it came after.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from typing import Final

from migrate.model.campaign import SitePace
from migrate.model.problems import Exit
from migrate.planning.campaign.errands import SiteAccount, SiteTwin
from migrate.planning.campaign.plan import CampaignPlan, Group, PlannedSite, SiteWave
from migrate.planning.campaign.standing import AT_WORK, Errand, SiteStanding, SiteState, standing_of
from migrate.planning.exposure import Evidence, fits, rate

SiteStandings = Mapping[str, SiteStanding]
SILENT: Final = "its worker has not been heard of lately"
"""Why a site does not begin although it might."""


@dataclass(frozen=True)
class Turn:
    """Sites that begin now, the exposure with them, and of each that does not, why not."""

    sites: tuple[str, ...]
    exposure: float
    kept: Mapping[str, str]


def shown_by_sites(
    plan: CampaignPlan, standings: SiteStandings, *, back: bool = False
) -> dict[Group, Evidence]:
    """What the sites so far have shown of each twin group: by moving, or by going back."""
    returned, failed = Counter[Group](), Counter[Group]()
    goal = SiteState.BACK if back else SiteState.MOVED
    for site in plan.sites:
        standing = standings[site.name]
        if standing.back is not back:
            continue
        if standing.state is goal:
            returned.update(site.groups)
        if standing.faults:
            failed.update(dict.fromkeys(site.groups, standing.faults))
    return {g: Evidence(returned[g], failed[g]) for g in returned.keys() | failed.keys()}


def share(site: PlannedSite, shown: Mapping[Group, Evidence], confidence: float) -> float:
    """What a site counts for: the bound of the least proved of its twin groups."""
    return max((rate(shown.get(g, Evidence()), confidence) for g in site.groups), default=1.0)


def next_turn(plan: CampaignPlan, standings: SiteStandings, heard: Collection[str]) -> Turn:
    """Who begins to move now. `heard`: sites whose worker has been heard of lately."""
    ready = {
        site.name: "" if site.name in heard else SILENT
        for site in plan.sites
        if standings[site.name].state in (SiteState.WAITING, SiteState.STOPPED)
        and not standings[site.name].back
    }
    for name in ready:
        if words := _after_words(plan.by_name[name], standings):
            ready[name] = words
    held = [n for n, one in standings.items() if _stands_in_the_way(one)]
    most = plan.pace.wait_when_held
    if most is not None and len(held) >= most:
        words = f"{len(held)} sites are held, and the campaign waits for the owner"
        if len(held) == 1:
            words = f"{held[0]} is held, and the campaign waits for the owner"
        # Also of a silent one: nobody need wait until it is heard of.
        ready = {name: words if said in ("", SILENT) else said for name, said in ready.items()}
    return _admitted(plan, standings, ready, shown_by_sites(plan, standings))


def next_turn_back(
    plan: CampaignPlan, standings: SiteStandings, heard: Collection[str], names: Collection[str]
) -> Turn:
    """Who begins to go back now, of these names."""
    ready: dict[str, str] = {}
    later: dict[str, str] = {}
    for site in plan.sites:
        if to_take_back(standings[site.name]):
            later |= dict.fromkeys((name for name in site.after if name not in later), site.name)
    for site in plan.sites:
        standing = standings[site.name]
        if site.name not in names or standing.at_work or not to_take_back(standing):
            continue
        if standing.back and standing.state is SiteState.HELD:
            continue  # the owner decides
        words = "" if site.name in heard else SILENT
        if site.name in later:
            words = f"{later[site.name]} came after it, and goes back first"
        ready[site.name] = words
    return _admitted(plan, standings, ready, shown_by_sites(plan, standings, back=True))


def to_take_back(standing: SiteStanding) -> bool:
    """Whether there is, or may be in a moment, something at this site to be taken back."""
    return (standing.began or standing.at_work) and standing.state is not SiteState.BACK


def expected_waves(draft: CampaignPlan) -> tuple[tuple[SiteWave, ...], dict[str, str]]:
    """The waves if every site took equally long and all went well; and of each site, why there.

    Raises ValueError if sites come after each other in a circle."""
    standings = {site.name: SiteStanding() for site in draft.sites}
    everybody = frozenset(standings)
    waves: list[SiteWave] = []
    why: dict[str, str] = {}
    while len(why) < len(standings):
        shown = shown_by_sites(draft, standings)
        turn = next_turn(draft, standings, everybody)
        if not turn.sites:
            raise ValueError("sites come after each other in a circle")
        waves.append(SiteWave(sites=turn.sites, exposure=turn.exposure))
        for name in turn.sites:
            why[name] = _why(draft.by_name[name], shown, draft.pace)
            standings[name] = _MOVED
    return tuple(waves), why


_MOVED = standing_of(
    [Errand("", "move", 1, "done", SiteAccount(exit=Exit.DONE, began=True))],
)


def _admitted(
    plan: CampaignPlan,
    standings: SiteStandings,
    ready: Mapping[str, str],
    shown: Mapping[Group, Evidence],
) -> Turn:
    confidence, kept, sites = plan.pace.confidence, dict(ready), list[str]()
    at_work = [plan.by_name[name] for name, one in standings.items() if one.state in AT_WORK]
    shares = [share(site, shown, confidence) for site in at_work]
    for name in _in_order(plan, [n for n, words in ready.items() if not words], shown):
        more = share(plan.by_name[name], shown, confidence)
        if len(shares) >= plan.pace.most_at_once:
            kept[name] = f"{len(shares)} sites are under way, and no more go at once"
        elif shares and not fits(math.fsum([*shares, more]), plan.pace.held_at_most):
            kept[name] = "waits until others have shown more, or are through"
        else:
            shares.append(more)
            sites.append(name)
            del kept[name]
    return Turn(tuple(sites), math.fsum(shares), kept)


def _in_order(
    plan: CampaignPlan, names: Collection[str], shown: Mapping[Group, Evidence]
) -> list[str]:
    """Pilots first, so that what they show serves the most; then the nearest."""
    proved = {group for group, seen in shown.items() if seen.returns}

    def rank(name: str) -> tuple[bool, int, int, str]:
        site = plan.by_name[name]
        # A pilot with twin groups that are at many sites speaks for more.
        common = sum(plan.sites_with[group] for group in site.groups)
        return site.groups <= proved, site.travel_minutes, -common, name

    return sorted(names, key=rank)


def _after_words(site: PlannedSite, standings: SiteStandings) -> str:
    for name in site.after:
        standing = standings[name]
        if standing.state is not SiteState.MOVED:
            return f"comes after {name}, which is {standing.state}"
    return ""


def _stands_in_the_way(standing: SiteStanding) -> bool:
    return standing.state is SiteState.HELD and not standing.waits_for_flip


def _why(site: PlannedSite, shown: Mapping[Group, Evidence], pace: SitePace) -> str:
    unproved = [twin for twin in site.twins if not _seen(twin, shown).returns]
    if unproved or not site.twins:
        words = ", ".join(dict.fromkeys(f"{t.dialect} {t.firmware}" for t in unproved[:3]))
        return f"a pilot: the first with {words}" if words else "a pilot: nothing is known of it"
    weakest = max(site.twins, key=lambda twin: rate(_seen(twin, shown), pace.confidence))
    seen = _seen(weakest, shown)
    bound = rate(seen, pace.confidence)
    words = f"{seen.returns} site{'s' if seen.returns > 1 else ''} with {weakest.dialect}"
    return (
        f"{words} {weakest.firmware} moved before it: at most {bound:.0%} may be held "
        f"({pace.confidence:.0%} sure)"
    )


def _seen(twin: SiteTwin, shown: Mapping[Group, Evidence]) -> Evidence:
    return shown.get((twin.digest, twin.firmware), Evidence())
