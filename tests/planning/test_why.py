"""Why a device is where it is: every sentence is true of the plan, and every move that is told
happens when the owner does what it says."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from migrate.model.fleet import Device, Reach
from migrate.model.playbook import Pace, Playbook
from migrate.planning.exposure import Evidence
from migrate.planning.plan import Plan, Shown, freeze
from migrate.planning.waves import make_waves
from migrate.planning.why import BENCH, CONFIDENCES, Barrier, Move, Why, why
from tests.model.helpers import playbook_of
from tests.planning.samples import (
    WHOLE,
    check_together,
    device,
    fleets,
    narrow,
    paces,
    plan_of,
    risk_of,
)
from tests.planning.test_gates import plan_for


def wave_in(devices: list[Device], pace: Pace, name: str, shown: Any = None) -> tuple[int, int]:
    waves = make_waves(devices, pace, shown)
    return next(n for n, wave in enumerate(waves) if name in wave.names), len(waves)


def exposed(fleet: tuple[Device, ...], pace: Pace) -> Plan:
    """A plan whose waves have their exposures, of any fleet."""
    plan, made = plan_for(fleet, pace), make_waves(fleet, pace)
    waves = [
        wave.model_copy(update={"exposure": like.exposure})
        for wave, like in zip(plan.waves, made, strict=True)
    ]
    return plan.model_copy(update={"waves": tuple(waves)})


def paced(pace: str) -> Playbook:
    return playbook_of(f"{WHOLE}[pace]\n{pace}")


def moves(found: Why) -> dict[str, Move]:
    return {move.change: move for move in found.moves}


# Any fleet


@settings(max_examples=15, deadline=None)
@given(fleets(12), paces(), st.data())
def test_moves_that_are_told_happen_and_no_other_would(
    fleet: tuple[Device, ...], pace: Pace, data: st.DataObject
) -> None:
    plan = plan_for(fleet, pace)
    one = data.draw(st.sampled_from(fleet))
    told = moves(why(fleet, plan, one.name))

    def becomes(pace: Pace = pace, shown: Any = None, **changed: Any) -> tuple[int, int] | None:
        devices = [d.model_copy(update=changed) if d is one else d for d in fleet]
        found = wave_in(devices, pace, one.name, shown)
        return found if found[0] != plan.wave_of(one.name) else None

    lower = [c for c in CONFIDENCES if c < pace.confidence]
    expected: dict[str, tuple[int, int] | None] = {
        "reach": becomes(reach=Reach.TABLE) if one.reach is not Reach.TABLE else None,
        "cover": becomes(cover=None) if one.cover else None,
        "carrier": becomes(feeds=()) if one.feeds else None,
        "stranded": becomes(
            pace.model_copy(update={"stranded_at_most": pace.stranded_at_most + 1})
        ),
        "confidence": becomes(pace.model_copy(update={"confidence": lower[0]})) if lower else None,
    }
    for change, where in expected.items():
        move = told.get(change)
        assert (move and (move.wave, move.waves)) == where, change
    if "firmware" in told:
        assert told["firmware"].value != one.firmware
        now = becomes(firmware=told["firmware"].value)
        assert now == (told["firmware"].wave, told["firmware"].waves)
    if "bench" in told:
        tried = int(told["bench"].value)
        twin = (one.dialect, one.firmware)
        assert becomes(shown={twin: Evidence(tried)}) == (told["bench"].wave, told["bench"].waves)
        for fewer in BENCH[: BENCH.index(tried)]:
            sooner = becomes(shown={twin: Evidence(fewer)})
            assert sooner is None or sooner[0] > plan.wave_of(one.name)


@settings(max_examples=40, deadline=None)
@given(fleets(16), paces(), st.data())
def test_a_rule_that_is_named_would_be_broken(
    fleet: tuple[Device, ...], pace: Pace, data: st.DataObject
) -> None:
    """Judged by samples.check_together, from DESIGN.md alone; and the other way round: where no
    rule is named, none would be broken."""
    plan = exposed(fleet, pace)
    by_name = {one.name: one for one in fleet}
    name = data.draw(st.sampled_from(sorted(by_name)))
    found = why(fleet, plan, name)
    told = {wave: one for one in found.barriers for wave in range(one.first, one.last + 1)}
    assert sorted(told) == list(range(found.wave))
    before: list[Device] = []
    for number, wave in enumerate(plan.waves[: found.wave]):
        here = [by_name[other] for other in wave.devices]
        barrier, joined = told[number], [*here, by_name[name]]
        try:
            check_together(joined, before, fleet)
            broken = False
        except AssertionError:
            broken = True
        risk = risk_of(joined, before, {}, pace)
        wide = not narrow(joined, risk, pace) or len(joined) > pace.widest_wave
        if barrier.rule == "order":
            assert not broken
            assert not wide
        elif barrier.rule in ("exposure", "widest"):
            assert wide
        elif barrier.rule == "pilot":
            assert number == 0
        else:
            assert broken
        if barrier.rule == "exposure" and barrier.first == number:
            assert barrier.exposure == pytest.approx(risk)
        if barrier.rule == "cover":
            assert barrier.other in wave.devices
            assert by_name[barrier.other].cover == by_name[name].cover
        if barrier.rule == "reach":
            assert by_name[barrier.other].reach.rank < by_name[name].reach.rank
        before += here
    assert found.mates == tuple(n for n in plan.waves[found.wave].devices if n != name)


# Examples


def twins(count: int, **more: Any) -> list[Device]:
    return [device(f"d{n:02}", n, firmware="1", **more) for n in range(count)]


def test_the_numbers_of_a_late_device() -> None:
    """12 twins, one after the other and then in pairs: docs/how-waves-are-sized.md."""
    plan = plan_of(twins(12))
    last = plan.waves[-1].devices[-1]
    found = why(twins(12), plan, last)
    gone = sum(len(wave.devices) for wave in plan.waves[:-1])
    assert found.before == Evidence(gone)
    assert found.bound == pytest.approx(1 - 0.05 ** (1 / gone))  # no fault: 1 - (1-c)^(1/n)
    assert found.barriers[0] == Barrier(0, 0, "pilot", "d00")
    assert {one.rule for one in found.barriers[1:]} <= {"exposure", "order"}
    assert found.barriers[1].rule == "exposure"
    assert found.barriers[1].exposure == pytest.approx(0.95 * 2)  # one twin has moved: 95 %
    assert moves(found)["stranded"].value == "2"
    assert moves(found)["stranded"].wave < found.wave


def test_bench_trials_are_tried_with_as_few_as_help() -> None:
    fleet = [*twins(6), device("other", 9, dialect="sedge", firmware="7", reach=Reach.TOOLS)]
    plan = plan_of(fleet)
    found = why(fleet, plan, "other")
    move = moves(found)["bench"]
    assert move.wave < found.wave
    smaller = [count for count in BENCH if count < int(move.value)]
    for count in smaller:
        earlier, _ = wave_in(fleet, plan.pace, "other", {("sedge", "7"): Evidence(count)})
        assert earlier >= found.wave


def test_a_device_of_unknown_firmware_gains_by_being_named_not_by_the_bench() -> None:
    """The ledger counts nothing for an unknown firmware (planning/ledger.py)."""
    fleet = [*twins(30), device("stranger", 40, reach=Reach.TOOLS)]
    assert fleet[-1].firmware is None
    told = moves(why(fleet, plan_of(fleet), "stranger"))
    assert "bench" not in told
    if "firmware" in told:
        assert told["firmware"].value == "1"


def test_evidence_from_before_is_told_apart() -> None:
    fleet = twins(4)
    shown = (Shown(dialect="larch", firmware="1", returns=20, faults=1),)
    plan = with_evidence(plan_of(fleet), shown)
    second = plan.waves[1].devices[0]
    found = why(fleet, plan, second)
    assert found.earlier == Evidence(20, 1)
    assert found.before == Evidence(20 + len(plan.waves[0].devices), 1)


def with_evidence(plan: Plan, shown: tuple[Shown, ...]) -> Plan:
    fields = {
        key: getattr(plan, key)
        for key in type(plan).model_fields
        if key not in ("digest", "format")
    }
    return freeze(**{**fields, "evidence": shown})


def test_a_carrier() -> None:
    fleet = [*twins(5), device("a-plug", 9, firmware="1", feeds=("router",))]
    found = why(fleet, plan_of(fleet), "a-plug")
    assert (found.wave, found.behind) == (found.waves - 1, 5)
    assert {one.rule for one in found.barriers} == {"carrier"}
    assert moves(found)["carrier"].wave < found.wave


def test_the_pilot_has_nothing_before_it() -> None:
    found = why(twins(3), plan_of(twins(3)), "d00")
    assert (found.wave, found.barriers, found.twins) == (0, (), 2)


def test_a_device_that_is_not_in_the_plan() -> None:
    with pytest.raises(KeyError):
        why(twins(3), plan_of(twins(3)), "nobody")


def test_only_the_devices_of_the_plan_count() -> None:
    """A plan of the rest after a stop: the fleet file still has all of them."""
    whole = [*twins(6), device("gone", 20, firmware="1")]
    found = why(whole, plan_of(twins(6)), "d05")
    assert found.twins == 5
    assert all(move.waves <= found.waves for move in found.moves)


def test_it_is_quick_enough_to_be_asked_for(monkeypatch: pytest.MonkeyPatch) -> None:
    """Planned anew once for each thing that is changed, and not for each device."""
    from migrate.planning import why as room

    calls: list[int] = []

    def counted(*given: Any) -> Any:
        calls.append(1)
        return make_waves(*given)

    monkeypatch.setattr(room, "make_waves", counted)
    fleet = twins(12, cover="c", reach=Reach.LADDER)
    why(fleet, plan_of(fleet), "d08")
    assert len(calls) <= len(BENCH) + 6


def test_confidence_is_lowered_by_one_step() -> None:
    fleet = twins(20)
    for confidence, lower in ((0.99, "0.95"), (0.95, "0.9"), (0.6, None)):
        plan = plan_of(fleet, paced(f"confidence = {confidence}"))
        move = moves(why(fleet, plan, "d19")).get("confidence")
        assert (move.value if move else None) == lower
