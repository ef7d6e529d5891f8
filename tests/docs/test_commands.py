"""Every command that a document shows is run, and does what the document says."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from migrate.lab import Fault, FaultKind, two_networks_possible

from .calling import call, says
from .house import House, house
from .markdown import DOCUMENTS, ROOT, blocks, commands, excerpts, lines_typed, read
from .test_campaigns import CAMPAIGNS
from .test_looking_on import LOOKING_ON
from .test_new_broker import NEW_BROKER
from .test_survey import SURVEY
from .test_writing import WRITING

DOCS = ROOT / "docs"
FIRST_STEPS = commands(read(DOCS / "first-steps.md"))
SHOWN = excerpts(read(DOCS / "first-steps.md"))
GONE_WRONG = commands(read(DOCS / "when-something-goes-wrong.md"))
ON_PAPER = commands(read(DOCS / "rehearse.md"))
two_networks = pytest.mark.skipif(
    not two_networks_possible(), reason="this machine has one loopback address"
)


@pytest.fixture(scope="module", autouse=True)
def demo(tmp_path_factory: pytest.TempPathFactory) -> Iterator[subprocess.Popen[str]]:
    """The demo in another process, begun first and waited for last."""
    state = tmp_path_factory.mktemp("demo")
    process = subprocess.Popen(
        [sys.executable, "-m", "migrate", "demo", "--state", str(state)],
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        env={**os.environ, "COLUMNS": "200"},
    )
    with process:
        yield process
        process.kill()


def everywhere(here: House, side: str) -> bool:
    return set(here.where().values()) == {side}


def test_every_command_shown_is_run_here_or_with_the_playbooks() -> None:
    run = {one.text for one in (*FIRST_STEPS, *GONE_WRONG, *ON_PAPER, *NEW_BROKER, *LOOKING_ON)}
    run |= {one.text for one in (*SURVEY, *WRITING, *CAMPAIGNS)}
    run |= {one.text for one in commands(read(ROOT / "README.md"))}  # see test_playbooks.py
    for document in DOCUMENTS:
        for line in lines_typed(read(document)):
            assert line in run or line.startswith("export "), f"{document.name}: {line}"


@two_networks
def test_first_steps(owner: Path) -> None:
    with house(owner) as here:
        before = here.stores()
        plan, dry_run, run, status, report, rollback = FIRST_STEPS
        says(call(plan), SHOWN[plan.text])
        said = call(dry_run)
        says(said, SHOWN[dry_run.text])
        assert set(here.told().values()) == {0}
        assert everywhere(here, "old")
        said = call(run)
        says(said, SHOWN[run.text])
        says(said, excerpts(read(DOCS / "looking-on.md"))[run.text])
        assert everywhere(here, "new")
        assert set(here.told().values()) == {1}
        assert "3 settled" in call(status)
        assert "Tide House gets a new access point" in Path(call(report).strip()).read_text("utf-8")
        call(rollback)
        assert everywhere(here, "old")
        assert here.stores() == before


def test_rehearse(files: Path) -> None:
    why, usual, harsh = ON_PAPER
    said = call(why)
    assert "porch-light: wave " in said
    assert not (files / "playbook.plan.json").exists()
    call(FIRST_STEPS[0])
    assert "rehearsed 1,000 times on paper, seed 1" in call(usual)
    said = " ".join(call(harsh).split())
    assert "rehearsed 200 times on paper, seed 7" in said
    assert "2% do not return" in said
    assert "Nothing is learned about real devices" in said


@two_networks
def test_when_something_goes_wrong(owner: Path) -> None:
    faults = {
        "cellar-pump": Fault(FaultKind.RETURNS_TO_OLD, times=1),
        "porch-light": Fault(FaultKind.DECLINES, only="writes"),
    }
    with house(owner, faults) as here:
        before = here.stores()
        call(FIRST_STEPS[0])
        call(FIRST_STEPS[2], 7)
        assert here.where() == {"desk-lamp": "new", "cellar-pump": "old", "porch-light": "old"}
        status, adrift, sheet, resume, again, write_off, only, rollback, *rest = GONE_WRONG
        without, *rest = rest
        *replan, after, report = rest
        said = call(status)
        assert "cellar-pump has returned" in said
        assert "--again cellar-pump" in said
        assert "nobody is adrift" in call(adrift)
        assert "Nobody is adrift" in Path(call(sheet).splitlines()[-1]).read_text("utf-8")
        taken = here.told()["cellar-pump"]
        call(resume, 7)
        assert here.told()["cellar-pump"] == taken  # resume alone sends it nothing
        assert "porch-light has declined" in call(again, 7)
        assert here.where() == {"desk-lamp": "new", "cellar-pump": "new", "porch-light": "old"}
        assert "1 written off" in call(write_off)
        call(only)
        assert here.where() == {"desk-lamp": "new", "cellar-pump": "old", "porch-light": "old"}
        call(rollback)
        assert here.stores() == before
        assert "desk-lamp" not in call(without)  # all are back already
        assert here.stores() == before
        plan_rest, dry_run = replan
        assert "Left out: porch-light was written off." in call(plan_rest)
        assert "2 of 2 devices answered" in call(dry_run)
        assert here.stores() == before
        call(after)
        assert everywhere(here, "old")
        assert "written off" in Path(call(report).strip()).read_text("utf-8")


def test_demo_shows_what_the_readme_shows(demo: subprocess.Popen[str]) -> None:
    output, _ = demo.communicate(timeout=100)
    assert demo.returncode == 0, output
    (excerpt,) = blocks(read(ROOT / "README.md"), "text")
    says(output, excerpt)
