"""Whose turn it is: the bound by the reference library, and what holds of every campaign."""

from __future__ import annotations

import math
import time
from collections.abc import Collection, Mapping
from functools import cache

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy import stats

from migrate.model.campaign import SitePace
from migrate.planning.campaign.plan import CampaignPlan, PlannedSite
from migrate.planning.campaign.standing import SiteStanding, SiteState
from migrate.planning.campaign.turn import (
    SILENT,
    Turn,
    expected_waves,
    next_turn,
    next_turn_back,
    share,
    shown_by_sites,
    to_take_back,
)
from migrate.planning.exposure import Evidence
from tests.planning.campaigns import (
    AT_LAST,
    BACK,
    BACK_ASKED,
    BACK_HELD,
    BACK_STOPPED,
    BACK_UNDER_WAY,
    DIGEST,
    FAILED,
    FLIP,
    HELD,
    MOVED,
    REFUSED,
    RETURNING,
    STOPPED,
    UNDER_WAY,
    WAITING,
    campaign,
    campaigns,
    looks,
    site,
)

MANY = settings(max_examples=40, deadline=None)
Standings = Mapping[str, SiteStanding]


@cache
def bound(returns: int, faults: int, confidence: float) -> float:
    """Source: Clopper and Pearson 1934, one-sided, by scipy.stats.beta.ppf(c, f + 1, n - f)."""
    return float(stats.beta.ppf(confidence, faults + 1, returns)) if returns else 1.0


def counted(plan: CampaignPlan, standings: Standings, *, back: bool) -> dict[str, float]:
    """What each site counts for, worked out anew from the docstring of the rule."""
    goal = SiteState.BACK if back else SiteState.MOVED
    found = {}
    for one in plan.sites:
        worst = 0.0 if one.twins else 1.0
        for twin in one.twins:
            alike = [
                standings[other.name]
                for other in plan.sites
                if standings[other.name].back is back
                and any((t.digest, t.firmware) == (twin.digest, twin.firmware) for t in other.twins)
            ]
            returns = sum(standing.state is goal for standing in alike)
            faults = sum(standing.faults for standing in alike)
            worst = max(worst, bound(returns, faults, plan.pace.confidence))
        found[one.name] = worst
    return found


def names(plan: CampaignPlan) -> frozenset[str]:
    return frozenset(plan.by_name)


def check_pace(plan: CampaignPlan, standings: Standings, turn: Turn, *, back: bool) -> None:
    """What holds of every turn, either way."""
    counts = counted(plan, standings, back=back)
    at_work = [name for name, one in standings.items() if one.at_work]
    going = [*at_work, *turn.sites]
    assert len(set(going)) == len(going)
    whole = math.fsum(counts[name] for name in going)
    assert turn.exposure == pytest.approx(whole, rel=1e-7)
    if turn.sites:
        assert whole <= plan.pace.held_at_most + 1e-6 or len(going) == 1
        assert len(going) <= plan.pace.most_at_once
    assert not turn.kept.keys() & set(turn.sites)
    assert all(words.strip() for words in turn.kept.values())


@pytest.mark.parametrize("confidence", [0.6, 0.95, 0.99])
@pytest.mark.parametrize(("returns", "faults"), [(0, 0), (0, 3), (1, 0), (7, 2), (40, 1), (300, 0)])
def test_a_site_counts_for_the_bound(returns: int, faults: int, confidence: float) -> None:
    shown = {(DIGEST, "1"): Evidence(returns, faults)}
    expected = bound(returns, faults, confidence)
    assert share(site("a"), shown, confidence) == pytest.approx(expected, rel=1e-8)
    # The least proved of its twin groups; one that nobody knows, or none at all, counts whole.
    assert share(site("a", "1 2"), shown, confidence) == 1.0
    assert share(site("a", ""), shown, confidence) == 1.0


