"""The evidence ledger: what counts for a plan, and what must not."""

from __future__ import annotations

import hashlib
from typing import Any

import pytest

from migrate.model.lifecycle import Direction, State
from migrate.model.problems import BadFile
from migrate.model.settings import Setting
from migrate.planning.exposure import Evidence
from migrate.planning.gates import Standing, evidence_of
from migrate.planning.ledger import (
    Finding,
    Findings,
    change_of,
    counted,
    findings_from_json,
    findings_json,
    findings_of,
)
from migrate.planning.make import make_plan
from migrate.planning.plan import Plan, plan_from_json
from tests.model.helpers import playbook_of
from tests.planning.samples import WHOLE, device, dialects, fleet, plan_of, resolver, sources

TWIN = ("larch", "3.1.0")
WANTED = {TWIN: ("broker", "group", "wifi")}


def finding(**other: Any) -> Finding:
    known: dict[str, Any] = {
        "kind": "bench",
        "at": "2026-01-01T00:00:00+00:00",
        "dialect": "larch",
        "sha256": hashlib.sha256(b"larch.toml").hexdigest(),
        "firmware": "3.1.0",
        "change": ("broker", "group", "wifi"),
        "returns": 4,
        "faults": 1,
    }
    return Finding.model_validate(known | other)


def test_what_speaks_of_the_same_thing_is_added_up() -> None:
    found = [finding(), finding(kind="run", returns=2, faults=0)]
    assert counted(found, sources(), WANTED) == {TWIN: Evidence(6, 1)}


def test_more_than_is_changed_now_counts_too() -> None:
    assert counted([finding()], sources(), {TWIN: ("wifi",)}) == {TWIN: Evidence(4, 1)}


@pytest.mark.parametrize(
    "other",
    [
        {"sha256": "0" * 64},
        {"firmware": "3.1.1"},
        {"dialect": "rowan"},
        {"change": ("wifi",)},
        {"change": ("wifi.spare", "broker", "group")},
        {"firmware": "unknown"},
        {"returns": 0, "faults": 0},
    ],
    ids=str,
)
def test_what_speaks_of_something_else_does_not_count(other: dict[str, Any]) -> None:
    assert counted([finding(**other)], sources(), WANTED) == {}


def test_a_spare_slot_is_another_change_than_the_network() -> None:
    assert change_of([Setting.WIFI_SSID, Setting.WIFI_SECRET]) == ("wifi",)
    assert change_of([Setting.SPARE_SSID, Setting.WIFI_SSID]) == ("wifi", "wifi.spare")


def plan_with(*findings: Finding, count: int = 12) -> Plan:
    return make_plan(
        fleet(*(device(f"lamp-{n}", n, firmware="3.1.0") for n in range(1, count + 1))),
        playbook_of(WHOLE),
        dialects(),
        resolver(),
        sources(),
        created="2026-01-01T00:00:00+00:00",
        tool="migrate 0",
        ledger=findings,
    )


def test_a_plan_with_evidence_needs_fewer_waves_and_says_what_it_counted() -> None:
    bare, known = plan_with(), plan_with(finding(returns=60, faults=0))
    assert len(known.waves) < len(bare.waves)
    assert known.shown == {TWIN: Evidence(60, 0)}
    assert plan_from_json(known.to_json(), "plan.json") == known


def test_a_fault_makes_waves_narrower() -> None:
    well, ill = plan_with(finding(returns=20, faults=0)), plan_with(finding(returns=20, faults=3))
    assert len(ill.waves) > len(well.waves)


def test_what_a_run_has_shown_leaves_out_what_its_plan_knew() -> None:
    plan = plan_with(finding(returns=60, faults=1))
    states = [State.SETTLED, State.SETTLED, State.RETURNED, State.DECLINED]
    where = {one.name: Standing() for one in plan.devices}
    where |= {one.name: Standing(state) for one, state in zip(plan.devices, states, strict=False)}
    (shown,) = findings_of(plan, where, "2026-01-02T00:00:00+00:00").finding
    assert (shown.returns, shown.faults, shown.kind) == (2, 1, "run")
    assert shown.change == ("broker", "group", "wifi")
    assert evidence_of(plan, where) == {TWIN: Evidence(62, 2)}


def test_a_device_that_was_there_already_is_no_finding_of_this_run() -> None:
    """It moved in another run, whose finding it is: planned anew, it would count twice."""
    plan = plan_with(finding(returns=9, faults=0))
    where = {one.name: Standing(State.SETTLED, sent=False) for one in plan.devices}
    assert findings_of(plan, where, "2026-01-02T00:00:00+00:00").finding == ()
    assert evidence_of(plan, where) == {TWIN: Evidence(9, 0)}


def test_devices_of_unknown_firmware_leave_nothing_behind() -> None:
    plan = plan_of([device("lamp", 1), device("lamp-2", 2)])
    where = {one.name: Standing(State.SETTLED) for one in plan.devices}
    assert findings_of(plan, where, "2026-01-02T00:00:00+00:00").finding == ()


def test_the_way_back_is_no_evidence() -> None:
    plan = plan_with(count=2)
    where = {one.name: Standing(State.RESTORED, Direction.BACK) for one in plan.devices}
    assert findings_of(plan, where, "2026-01-02T00:00:00+00:00").finding == ()


def test_there_and_back_through_a_file() -> None:
    findings = Findings(finding=(finding(), finding(kind="run")))
    assert findings_from_json(findings_json(findings), "here") == findings


@pytest.mark.parametrize("text", ["", "{}{}", "[]", '{"format": 2}', '{"finding": 7}', "\0"])
def test_a_file_that_holds_something_else(text: str) -> None:
    with pytest.raises(BadFile, match="no findings"):
        findings_from_json(text, "findings.json")
