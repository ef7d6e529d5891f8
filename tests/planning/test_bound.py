"""The bound on the number of waves: below the optimum wherever that can be found, and near it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from itertools import combinations, product

import networkx as nx
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchmarks.planning import gaps, random_fleet
from migrate.model.fleet import Device
from migrate.model.playbook import Pace
from migrate.planning.bound import bound, fewest_waves
from migrate.planning.exposure import Evidence, Twin, fits, rate
from migrate.planning.groups import groups_of
from migrate.planning.prices import best_prices
from migrate.planning.waves import make_waves
from tests.planning.plainly import twin
from tests.planning.samples import device, evidence, fleets, paces


def optimum(fleet: tuple[Device, ...], pace: Pace, had: dict[Twin, Evidence]) -> int:
    """The fewest waves, by trying every set of waiting devices that may go together, breadth
    first. In no other way like the code: devices, not numbers, and no prices."""
    plain = [one for one in fleet if not one.feeds]
    layer = {frozenset(one.name for one in plain)}
    waves = 0
    while frozenset() not in layer:
        waves += 1
        layer = {
            waiting - taken
            for waiting in layer
            for taken in together(plain, waiting, pace, had, pilot=waves == 1)
        }
    return waves + len(fleet) - len(plain)


def together(
    plain: list[Device],
    waiting: frozenset[str],
    pace: Pace,
    had: dict[Twin, Evidence],
    *,
    pilot: bool,
) -> Iterator[frozenset[str]]:
    gone = Counter(twin(one) for one in plain if one.name not in waiting)
    shown = {twin(one): had.get(twin(one), Evidence()).plus(gone[twin(one)]) for one in plain}
    easiest = {twin(one): one.reach.rank for one in sorted(plain, key=lambda d: -d.reach.rank)}
    free = [
        one
        for one in plain
        if one.name in waiting
        and (shown[twin(one)].returns or one.reach.rank == easiest[twin(one)])
    ]
    for size in range(1, min(len(free), 1 if pilot else pace.widest_wave) + 1):
        for some in combinations(free, size):
            covers = [one.cover for one in some if one.cover]
            risk = sum(rate(shown[twin(one)], pace.confidence) for one in some)
            if len(covers) == len(set(covers)) and (size == 1 or fits(risk, pace.stranded_at_most)):
                yield frozenset(one.name for one in some)


@settings(max_examples=60, deadline=None)
@given(fleets(most=8), paces(), evidence())
def test_the_bound_is_below_every_plan_of_a_small_fleet(
    fleet: tuple[Device, ...], pace: Pace, had: dict[Twin, Evidence]
) -> None:
    best = optimum(fleet, pace, had)
    assert fewest_waves(fleet, pace, had) <= best <= len(make_waves(fleet, pace, had))


def by_counts(shares: list[tuple[float, ...]], widest: int) -> int:
    """The fewest waves for groups without covers, by trying every number of each of them."""
    layer, waves = {tuple(0 for _ in shares)}, 0
    end = tuple(map(len, shares))
    while end not in layer:
        waves += 1
        after = set()
        for gone in layer:
            room = [range(len(one) - done + 1) for one, done in zip(shares, gone, strict=True)]
            for wave in product(*room):
                size = sum(
                    count * one[done]
                    for count, one, done in zip(wave, shares, gone, strict=True)
                    if count
                )
                if size <= 1 + 1e-9 and 0 < sum(wave) <= (1 if waves == 1 else widest):
                    after.add(tuple(map(sum, zip(gone, wave, strict=True))))
        layer = after
    return waves


@settings(max_examples=40, deadline=None)
@given(
    st.lists(
        st.tuples(st.integers(1, 7), st.sampled_from((0, 0, 0, 1, 5)), st.sampled_from((0, 0, 1))),
        min_size=2,
        max_size=4,
    ),
    st.sampled_from((1, 2, 3)),
    st.sampled_from((0.6, 0.9, 0.95, 0.99)),
    st.sampled_from((2, 4, 50)),
)
def test_prices_and_their_proof_hold_without_the_search(
    counts: list[tuple[int, int, int]], most: int, confidence: float, widest: int
) -> None:
    # Larger groups than above, so that the first to have evidence matters, and no search that
    # could find the optimum by itself: each price alone must stay below it.
    sizes = [
        tuple(rate(Evidence(had + more, faults), confidence) / most for more in range(count))
        for count, had, faults in counts
        if sum(n for n, _, _ in counts) <= 16
    ]
    if not sizes:
        return
    best = by_counts(sizes, widest)
    fleet = [
        device(f"d{n}-{number}", 20 * n + number, firmware=str(n))
        for n, one in enumerate(sizes)
        for number in range(len(one))
    ]
    shown = {("larch", str(n)): Evidence(had, bad) for n, (_, had, bad) in enumerate(counts)}
    pace = Pace(stranded_at_most=most, confidence=confidence, widest_wave=widest)
    groups = groups_of(fleet, pace, shown)
    assert [one.shares for _, one in sorted(groups.items())] == sizes
    for price in best_prices(tuple(groups.values()), widest):
        # More waves than there are would be needed: never, if there are as many as it takes.
        assert price.waves(best, 2_000) <= best + 1e-6
    assert bound(list(groups.values()), widest) <= best


@settings(max_examples=15, deadline=None)
@given(fleets(most=60), paces(), evidence())
def test_no_plan_goes_below_the_bound(
    fleet: tuple[Device, ...], pace: Pace, had: dict[Twin, Evidence]
) -> None:
    assert fewest_waves(fleet, pace, had) <= len(make_waves(fleet, pace, had))


def test_most_random_fleets_are_near_the_bound() -> None:
    found = gaps(range(16), most=90)
    assert min(found) >= 0
    # The whole table is in docs/how-waves-are-sized.md.
    assert found[0] + found[1] >= 12
    assert max(found) <= 3


@pytest.mark.parametrize("seed", range(8))
def test_covers_alone_need_as_many_waves_as_a_colouring(seed: int) -> None:
    # Source: networkx. Devices of a cover are a clique; waves are colours.
    fleet, _, _ = random_fleet(seed, most=60)
    plain = [one for one in fleet if not one.feeds]
    graph = nx.Graph()
    graph.add_nodes_from(one.name for one in plain)
    graph.add_edges_from(
        (one.name, two.name)
        for one, two in combinations(plain, 2)
        if one.cover and one.cover == two.cover
    )
    largest = max(len(clique) for clique in nx.find_cliques(graph))
    colours = nx.greedy_color(graph)
    assert len(set(colours.values())) == largest
    free = Pace(stranded_at_most=1000, widest_wave=1000)
    # The pilot goes alone; then covers are all that keeps devices apart.
    assert largest <= fewest_waves(plain, free)
    assert len(make_waves(plain, free)) <= largest + 1


def test_fleets_without_plain_devices_and_without_any() -> None:
    assert fewest_waves([], Pace()) == 0
    assert fewest_waves([device(f"p{n}", n, feeds=("router",)) for n in range(3)], Pace()) == 3
    assert fewest_waves([device("lamp")], Pace()) == 1


def test_one_group_is_known_exactly() -> None:
    fleet = [device(f"d{n:03}", n, firmware="1") for n in range(200)]
    assert fewest_waves(fleet, Pace()) == len(make_waves(fleet, Pace())) == 18
    tried = {("larch", "1"): Evidence(59)}
    # The pilot, then 20 (59 returns, CHECKS.md), and so on by hand: 27 36 47 50 19.
    assert fewest_waves(fleet, Pace(), tried) == len(make_waves(fleet, Pace(), tried)) == 7
    worse = {("larch", "1"): Evidence(59, 2)}
    assert fewest_waves(fleet, Pace(), worse) > 7
