"""A change in several legs on the command line: its files, their order, and the access point."""

from __future__ import annotations

from pathlib import Path

import pytest

from migrate.cli.legs import check_order
from migrate.journal.store import ALL_TOLD, Journal
from migrate.model.lifecycle import Event
from migrate.model.problems import Exit
from migrate.planning.plan import Plan, freeze
from migrate.ports.files import read_plan
from migrate.ports.sockets import now

from .paper import Ended, Paper

SWITCH = """
[wifi]
ssid = "quarry-attic"
secret = { env = "NEW_WIFI" }
"""
OLD = """
[old]
subnet = "192.0.2.0/24"
leases = "leases-old"
wifi = { ssid = "quarry-attic", secret = { env = "OLD_WIFI" } }
broker = { host = "192.0.2.2" }
"""
ACCEPT = "[switchover]\naccept_stranded = 1\n"


@pytest.fixture
def switch(paper: Paper) -> Paper:
    """One access point changes its passphrase; desk-lamp has a spare slot, hall-plug has none."""
    paper.playbook.write_text(f"{SWITCH}{OLD}{ACCEPT}", encoding="utf-8")
    return paper


def leg_file(paper: Paper, number: int) -> Path:
    return paper.folder / f"house.leg-{number}.plan.json"


def run(paper: Paper, number: int, *more: str) -> Ended:
    return paper.cli("run", leg_file(paper, number), "--state", paper.state, *more)


def journal_of(paper: Paper, plan: Plan, name: str, *, moved: bool = True) -> None:
    """A run in the state folder in which every device has settled, or is on its way."""
    facts = {"fleet": str(paper.fleet), "playbook": str(paper.playbook)}
    path = paper.state / "runs" / name / "journal.sqlite3"
    journal = Journal.create(path, plan, now, facts)
    for device in plan.devices:
        journal.record_before(device.name, {"mac": device.mac}, {})
        journal.intend(device.name, device.bundle)
        journal.step(device.name, Event.SENT)
        if moved:
            journal.step(device.name, Event.ARRIVE)
            journal.step(device.name, Event.SOAK)
    journal.close()


def test_each_leg_has_a_file_and_says_what_it_is(switch: Paper) -> None:
    ended = switch.plan()
    assert (ended.code, ended.err) == (0, "")
    plans = [read_plan(leg_file(switch, number)) for number in (1, 2, 3)]
    assert not switch.plan_file.exists()
    assert [plan.leg.number for plan in plans] == [1, 2, 3]
    assert f"migrate run {leg_file(switch, 1)} --dry-run" in ended.out
    elsewhere = switch.folder / "other.json"
    assert switch.plan("--to", str(elsewhere)).code == 0
    assert (switch.folder / "other.leg-2.json").exists()


def test_what_is_not_accepted_is_refused_with_its_number(switch: Paper) -> None:
    switch.edit(switch.playbook, ACCEPT, "")
    ended = switch.plan()
    assert ended.code == Exit.REFUSED
    assert "accept_stranded = 1" in ended.err
    assert "(hall-plug)" in ended.err
    assert not list(switch.folder.glob("*.plan.json"))


def test_a_leg_waits_for_the_end_of_the_one_before(switch: Paper) -> None:
    assert switch.plan().code == 0
    ended = run(switch, 2)
    assert ended.code == Exit.REFUSED
    assert "this is leg 2 of 3" in ended.err
    assert "leg 1 has not been run" in ended.err
    first = read_plan(leg_file(switch, 1))
    journal_of(switch, first, "20260101-first", moved=False)
    ended = run(switch, 2, "--dry-run")
    assert ended.code == Exit.REFUSED
    assert "leg 1 of 3 has not come to its end: desk-lamp" in ended.err
    assert "migrate resume 20260101-first" in ended.err
    path = switch.state / "runs" / "20260101-first" / "journal.sqlite3"
    journal = Journal.open(path, now)
    journal.write_off("desk-lamp")
    journal.close()
    # Written off, it keeps nobody waiting: the leg begins, as far as paper goes.
    assert run(switch, 2).code == Exit.UNREACHABLE


