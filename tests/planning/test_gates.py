"""Gates: whatever the standings, nobody is admitted against invariants 7, 8 and 9."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from functools import cache

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from migrate.model.fleet import Device, Reach
from migrate.model.lifecycle import Direction, State
from migrate.model.playbook import Pace
from migrate.planning.exposure import Evidence, Twin
from migrate.planning.gates import Standing, admit, evidence_of, shut_by
from migrate.planning.plan import Plan, PlannedDevice, PlannedWave, Seconds, Shown, freeze
from migrate.planning.waves import make_waves
from tests.planning.samples import (
    all_waiting,
    check_together,
    device,
    evidence,
    fleets,
    narrow,
    paces,
    plan_of,
    risk_of,
    sources,
)

WIDE = Pace(stranded_at_most=10, confidence=0.6)
FORWARD = [s for s in State if s is not State.RESTORED]
BACK = [s for s in State if s not in (State.SETTLED,)]
OFF = (State.SENDING, State.AWAY, State.SEEN, State.ADRIFT)


def planned(devices: tuple[Device, ...], pace: Pace, waves: list[tuple[str, ...]]) -> Plan:
    return freeze(
        tool="migrate 0",
        title="change",
        created="",
        sources=sources(),
        pace=pace,
        on_fault="hold",
        devices=tuple(
            PlannedDevice(
                name=one.name,
                mac=one.mac,
                dialect=one.dialect,
                firmware=one.firmware or "unknown",
                via=one.via,
                place=one.place,
                reach=one.reach,
                cover=one.cover,
                feeds=one.feeds,
                load=one.load,
                bundle={},
                way_back={},
                read_back=(),
                seconds=Seconds(least=1, most=2),
                why="",
            )
            for one in devices
        ),
        waves=tuple(
            PlannedWave(devices=names, exposure=0.0, seconds=Seconds(least=1, most=2))
            for names in waves
        ),
    )


def plan_for(
    devices: tuple[Device, ...], pace: Pace = WIDE, had: Mapping[Twin, Evidence] | None = None
) -> Plan:
    plan = planned(devices, pace, [wave.names for wave in make_waves(devices, pace, had)])
    evidence = tuple(
        Shown(dialect=twin[0], firmware=twin[1], returns=one.returns, faults=one.faults)
        for twin, one in (had or {}).items()
    )
    return plan.model_copy(update={"evidence": evidence})


@st.composite
def standings(draw: st.DrawFn, devices: tuple[Device, ...]) -> dict[str, Standing]:
    rng = draw(st.randoms(use_true_random=False))
    calm = draw(st.booleans())
    chosen = {}
    for one in devices:
        back = rng.random() < 0.2
        states = [State.WAITING, State.SETTLED] if calm and not back else BACK if back else FORWARD
        chosen[one.name] = Standing(
            rng.choice(states),
            Direction.BACK if back else Direction.FORWARD,
            rng.random() < 0.15,
            rng.choice((0, 0, 0, 1, 2)),
        )
    return chosen


def held_in(standing: Standing) -> bool:
    return standing.state in OFF and not standing.written_off


@settings(max_examples=100, deadline=None)
@given(st.data())
def test_no_standing_lets_anybody_through_against_the_rules(data: st.DataObject) -> None:
    fleet = data.draw(fleets(most=30))
    pace = data.draw(paces())
    # Not the planner's waves: the gate holds its rules whatever the plan says.
    order = data.draw(st.permutations([one.name for one in fleet]))
    plan = planned(fleet, pace, [tuple(order)])
    where = data.draw(standings(fleet))
    by_name = {one.name: one for one in fleet}
    ready = [name for name in order if where[name].state in (State.WAITING, State.RETURNED)]
    admission = admit(plan, where, ready)
    # Each of them is answered, and nobody else.
    assert Counter([*admission.admitted, *admission.held]) == Counter(ready)
    assert all(admission.held.values())
    together = [by_name[name] for name in admission.admitted]
    if not together:
        return
    off = [one for one in fleet if held_in(where[one.name])]
    covers = {one.cover for one in off if one.cover}
    assert not any(one.cover in covers for one in together), "a cover-mate is away"
    assert not any(one.feeds for one in off), "beside a carrier that is away"
    if any(one.feeds for one in together):
        assert not off, "a carrier beside devices that are away"
    # For carriers, those count as gone who keep nobody waiting; as proof only who settled.
    resolved = [one for one in fleet if where[one.name].resolved]
    settled = [one for one in fleet if where[one.name].state is State.SETTLED]
    for one in together:
        if one.feeds:
            check_together([one], resolved, fleet)
    check_together([one.model_copy(update={"feeds": ()}) for one in together], settled, fleet)
    faults: Counter[tuple[str, str | None]] = Counter()
    for one in fleet:
        standing = where[one.name]
        faults[one.dialect, one.firmware] += standing.faults
        if standing.direction is Direction.FORWARD:
            faults[one.dialect, one.firmware] += standing.state in (*OFF[1:], State.RETURNED)
    total = risk_of([*together, *off], settled, faults, pace)
    assert narrow([*together, *off], total, pace)
    assert admission.exposure == pytest.approx(total)


@settings(max_examples=30, deadline=None)
@given(fleets(most=40), paces(), evidence())
def test_a_run_in_which_all_goes_well_is_admitted_to_its_end(
    fleet: tuple[Device, ...], pace: Pace, had: dict[Twin, Evidence]
) -> None:
    plan = plan_for(fleet, pace, had)
    where = all_waiting(plan)
    for index, wave in enumerate(plan.waves):
        assert shut_by(plan, where, index) == []
        # What the plan has put together the gate lets go together: evidence is as foreseen.
        assert admit(plan, where, wave.devices).admitted == wave.devices
        where |= dict.fromkeys(wave.devices, Standing(State.SETTLED))
    assert shut_by(plan, where, len(plan.waves)) == []


@settings(max_examples=30, deadline=None)
@given(fleets(most=30), paces())
def test_with_nobody_away_somebody_may_go_or_is_told_why_not(
    fleet: tuple[Device, ...], pace: Pace
) -> None:
    plan = plan_for(fleet, pace)
    everybody = [name for wave in plan.waves for name in wave.devices]
    admission = admit(plan, all_waiting(plan), everybody)
    # All wait: the pilot at least is free.
    assert admission.admitted[0] == plan.waves[0].devices[0]
    # Of the last wave alone nobody may need to go; then each has a reason.
    last = admit(plan, all_waiting(plan), plan.waves[-1].devices)
    assert set(last.held) | set(last.admitted) == set(plan.waves[-1].devices)


@cache
def trio() -> Plan:
    return plan_for(
        tuple(device(f"d{n}", n, firmware="1" if n < 3 else "2") for n in range(4)), Pace()
    )


ONE: Twin = ("larch", "1")


@pytest.mark.parametrize(
    ("standing", "shown"),
    [
        (Standing(State.SETTLED), Evidence(1, 0)),
        (Standing(State.SETTLED, written_off=True), Evidence(1, 0)),
        (Standing(State.RETURNED), Evidence(0, 1)),
        (Standing(State.ADRIFT), Evidence(0, 1)),
        (Standing(State.ADRIFT, written_off=True), Evidence(0, 1)),
        (Standing(State.AWAY), Evidence(0, 1)),
        (Standing(State.SEEN), Evidence(0, 1)),
        (Standing(State.DECLINED), None),
        (Standing(State.WAITING), None),
        (Standing(State.SENDING), None),
        (Standing(State.RESTORED, Direction.BACK), None),
        (Standing(State.ADRIFT, Direction.BACK), None),
        # A retry does not undo a fault, nor does a way back.
        (Standing(State.SETTLED, faults=1), Evidence(1, 1)),
        (Standing(State.RETURNED, faults=2), Evidence(0, 3)),
        (Standing(State.RESTORED, Direction.BACK, faults=1), Evidence(0, 1)),
    ],
)
def test_what_counts_as_evidence(standing: Standing, shown: Evidence | None) -> None:
    found = evidence_of(trio(), all_waiting(trio()) | {"d1": standing})
    assert found == ({} if shown is None else {ONE: shown})


def test_evidence_is_counted_by_twin_group() -> None:
    where = dict.fromkeys(("d0", "d1", "d3"), Standing(State.SETTLED))
    found = evidence_of(trio(), all_waiting(trio()) | where)
    assert found == {ONE: Evidence(2), ("larch", "2"): Evidence(1)}


def test_faults_narrow_what_the_plan_had_put_together() -> None:
    fleet = tuple(device(f"d{n:02}", n) for n in range(40))
    plan = plan_for(fleet, Pace(stranded_at_most=2))
    index = next(i for i, wave in enumerate(plan.waves) if len(wave.devices) >= 8)
    wave = plan.waves[index].devices
    where = all_waiting(plan)
    for earlier in plan.waves[:index]:
        where |= dict.fromkeys(earlier.devices, Standing(State.SETTLED))
    first = plan.waves[0].devices[0]
    assert admit(plan, where, wave).admitted == wave
    fewer = admit(plan, where | {first: Standing(State.SETTLED, faults=2)}, wave)
    assert 0 < len(fewer.admitted) < len(wave)
    assert set(fewer.held.values()) == {"the exposure accepted for one wave is used up"}
    off = admit(plan, where | {first: Standing(State.ADRIFT, written_off=True)}, wave)
    assert 0 < len(off.admitted) < len(wave)


def test_words_of_every_hold() -> None:
    fleet = (
        device("left", 1, cover="stairs"),
        device("right", 2, cover="stairs"),
        device("attic", 3, firmware="2", reach=Reach.TOOLS),
        device("desk", 4, firmware="2", via="http"),
        device("plug", 5, feeds=("router",)),
        device("other", 6, feeds=("broker",)),
    )
    plan = plan_for(fleet)
    where = all_waiting(plan)
    held = admit(plan, where, ["left", "right", "attic", "plug"]).held
    assert held["right"] == "left of the same cover (stairs) is not back"
    assert held["attic"] == "no easier twin has proved the move (desk is easier to reach)"
    assert held["plug"] == "feeds a part of the network and goes alone"
    alone = admit(plan, where, ["plug"])
    assert alone.admitted == ()
    assert alone.held["plug"].startswith("feeds a part of the network, and ")
    settled = where | dict.fromkeys(
        ("left", "right", "attic", "desk", "other"), Standing(State.SETTLED)
    )
    assert admit(plan, settled, ["plug"]).admitted == ("plug",)
    behind = admit(plan, settled | {"plug": Standing(State.AWAY)}, ["plug", "left"])
    assert behind.held == {
        "plug": "is on its way already",
        "left": "plug feeds a part of the network and goes alone",
    }
    after = admit(plan, settled, ["plug", "left"])
    assert after.held == {"left": "plug feeds a part of the network and goes alone"}


def test_a_written_off_device_keeps_nobody_waiting_but_proves_nothing() -> None:
    fleet = (
        device("desk", 1),
        device("attic", 2, reach=Reach.TOOLS),
        device("plug", 3, feeds=("router",)),
    )
    plan = plan_for(fleet)
    where = all_waiting(plan) | {"desk": Standing(State.ADRIFT, written_off=True)}
    assert shut_by(plan, where, 1) == []
    assert admit(plan, where, ["attic"]).held  # invariant 9 has no exception
    where |= {"attic": Standing(written_off=True)}
    assert admit(plan, where, ["plug"]).admitted == ("plug",)


def test_a_carrier_that_is_hard_to_reach_needs_its_twins_proof_as_well() -> None:
    fleet = (device("desk", 1), device("plug", 2, reach=Reach.TOOLS, feeds=("router",)))
    plan = plan_for(fleet)
    off = all_waiting(plan) | {"desk": Standing(State.ADRIFT, written_off=True)}
    assert admit(plan, off, ["plug"]).held == {
        "plug": "no easier twin has proved the move (desk is easier to reach)"
    }
    assert admit(plan, off | {"desk": Standing(State.SETTLED)}, ["plug"]).admitted == ("plug",)


def test_a_carrier_waits_for_those_it_feeds_even_if_the_plan_does_not() -> None:
    fleet = (device("main", 1, feeds=("branch",)), device("branch", 2, feeds=("router",)))
    plan = planned(fleet, WIDE, [("main",), ("branch",)])
    assert admit(plan, all_waiting(plan), ["main"]).held == {
        "main": "feeds a part of the network, and branch has not moved yet"
    }
    # Branch is held by the plan's order, main by what it feeds: such a plan goes nowhere.
    assert admit(plan, all_waiting(plan), ["branch"]).admitted == ()


@pytest.mark.parametrize("state", State)
def test_who_keeps_a_gate_shut(state: State) -> None:
    plan = trio()
    pilot = plan.waves[0].devices[0]
    where = all_waiting(plan) | {pilot: Standing(state)}
    open_ = state in (State.SETTLED, State.RESTORED)
    assert shut_by(plan, where, 1) == ([] if open_ else [pilot])
    assert shut_by(plan, where, 0) == []
    assert shut_by(plan, where | {pilot: Standing(state, written_off=True)}, 1) == []


def test_a_plan_from_the_planner_and_its_gate_agree() -> None:
    plan = plan_of([device("lamp", 1), device("shade", 2)])
    assert admit(plan, all_waiting(plan), plan.waves[0].devices).exposure == 1.0
