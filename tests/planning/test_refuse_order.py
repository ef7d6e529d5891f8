"""What feeds what, over any number of devices, against networkx."""

from __future__ import annotations

import random
from itertools import pairwise

import networkx as nx
import pytest

from migrate.model.fleet import Device
from migrate.model.problems import Problem
from migrate.planning.refusals.order import chains
from migrate.planning.waves import NETWORK_PARTS
from tests.planning.samples import (
    NEW_NET,
    OLD_BROKER,
    OLD_NET,
    OLD_WIFI,
    WIFI,
    device,
    own_dialect,
    plan_of,
    refused,
)

ACCEPTED = "[old]\nfeeds_own_way_back = "
MOVE = f"{WIFI}[old]\n{OLD_NET}{OLD_WIFI}{OLD_BROKER}{NEW_NET}"


def only(problems: tuple[Problem, ...]) -> Problem:
    assert len(problems) == 1, [str(problem) for problem in problems]
    return problems[0]


def test_the_machine_it_runs_on_over_other_devices() -> None:
    fleet = [
        device("strip", 1, feeds=("desk-plug", "lamp")),
        device("desk-plug", 2, feeds=("controller",)),
        device("lamp", 3),
    ]
    told = {one.device: one.what for one in refused(fleet, MOVE)}
    assert told == {
        "strip": "feeds desk-plug, which feeds the machine that migrate runs on: its restart would "
        "end the run",
        "desk-plug": "feeds the machine that migrate runs on: its restart would end the run",
    }


@pytest.mark.parametrize(
    ("part", "words"), [("access-point", "the access point"), ("router", "a router")]
)
def test_a_carrier_that_feeds_its_own_way_back(part: str, words: str) -> None:
    plug = device("loft-plug", feeds=(part,))
    problem = only(refused([plug], MOVE))
    assert problem.what == (
        f"feeds {words}, through which it would be taken back: its restart cuts that off, and if "
        "its output then stays off nobody can tell it anything"
    )
    assert f"power {words} from a socket" in problem.remedy
    assert 'feeds_own_way_back = ["loft-plug"]' in problem.remedy
    plan_of([plug], MOVE.replace("[old]\n", f'{ACCEPTED}["loft-plug"]\n'), accepts_carriers=False)


def test_also_through_other_devices_and_each_by_its_name() -> None:
    fleet = [device("main", 1, feeds=("loft-plug",)), device("loft-plug", 2, feeds=("router",))]
    problems = refused(fleet, MOVE)
    assert [one.device for one in problems] == ["main", "loft-plug"]
    assert problems[0].what.startswith("feeds loft-plug, which feeds a router, through which")
    book = MOVE.replace("[old]\n", f'{ACCEPTED}["loft-plug"]\n')
    assert only(refused(fleet, book)).device == "main"


def test_a_broker_is_the_way_back_of_those_moved_over_mqtt() -> None:
    problem = only(refused([device("plug", feeds=("broker",), via="mqtt")], MOVE))
    assert problem.what.startswith("feeds the broker, through which")
    plan_of([device("plug", feeds=("broker",))], MOVE, accepts_carriers=False)


def test_without_a_restart_nothing_is_cut() -> None:
    group = f"[group]\ntopic = 'house'\n[old]\n{OLD_BROKER}"
    plug = device("plug", feeds=("access-point",))
    plan_of([plug], group, accepts_carriers=False)
    # sedge restarts after every change.
    slow = device("plug", dialect="sedge", feeds=("access-point",))
    assert only(refused([slow], group)).device == "plug"
    quick = own_dialect("own", "larch", lambda data: data["write"].update(restarts_on=["group"]))
    other = device("plug", dialect="own", feeds=("access-point",))
    assert only(refused([other], group, own=quick)).device == "plug"


def test_names_of_nobody() -> None:
    book = MOVE.replace("[old]\n", f'{ACCEPTED}["plog"]\n')
    problem = only(refused([device("plug")], book))
    assert (problem.what, problem.key) == ("'plog' is not in the fleet", "old.feeds_own_way_back")


def test_a_plug_named_after_what_it_feeds() -> None:
    router = device("router", feeds=("router",))
    assert only(refused([router], MOVE)).what.startswith("feeds a router, through which")


@pytest.mark.parametrize("seed", range(40))
def test_chains_against_networkx(seed: int) -> None:
    rng = random.Random(seed)  # noqa: S311 - the same graphs every time, no secret
    count = rng.randint(1, 25)
    names = [f"d{n}" for n in range(count)]
    fleet: list[Device] = []
    graph: nx.DiGraph[str] = nx.DiGraph()
    graph.add_nodes_from((*names, *NETWORK_PARTS))
    for number, name in enumerate(names):
        pool = [*names, *NETWORK_PARTS]
        feeds = rng.sample(pool, rng.choice((0, 0, 1, 1, 2)))
        fleet.append(device(name, number, feeds=tuple(feeds)))
        graph.add_edges_from((name, fed) for fed in feeds)
    for part in NETWORK_PARTS:
        found = chains(fleet, part)
        assert set(found) == nx.ancestors(graph, part)
        for name, way in found.items():
            assert way[0] == name
            steps = (*way, part)
            assert all(graph.has_edge(a, b) for a, b in pairwise(steps))
            assert len(way) == nx.shortest_path_length(graph, name, part)