def test_what_sites_have_shown() -> None:
    plan = campaign(
        *(site(name, twins) for name, twins in zip("abcdef", ("1", "1 2", *"1213"), strict=True))
    )
    states = (MOVED, AT_LAST, HELD, UNDER_WAY, FLIP, FAILED)
    standings = dict(zip("abcdef", states, strict=True))
    assert shown_by_sites(plan, standings) == {
        (DIGEST, "1"): Evidence(2, 2),
        (DIGEST, "2"): Evidence(1, 1),
        (DIGEST, "3"): Evidence(0, 1),
    }
    # A site that is on its way back has shown nothing of the way there, nor the other way round.
    assert shown_by_sites(plan, standings, back=True) == {}
    standings |= {"a": BACK, "c": BACK_HELD}
    back = shown_by_sites(plan, standings, back=True)
    assert back == {(DIGEST, "1"): Evidence(1, 1)}


def test_one_alike_in_number_only_is_no_twin() -> None:
    other = site("b").model_copy(
        update={"twins": (site("b").twins[0].model_copy(update={"digest": "e" * 64}),)}
    )
    shown = {(DIGEST, "1"): Evidence(100, 0)}
    assert share(other, shown, 0.95) == 1.0


@MANY
@given(st.data())
def test_never_more_than_the_owner_is_prepared_to_go_to(data: st.DataObject) -> None:
    plan = data.draw(campaigns())
    standings = data.draw(looks(plan))
    heard = data.draw(st.sets(st.sampled_from(sorted(names(plan)))))
    turn = next_turn(plan, standings, heard)
    check_pace(plan, standings, turn, back=False)
    for name in turn.sites:
        assert standings[name].state in (SiteState.WAITING, SiteState.STOPPED)
        assert name in heard
        for before in plan.by_name[name].after:
            assert standings[before].state is SiteState.MOVED
    waiting = {
        n for n, one in standings.items() if one.state in (SiteState.WAITING, SiteState.STOPPED)
    }
    assert waiting == set(turn.sites) | set(turn.kept)
    held = [n for n, s in standings.items() if s.state is SiteState.HELD and not s.waits_for_flip]
    most = plan.pace.wait_when_held
    if most is not None and len(held) >= most:
        assert not turn.sites
        assert SILENT not in turn.kept.values()
    elif not any(one.at_work for one in standings.values()):
        # Nothing is at work: somebody goes, unless nobody may.
        fit = [
            name
            for name in waiting & heard
            if all(standings[b].state is SiteState.MOVED for b in plan.by_name[name].after)
        ]
        assert bool(turn.sites) is bool(fit)


def descendants(plan: CampaignPlan, name: str) -> set[str]:
    found = {name}
    while more := {s.name for s in plan.sites if set(s.after) & found} - found:
        found |= more
    return found - {name}


@MANY
@given(st.data())
def test_a_held_site_keeps_back_those_that_come_after_it_and_nobody_else(
    data: st.DataObject,
) -> None:
    """But for evidence: it is held for the access point, which is no fault. Beside it stands the
    same campaign without it, and without what comes after it."""
    plan = data.draw(campaigns(least=2))
    plan = plan.model_copy(update={"pace": plan.pace.model_copy(update={"wait_when_held": None})})
    standings = dict(data.draw(looks(plan)))
    name = data.draw(st.sampled_from(sorted(names(plan))))
    standings[name] = data.draw(st.sampled_from((FLIP, REFUSED)))
    behind = descendants(plan, name)
    # Those behind it wait, as they must have if it was never moved.
    standings |= dict.fromkeys(behind, WAITING)
    turn = next_turn(plan, standings, names(plan))
    assert not behind & set(turn.sites)
    rest = [one for one in plan.sites if one.name not in behind | {name}]
    assume(rest)
    # How many sites a twin group is at decides the order; that stays.
    without = plan.model_copy(update={"sites": tuple(rest)})
    for key in ("by_name", "sites_with"):
        without.__dict__.pop(key, None)
    without.__dict__["sites_with"] = plan.sites_with
    alone = {n: one for n, one in standings.items() if n in {s.name for s in rest}}
    assert set(turn.sites) == set(next_turn(without, alone, names(plan)).sites)