def test_the_rest_of_a_leg_that_was_stopped_counts_with_it(switch: Paper) -> None:
    assert switch.plan().code == 0
    first = read_plan(leg_file(switch, 1))
    journal_of(switch, first, "20260101-first", moved=False)
    same = {
        key: getattr(first, key) for key in Plan.model_fields if key not in ("format", "digest")
    }
    journal_of(switch, freeze(**same | {"rest_of": first.digest}), "20260102-rest")
    assert run(switch, 2).code == Exit.UNREACHABLE


def test_the_first_slot_is_not_touched_before_the_access_point_is_changed(switch: Paper) -> None:
    switch.edit(switch.playbook, ACCEPT, "")
    switch.edit(switch.fleet, 'dialect = "rowan"', 'dialect = "larch"')
    assert switch.plan().code == 0
    journal_of(switch, read_plan(leg_file(switch, 1)), "20260101-first")
    ended = run(switch, 2)
    assert ended.code == Exit.REFUSED
    assert "change the passphrase at the access point" in ended.out
    assert f"migrate run {leg_file(switch, 2)} --flipped" in ended.err
    assert run(switch, 2, "--flipped").code == Exit.UNREACHABLE


def test_no_way_back_from_under_a_later_leg(switch: Paper) -> None:
    assert switch.plan().code == 0
    journal_of(switch, read_plan(leg_file(switch, 1)), "20260101-first")
    back = switch.cli("rollback", "20260101-first", "--state", switch.state)
    assert back.code == Exit.REFUSED
    assert "--not-flipped" in back.err
    journal_of(switch, read_plan(leg_file(switch, 2)), "20260102-second")
    more = ("20260101-first", "--state", switch.state, "--not-flipped")
    back = switch.cli("rollback", *more)
    assert back.code == Exit.REFUSED
    assert "take that leg back first: migrate rollback 20260102-second" in back.err
    back = switch.cli("rollback", "20260102-second", "--state", switch.state)
    assert back.code == Exit.REFUSED
    assert "one step for all" in back.err


GROUP = """
[group]
topic = "upstairs"

[old]
subnet = "192.0.2.0/24"
broker = { host = "192.0.2.2" }
group = { topic = "house" }
"""


def rest_file(plan: Plan) -> Plan:
    """The same plan, frozen as the rest of itself."""
    same = {k: getattr(plan, k) for k in Plan.model_fields if k not in ("format", "digest")}
    return freeze(**same | {"rest_of": plan.digest})


def rolled_back(paper: Paper, name: str) -> Ended:
    return paper.cli("rollback", name, "--state", paper.state)


def test_no_way_back_for_the_rest_of_a_leg_from_under_the_next(paper: Paper) -> None:
    paper.playbook.write_text(GROUP, encoding="utf-8")
    assert paper.plan().code == 0
    first, second = (read_plan(leg_file(paper, number)) for number in (1, 2))
    journal_of(paper, rest_file(first), "20260101-rest")
    journal_of(paper, second, "20260102-second")
    ended = rolled_back(paper, "20260101-rest")
    assert ended.code == Exit.REFUSED
    assert "take that run back first: migrate rollback 20260102-second" in ended.err


def test_no_way_back_from_under_a_leg_whose_plan_was_made_anew(paper: Paper) -> None:
    paper.playbook.write_text(GROUP, encoding="utf-8")
    assert paper.plan().code == 0
    journal_of(paper, read_plan(leg_file(paper, 1)), "20260101-first")
    paper.edit(paper.playbook, "[group]", 'title = "The same, later"\n[group]')
    assert paper.plan().code == 0
    journal_of(paper, read_plan(leg_file(paper, 2)), "20260102-second")
    ended = rolled_back(paper, "20260101-first")
    assert ended.code == Exit.REFUSED
    assert "take that run back first: migrate rollback 20260102-second" in ended.err


