"""Waves: invariants 7, 8 and 9 of DESIGN.md for any fleet, if everything goes well."""

from __future__ import annotations

import random

import networkx as nx
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from migrate.model.fleet import Device, Reach
from migrate.model.playbook import Pace
from migrate.model.problems import Refused
from migrate.planning.exposure import Evidence, Twin
from migrate.planning.waves import carriers_in_order, in_order, make_waves
from tests.planning.plainly import plain_waves
from tests.planning.samples import check_together, device, evidence, fleets, narrow, paces, risk_of

QUICK = Pace(stranded_at_most=10, confidence=0.6)


def names(devices: list[Device], pace: Pace = QUICK) -> list[tuple[str, ...]]:
    return [wave.names for wave in make_waves(devices, pace)]


@settings(max_examples=40, deadline=None)
@given(fleets(most=50), paces(), evidence())
def test_any_fleet_goes_in_waves_that_hold_every_rule(
    fleet: tuple[Device, ...], pace: Pace, shown: dict[Twin, Evidence]
) -> None:
    by_name = {one.name: one for one in fleet}
    waves = make_waves(fleet, pace, shown)
    # Every device once, however hard the rules press: the loop ended.
    assert sorted(name for wave in waves for name in wave.names) == sorted(by_name)
    before: list[Device] = []
    for number, wave in enumerate(waves):
        together = [by_name[name] for name in wave.names]
        check_together(together, before, fleet, shown)
        assert len(together) <= (1 if number == 0 else pace.widest_wave)
        total = risk_of(together, before, {}, pace, shown)
        assert narrow(together, total, pace)
        assert wave.exposure == pytest.approx(total)
        assert set(wave.why) == set(wave.names)
        before += together


@settings(max_examples=20, deadline=None)
@given(fleets(most=40), paces())
def test_the_pilot_is_alone_and_the_easiest(fleet: tuple[Device, ...], pace: Pace) -> None:
    plain = [one for one in fleet if not one.feeds]
    first = make_waves(fleet, pace)[0]
    assert len(first.names) == 1
    if plain:
        pilot = next(one for one in plain if one.name == first.names[0])
        assert pilot.reach.rank == min(one.reach.rank for one in plain)
        if pilot.load:
            # Something delicate only if there is nothing else in reach.
            assert all(one.load for one in plain if one.reach == pilot.reach)


@settings(max_examples=60, deadline=None)
@given(fleets(carriers=False), paces(), evidence())
def test_the_fast_way_in_order_is_the_plain_way(
    fleet: tuple[Device, ...], pace: Pace, shown: dict[Twin, Evidence]
) -> None:
    order = sorted(fleet, key=lambda d: (d.reach.rank, d.load is not None, d.name))
    plain = [taken for taken, _ in plain_waves(fleet, pace, shown)]
    pilot = next(one for one in order if [one.name] == plain[0])
    fast = in_order(order, pilot, pace, shown)
    assert [[one.name for one in wave] for wave in fast] == plain[1:]


@settings(max_examples=15, deadline=None)
@given(fleets(most=40, carriers=False), paces(), evidence())
def test_devices_go_in_order_unless_another_way_takes_fewer_waves(
    fleet: tuple[Device, ...], pace: Pace, shown: dict[Twin, Evidence]
) -> None:
    plain = [taken for taken, _ in plain_waves(fleet, pace, shown)]
    made = [list(wave.names) for wave in make_waves(fleet, pace, shown)]
    assert made == plain or len(made) < len(plain)


@settings(max_examples=10, deadline=None)
@given(fleets(most=40), paces(), st.randoms(use_true_random=False))
def test_the_order_in_the_file_changes_nothing(
    fleet: tuple[Device, ...], pace: Pace, rng: random.Random
) -> None:
    mixed = list(fleet)
    rng.shuffle(mixed)
    assert make_waves(mixed, pace) == make_waves(fleet, pace)


@settings(max_examples=60, deadline=None)
@given(fleets(most=20, loops=True))
def test_a_circle_is_refused_and_every_other_fleet_is_not(fleet: tuple[Device, ...]) -> None:
    feeds = {one.name: {fed for fed in one.feeds if fed.startswith("d")} for one in fleet}
    # A circle is there if a device reaches itself; by plain closure, not by the library.
    reach = {name: set(fed) for name, fed in feeds.items()}
    for _ in feeds:
        for name in reach:
            reach[name] |= {further for fed in reach[name] for further in reach[fed]}
    round_ = {name for name in reach if name in reach[name]}
    if not round_:
        make_waves(fleet, QUICK)
        return
    with pytest.raises(Refused) as trouble:
        make_waves(fleet, QUICK)
    (problem,) = trouble.value.problems
    told = set(problem.what.partition(": ")[2].split(", "))
    assert told
    assert told <= round_
    assert problem.remedy == "correct feeds in the fleet file"