def test_a_fault_counts_and_lets_fewer_go() -> None:
    sites = [site(f"s{number:02}") for number in range(30)]
    plan = campaign(*sites)
    standings = {one.name: MOVED if n < 10 else WAITING for n, one in enumerate(sites)}
    before = next_turn(plan, standings, names(plan)).sites
    standings["s10"] = HELD
    after = next_turn(plan, standings, names(plan)).sites
    assert len(before) == math.floor(1 / bound(10, 0, 0.95)) == 3
    assert len(after) == math.floor(1 / bound(10, 1, 0.95)) == 2
    # It is held, and no longer under way: it does not count itself.
    assert next_turn(plan, standings, names(plan)).exposure == pytest.approx(2 * bound(10, 1, 0.95))


def test_the_campaign_waits_if_the_owner_said_so() -> None:
    sites = [site(name, name) for name in "abcdefg"]
    pace = SitePace(wait_when_held=2, held_at_most=9)
    plan = campaign(*sites, pace=pace)
    standings = dict.fromkeys("abcdefg", WAITING) | {"a": HELD, "b": FLIP, "c": REFUSED}
    assert set(next_turn(plan, standings, "abcdefg").sites) == set("defg")
    standings["d"] = FAILED
    standings["g"] = UNDER_WAY
    turn = next_turn(plan, standings, "abcdeg")
    assert turn.sites == ()
    words = "2 sites are held, and the campaign waits for the owner"
    # Of the silent one as well: it would wait even if it were heard of.
    assert turn.kept == {"e": words, "f": words}
    assert turn.exposure == 1.0  # of the one that is under way all the same
    one = campaign(*sites, pace=SitePace(wait_when_held=1))
    kept = next_turn(one, standings | {"d": WAITING}, "abcdefg").kept
    assert kept["e"] == "a is held, and the campaign waits for the owner"


def test_why_a_site_does_not_begin() -> None:
    plan = campaign(
        site("a"), site("b", after=["a"]), site("c"), site("d"), pace=SitePace(most_at_once=1)
    )
    standings = {"a": UNDER_WAY, "b": WAITING, "c": WAITING, "d": STOPPED}
    turn = next_turn(plan, standings, "abc")
    assert turn.kept == {
        "b": "comes after a, which is under way",
        "c": "1 sites are under way, and no more go at once",
        "d": SILENT,
    }
    wide = campaign(*plan.sites)
    kept = next_turn(wide, standings, "abcd").kept
    assert kept["c"] == kept["d"] == "waits until others have shown more, or are through"


def test_pilots_go_first_then_the_nearest() -> None:
    sites = (
        site("far", "1", travel_minutes=60),
        site("near", "1", travel_minutes=5),
        site("new", "9", travel_minutes=90),
        site("known", "1"),
    )
    plan = campaign(*sites, pace=SitePace(held_at_most=9))
    standings = dict.fromkeys(("far", "near", "new"), WAITING) | {"known": MOVED}
    assert next_turn(plan, standings, names(plan)).sites == ("new", "near", "far")
    # Of pilots equally near, that which speaks for more.
    plan = campaign(site("a", "9"), site("b", "1"), site("c", "1"))
    assert next_turn(plan, dict.fromkeys("abc", WAITING), "abc").sites == ("b",)


def follow(
    plan: CampaignPlan, standings: dict[str, SiteStanding], wanted: Collection[str]
) -> list[str]:
    """Everybody goes back who may, one turn after the other; in which order."""
    order: list[str] = []
    while turn := next_turn_back(plan, standings, names(plan), wanted).sites:
        order += turn
        standings |= dict.fromkeys(turn, BACK)
    return order


@MANY
@given(st.data())
def test_the_way_back_mirrors_it(data: st.DataObject) -> None:
    plan = data.draw(campaigns())
    standings = data.draw(looks(plan, RETURNING))
    everybody = sorted(names(plan))
    heard = data.draw(st.sets(st.sampled_from(everybody)))
    wanted = data.draw(st.sets(st.sampled_from(everybody)))
    turn = next_turn_back(plan, standings, heard, wanted)
    check_pace(plan, standings, turn, back=True)
    for name in turn.sites:
        assert name in heard & wanted
        assert to_take_back(standings[name])
        assert standings[name] not in (BACK_HELD, BACK_ASKED, BACK_UNDER_WAY, BACK)
        for other in plan.sites:
            if name in other.after:
                assert not to_take_back(standings[other.name])