def test_a_run_whose_files_were_changed_says_how_to_get_its_way_back(paper: Paper) -> None:
    """A plan made anew would not bring it."""
    assert paper.plan().code == 0
    journal_of(paper, read_plan(paper.plan_file), "20260101-first")
    paper.edit(paper.playbook, "New access point", "The same, later")
    ended = rolled_back(paper, "20260101-first")
    assert ended.code == Exit.CHANGED
    assert "put that back as it was" in ended.err


def test_a_later_leg_that_waits_to_be_taken_back_still_stands_on_it(paper: Paper) -> None:
    """Turned and not found, its devices are still on the new side of it."""
    paper.playbook.write_text(GROUP, encoding="utf-8")
    assert paper.plan().code == 0
    journal_of(paper, read_plan(leg_file(paper, 1)), "20260101-first")
    journal_of(paper, read_plan(leg_file(paper, 2)), "20260102-second")
    path = paper.state / "runs" / "20260102-second" / "journal.sqlite3"
    journal = Journal.open(path, now)
    for row in journal.rows():
        journal.turn(row.name)
    journal.close()
    assert "take that leg back first" in rolled_back(paper, "20260101-first").err


def test_of_two_runs_of_a_leg_the_later_one_counts(paper: Paper) -> None:
    paper.playbook.write_text(GROUP, encoding="utf-8")
    assert paper.plan().code == 0
    first = read_plan(leg_file(paper, 1))
    journal_of(paper, first, "20260101-first")
    journal_of(paper, first, "20260102-again")
    path = paper.state / "runs" / "20260102-again" / "journal.sqlite3"
    journal = Journal.open(path, now)
    for row in journal.rows():
        journal.turn(row.name)
    journal.close()
    ended = run(paper, 2)
    assert ended.code == Exit.REFUSED
    assert "leg 1 of 2 has not come to its end" in ended.err


def test_a_step_for_all_that_was_written_off_is_no_changed_access_point(switch: Paper) -> None:
    assert switch.plan().code == 0
    journal_of(switch, read_plan(leg_file(switch, 1)), "20260101-first")
    journal_of(switch, read_plan(leg_file(switch, 2)), "20260102-second", moved=False)
    path = switch.state / "runs" / "20260102-second" / "journal.sqlite3"
    journal = Journal.open(path, now)
    journal.write_off("hall-plug")
    ended = run(switch, 3)
    assert ended.code == Exit.REFUSED
    assert "migrate resume 20260102-second --flipped" in ended.err
    journal.flip()
    journal.close()
    check_order(switch.state, read_plan(leg_file(switch, 3)))


def test_only_a_run_that_waits_for_it_is_told_of_the_access_point(switch: Paper) -> None:
    assert switch.plan().code == 0
    journal_of(switch, read_plan(leg_file(switch, 1)), "20260101-first")
    ended = switch.cli("resume", "--flipped", "--state", switch.state)
    assert ended.code == Exit.REFUSED
    assert "does not wait for the access point" in ended.err


def test_status_names_what_the_run_waits_for(switch: Paper) -> None:
    assert switch.plan().code == 0
    journal_of(switch, read_plan(leg_file(switch, 2)), "20260102-second", moved=False)
    path = switch.state / "runs" / "20260102-second" / "journal.sqlite3"
    # Cut off before it was seen to go: changed now, the access point could leave it behind.
    assert "--flipped" not in switch.cli("status", "--state", switch.state).out
    journal = Journal.open(path, now)
    journal.remark(ALL_TOLD, "")
    journal.close()
    told = switch.cli("status", "--state", switch.state)
    assert "--flipped\n      once the access point has been changed" in told.out
    assert "rollback" not in told.out
    assert "replan" not in told.out
