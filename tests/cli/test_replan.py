"""After a stop: the rest is planned anew, moved by a new run, and what was shown is counted."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from migrate.journal.store import SIMULATED, Journal
from migrate.lab import Fault, FaultKind
from migrate.model.problems import Exit
from migrate.ports.files import read_plan
from migrate.ports.sockets import now

from .house import LIGHT, house
from .paper import Paper
from .starter import Starter


@pytest.mark.parametrize("facts", [{}, {SIMULATED: "yes"}], ids=["house", "demo"])
def test_what_simulated_devices_do_is_no_finding(paper: Paper, facts: dict[str, str]) -> None:
    assert paper.plan().code == 0
    facts = {"fleet": str(paper.fleet), "playbook": str(paper.playbook), **facts}
    path = paper.state / "runs" / "20260101-one" / "journal.sqlite3"
    Journal.create(path, read_plan(paper.plan_file), now, facts).close()
    assert paper.cli("resume", "--state", paper.state).code == Exit.UNREACHABLE
    assert path.with_name("report.html").exists()
    assert path.with_name("findings.json").exists() == (SIMULATED not in facts)


async def test_the_rest_of_a_run_that_was_held(tmp_path: Path, starter: Starter) -> None:
    fault = Fault(FaultKind.RETURNS_TO_OLD, times=1)
    async with house(tmp_path, starter, (LIGHT, fault)) as one:
        text = one.fleet.read_text()
        one.fleet.write_text(
            text.replace('dialect = "sedge"', 'dialect = "sedge"\nfirmware = "1.0.0"')
        )
        one.plan()
        held = await one.run()
        assert held.code == Exit.HELD, held.all
        assert "migrate replan" in held.out
        (shown,) = json.loads((one.run_folder / "findings.json").read_text())["finding"]
        assert (shown["dialect"], shown["returns"], shown["faults"]) == ("sedge", 0, 1)

        rest = tmp_path / "rest.plan.json"
        made = one.cli("replan", "--to", rest, "--state", one.state)
        assert made.code == Exit.DONE, made.all
        assert "1 device of 3" in made.out
        assert made.out.count("is on the new side") == 2
        plan = json.loads(rest.read_text())
        assert [device["name"] for device in plan["devices"]] == [LIGHT]
        assert plan["evidence"] == [
            {"dialect": "sedge", "firmware": "1.0.0", "returns": 0, "faults": 1}
        ]
        assert plan["rest_of"]

        moved = await one.there("run", rest)
        assert moved.code == Exit.DONE, moved.all
        assert one.wheres() == ["new", "new", "new"]
        assert one.changed() == [1, 1, 2]

        nothing = one.cli("replan", "--to", rest, "--state", one.state)
        assert nothing.code == Exit.REFUSED
        assert "nothing is left to be planned" in nothing.all