@MANY
@given(campaigns())
def test_whoever_came_after_goes_back_first_and_nobody_is_left(plan: CampaignPlan) -> None:
    order = follow(plan, dict.fromkeys(names(plan), MOVED), names(plan))
    assert sorted(order) == sorted(names(plan))
    for one in plan.sites:
        assert all(order.index(one.name) < order.index(before) for before in one.after)


def test_why_a_site_does_not_go_back() -> None:
    plan = campaign(site("a"), site("b", after=["a"]), site("c"), site("d"))
    standings = {"a": MOVED, "b": BACK_HELD, "c": BACK_STOPPED, "d": WAITING}
    turn = next_turn_back(plan, standings, "ab", "abcd")
    assert turn.sites == ()
    assert turn.kept == {"a": "b came after it, and goes back first", "c": SILENT}
    # One that was asked to move, and may be taken at any moment, is not left behind.
    asked = next_turn_back(plan, standings | {"b": UNDER_WAY}, "abcd", "a")
    assert asked.sites == ()


def test_the_way_back_is_proved_anew() -> None:
    sites = [site(f"s{number:02}") for number in range(20)]
    plan = campaign(*sites)
    standings = dict.fromkeys((one.name for one in sites), MOVED)
    assert len(next_turn_back(plan, standings, names(plan), names(plan)).sites) == 1
    standings |= {f"s{number:02}": BACK for number in range(10)}
    assert len(next_turn_back(plan, standings, names(plan), names(plan)).sites) == 3


@MANY
@given(campaigns())
def test_the_waves_place_every_site_once(plan: CampaignPlan) -> None:
    waves, why = expected_waves(plan)
    place = {name: number for number, wave in enumerate(waves) for name in wave.sites}
    assert sorted(n for wave in waves for n in wave.sites) == sorted(names(plan)) == sorted(why)
    assert all(place[before] < place[one.name] for one in plan.sites for before in one.after)
    standings = dict.fromkeys(names(plan), WAITING)
    for wave in waves:
        counts = counted(plan, standings, back=False)
        whole = math.fsum(counts[name] for name in wave.sites)
        assert wave.exposure == pytest.approx(whole, rel=1e-7)
        assert whole <= plan.pace.held_at_most + 1e-6 or len(wave.sites) == 1
        for name in wave.sites:
            assert why[name].startswith("a pilot") is (counts[name] == 1.0)
        standings |= dict.fromkeys(wave.sites, MOVED)


def test_a_circle_has_no_waves() -> None:
    with pytest.raises(ValueError, match="circle"):
        expected_waves(campaign(site("a"), site("b", after=["c"]), site("c", after=["b"])))


def thousand() -> list[PlannedSite]:
    return [site(f"s{number}") for number in range(1000)]


def test_a_thousand_sites_of_one_twin_group_take_less_than_a_second() -> None:
    plan = campaign(*thousand())
    begun = time.process_time()
    waves, _ = expected_waves(plan)
    assert time.process_time() - begun < 1.0
    assert sum(len(wave.sites) for wave in waves) == 1000
    assert max(len(wave.sites) for wave in waves) == plan.pace.most_at_once


@pytest.mark.parametrize("most", [1, 3])
def test_waves_grow_by_the_rule_of_three(most: int) -> None:
    """After n sites without a fault the next wave has at most N / (3/n) of them.

    Source: Hanley and Lippman-Hand 1983, JAMA 249: the bound is close to 3/n for n > 30.
    """
    plan = campaign(*thousand(), pace=SitePace(held_at_most=most, most_at_once=1000))
    waves, _ = expected_waves(plan)
    assert len(waves[0].sites) == most
    before = 0
    for wave in waves[:-1]:  # the last has only the rest
        if before > 30:
            assert len(wave.sites) == pytest.approx(most * before / 3, rel=0.05, abs=1)
        before += len(wave.sites)
    assert before > 500