@settings(max_examples=30, deadline=None)
@given(fleets(most=25), paces())
def test_carriers_go_after_those_that_they_feed(fleet: tuple[Device, ...], pace: Pace) -> None:
    # Source: networkx, ancestors in the graph of what feeds what.
    graph = nx.DiGraph((one.name, fed) for one in fleet for fed in one.feeds if fed[0] == "d")
    graph.add_nodes_from(one.name for one in fleet)
    order = [name for wave in make_waves(fleet, pace) for name in wave.names]
    for place, name in enumerate(order):
        assert nx.ancestors(graph, name) <= set(order[place + 1 :])


def test_carriers_come_last_alone_and_the_fed_before_the_feeding() -> None:
    fleet = [
        device("a-main", 1, feeds=("b-branch",)),
        device("b-branch", 2, feeds=("lamp",), reach=Reach.TOOLS),
        device("lamp", 3),
        device("shade", 4),
    ]
    assert names(fleet) == [("lamp",), ("shade",), ("b-branch",), ("a-main",)]


def test_the_plug_behind_the_access_point_is_the_last_of_all() -> None:
    # All others are joined to it; the broker's is only needed over MQTT (invariant 7).
    fleet = [
        device("a", 1, feeds=("access-point",)),
        device("b", 2, feeds=("router",)),
        device("c", 3, feeds=("broker",)),
        device("d", 4, feeds=("lamp",)),
        device("lamp", 5),
    ]
    assert names(fleet) == [("lamp",), ("d",), ("c",), ("b",), ("a",)]
    # Feeding another carrier binds more than that.
    fleet[0] = device("a", 1, feeds=("access-point", "router"))
    fleet[1] = device("b", 2, feeds=("a",))
    assert names(fleet)[-2:] == [("a",), ("b",)]


def test_a_plug_may_be_called_what_it_feeds() -> None:
    assert [one.name for one in carriers_in_order([device("router", 1, feeds=("router",))])]
    with pytest.raises(Refused, match="circle: plug"):
        make_waves([device("plug", 1, feeds=("plug",))], QUICK)


def test_a_fleet_of_carriers_alone_has_no_pilot_and_still_goes_one_by_one() -> None:
    fleet = [device(f"p{n}", n, feeds=("router",)) for n in range(3)]
    assert names(fleet) == [("p0",), ("p1",), ("p2",)]


def test_one_device_is_its_own_pilot() -> None:
    (wave,) = make_waves([device("lamp", reach=Reach.TOOLS, load="an aquarium")], Pace())
    assert wave.names == ("lamp",)
    assert wave.exposure == 1.0
    assert wave.why == {"lamp": "the pilot: within reach (tools), although an aquarium hangs on it"}


def test_no_devices_no_waves() -> None:
    assert make_waves([], Pace()) == ()


def test_waves_widen_as_evidence_grows() -> None:
    fleet = [device(f"d{n:03}", n) for n in range(100)]
    sizes = [len(wave) for wave in names(fleet, Pace())]
    # k * p_up <= 1 at 95 %, p_up = 1 - 0.05 ** (1 / n): worked out by hand for the first ones.
    assert sizes[:7] == [1, 1, 1, 1, 1, 2, 2]
    assert sorted(sizes[:-1]) == sizes[:-1]
    assert sum(sizes) == 100


def test_a_large_cover_goes_one_at_a_time() -> None:
    fleet = [device(f"d{n}", n, cover="stairs") for n in range(12)]
    assert all(len(wave) == 1 for wave in names(fleet))


def test_a_hard_device_waits_for_its_easier_twin_but_not_for_others() -> None:
    fleet = [
        device("attic", 1, firmware="1", reach=Reach.TOOLS),
        device("desk", 2, firmware="1", cover="pair"),
        device("roof", 3, firmware="2", reach=Reach.TOOLS),
        device("sill", 4, firmware="3", cover="pair"),
    ]
    waves = names(fleet)
    place = {name: number for number, wave in enumerate(waves) for name in wave}
    assert place["desk"] < place["attic"]
    assert place["roof"] <= place["attic"]


def test_the_reasons_tell_numbers_and_never_claim_proof_that_is_not_there() -> None:
    fleet = [device(f"d{n:02}", n, cover="c" if n == 30 else None) for n in range(31)]
    fleet.append(device("other", 99, firmware="9"))
    why = {name: words for wave in make_waves(fleet, Pace()) for name, words in wave.why.items()}
    assert why["d00"] == "the pilot: within reach (table), nothing delicate on it"
    # p_up of 1 return at 95 % is 0.95 (CHECKS.md).
    assert why["d01"] == (
        "1 of its twins (larch unknown) moved before it: at most 95% may fail (95% sure); "
        "reach table"
    )
    assert why["d30"].endswith("; apart from the rest of cover c")
    assert why["other"] == "first of its twins (larch 9); reach table"
