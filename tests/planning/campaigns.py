"""Campaigns for tests: small ones by hand, any by hypothesis, and sites that stand anywhere."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from hypothesis import strategies as st

from migrate.model.campaign import SitePace
from migrate.model.problems import Exit
from migrate.planning.campaign.errands import SiteAccount, SiteLeg, SiteTwin
from migrate.planning.campaign.plan import CampaignPlan, PlannedSite
from migrate.planning.campaign.standing import Errand, SiteStanding, standing_of
from migrate.planning.plan import Source

DIGEST = "d" * 64


def twin(firmware: str, digest: str = DIGEST) -> SiteTwin:
    return SiteTwin(dialect="larch", digest=digest, firmware=firmware)


def site(
    name: str, twins: str = "1", after: Sequence[str] = (), travel_minutes: int = 0
) -> PlannedSite:
    """A site; `twins`: firmware versions, apart by blanks."""
    return PlannedSite(
        name=name,
        after=tuple(after),
        travel_minutes=travel_minutes,
        legs=(SiteLeg(digest=DIGEST, devices=3, waves=2),),
        twins=tuple(twin(firmware) for firmware in twins.split()),
    )


def campaign(*sites: PlannedSite, pace: SitePace | None = None) -> CampaignPlan:
    """A campaign before it is frozen."""
    return CampaignPlan(
        tool="1",
        title="new routers",
        created="2026-01-01T00:00:00+00:00",
        source=Source(path="campaign.toml", sha256=DIGEST),
        pace=pace or SitePace(),
        sites=sites,
    )


def ended(exit_: Exit, *, kind: str = "move", attempt: int = 1, began: bool = True) -> Errand:
    told = SiteAccount(exit=exit_, began=began)
    return Errand(f"{kind}{attempt}", "back" if kind == "back" else "move", attempt, "done", told)


WAITING = standing_of(())
ASKED = standing_of([Errand("m1", "move", 1, "asked")])
UNDER_WAY = standing_of([Errand("m1", "move", 1, "taken")])
MOVED = standing_of([ended(Exit.DONE)])
HELD = standing_of([ended(Exit.HELD)])
FLIP = standing_of(
    [Errand("m1", "move", 1, "done", SiteAccount(exit=Exit.HELD, began=True, flip=True))]
)
REFUSED = standing_of([ended(Exit.REFUSED, began=False)])
STOPPED = standing_of([ended(Exit.STOPPED)])
AT_LAST = standing_of([ended(Exit.HELD), ended(Exit.DONE, attempt=2)])
"""Moved after it had been held."""
FAILED = standing_of([Errand("m1", "move", 1, "failed")])
FORWARD = (WAITING, ASKED, UNDER_WAY, MOVED, HELD, FLIP, REFUSED, STOPPED, AT_LAST, FAILED)

_D = ended(Exit.DONE)
BACK_ASKED = standing_of([_D, Errand("b1", "back", 1, "asked")])
BACK_UNDER_WAY = standing_of([_D, Errand("b1", "back", 1, "taken")])
BACK = standing_of([_D, ended(Exit.DONE, kind="back")])
BACK_HELD = standing_of([_D, ended(Exit.HELD, kind="back")])
BACK_STOPPED = standing_of([_D, ended(Exit.STOPPED, kind="back")])
RETURNING = (
    WAITING,
    MOVED,
    HELD,
    REFUSED,
    STOPPED,
    BACK_ASKED,
    BACK_UNDER_WAY,
    BACK,
    BACK_HELD,
    BACK_STOPPED,
)

paces = st.builds(
    SitePace,
    held_at_most=st.integers(1, 4),
    confidence=st.sampled_from((0.6, 0.8, 0.95, 0.99)),
    most_at_once=st.integers(1, 6),
    wait_when_held=st.none() | st.integers(1, 3),
)


@st.composite
def campaigns(draw: st.DrawFn, least: int = 1) -> CampaignPlan:
    """Up to twelve sites, each with up to three twin groups of four, each after some before it."""
    names = [f"s{number}" for number in range(draw(st.integers(least, 12)))]
    sites = [
        site(
            name,
            " ".join(draw(st.sets(st.sampled_from("abcd"), max_size=3))),
            sorted(draw(st.sets(st.sampled_from(names[:number]), max_size=2))) if number else (),
            draw(st.integers(0, 3)),
        )
        for number, name in enumerate(names)
    ]
    return campaign(*draw(st.permutations(sites)), pace=draw(paces))


@st.composite
def looks(
    draw: st.DrawFn, plan: CampaignPlan, among: Sequence[SiteStanding] = FORWARD
) -> Mapping[str, SiteStanding]:
    """Each site somewhere, whether the campaign could have come there or not."""
    return {one.name: draw(st.sampled_from(among)) for one in plan.sites}
