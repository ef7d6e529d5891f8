"""docs/campaigns.md: its trial is run, with three workers; its files, numbers and commands hold."""

from __future__ import annotations

import os
import re
import shlex
import shutil
import signal
import sqlite3
import subprocess
import sys
import time
import tomllib
from collections.abc import Iterable, Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import click
import pytest
from scipy import stats
from typer.main import get_command

from migrate.cli.app import app
from migrate.cli.campaigns import check_order_of_sites
from migrate.engine.campaign import ANSWERED
from migrate.model.campaign import Campaign, SitePace
from migrate.model.parsing import validate
from migrate.planning.campaign.look import SILENT_SECONDS
from migrate.planning.campaign.standing import SiteState
from migrate.planning.campaign.turn import expected_waves
from migrate.ports.durable.database import CONNECTIONS
from tests.planning.campaigns import campaign, site

from .calling import call, says
from .house import shown_files
from .markdown import ROOT, Command, blocks, commands, excerpts, read, table

PAGE = read(ROOT / "docs" / "campaigns.md")
CAMPAIGNS = commands(PAGE)
SHOWN = excerpts(PAGE)
PLAN, ALDER, BIRCH, CEDAR, STATUS, OF_ONE, REPORT = CAMPAIGNS
WITHIN_SECONDS = 60.0


@contextmanager
def begun(command: Command, said: Path) -> Iterator[subprocess.Popen[bytes]]:
    """A command in another process, as in another terminal; killed if it is still there."""
    with (
        said.open("wb") as out,
        subprocess.Popen(
            [sys.executable, "-m", "migrate", *command.arguments],
            stdout=out,
            stderr=subprocess.STDOUT,
            env=os.environ,
        ) as process,
    ):
        try:
            yield process
        finally:
            process.kill()


def sites_known(store: Path) -> int:
    """How many sites the store knows."""
    if not store.exists():
        return 0
    with closing(sqlite3.connect(store, timeout=10)) as db:
        try:
            return int(db.execute("SELECT count(*) FROM campaign_site").fetchone()[0])
        except sqlite3.OperationalError:
            return 0


@pytest.mark.long
def test_the_trial(owner: Path) -> None:
    folder = owner / "trial"
    assert "cp -r playbooks/campaign trial\ncd trial\n" in blocks(PAGE, "sh")
    shutil.copytree(ROOT / "playbooks" / "campaign", folder)
    os.chdir(folder)
    until = time.monotonic() + WITHIN_SECONDS
    with begun(PLAN, owner / "plan") as planning:
        while sites_known(folder / "campaign.sqlite3") < 3 and planning.poll() is None:
            assert time.monotonic() < until, (owner / "plan").read_text("utf-8")
            time.sleep(0.05)  # it tells nobody when the store is there
        with (
            begun(ALDER, owner / "alder") as alder,
            begun(BIRCH, owner / "birch") as birch,
            begun(CEDAR, owner / "cedar") as cedar,
        ):
            workers = {"alder": alder, "birch": birch, "cedar": cedar}
            code = planning.wait(WITHIN_SECONDS)
            said = (owner / "plan").read_text("utf-8")
            assert code == 0, said
            says(said, SHOWN[CEDAR.text])
            assert "0 of 6 devices" in " ".join(call(STATUS).split())
            assert "alder" in call(OF_ONE)
            report = Path(call(REPORT).split()[-1])
            assert "Three homes get new access points" in report.read_text("utf-8")
            for name, worker in workers.items():
                worker.send_signal(signal.SIGINT)
                assert worker.wait(WITHIN_SECONDS) == 0, (owner / name).read_text("utf-8")
                assert (folder / f"{name}-state").is_dir()


def test_its_files_are_campaigns() -> None:
    shown = shown_files("campaigns.md")
    assert set(shown) == {"campaign.toml", "site.toml"}
    desk, one = (
        validate(tomllib.loads(shown[name]), Campaign, name, ROOT)
        for name in ("campaign.toml", "site.toml")
    )
    check_order_of_sites(desk, ROOT)
    (alder,) = one.site
    there = desk.named(alder.name)
    assert there is not None
    assert there.account == alder.account
    assert (one.store.host, one.store.database) == (desk.store.host, desk.store.database)
    # What is for the worker alone stands in its own copy, and what is for the desk does not.
    assert alder.password is not None
    assert one.store.account is None
    assert not any(each.password or each.playbook or each.fleet for each in desk.site)


def commands_named() -> list[str]:
    """Every command of campaigns that stands anywhere on the page, with what it is given."""
    unit = re.findall(r"^ExecStart=/opt/migrate/bin/(migrate .*)$", PAGE, re.MULTILINE)
    assert len(unit) == 1
    return [
        *unit,
        *(one.text for one in CAMPAIGNS),
        *re.findall(r"`(migrate [^`]*)`", " ".join(PAGE.split())),
        *(line for block in blocks(PAGE, "text") for line in block.splitlines() if _ours(line)),
    ]


def _ours(line: str) -> bool:
    return line.startswith("migrate ")


@pytest.mark.parametrize("text", commands_named())
def test_every_command_that_is_named_is_one(text: str) -> None:
    _, *words = shlex.split(text)
    command: click.Command = get_command(app)  # type: ignore[assignment]
    while words and not words[0].startswith("-") and hasattr(command, "commands"):
        command = command.commands[words.pop(0)]
    options = {name for option in command.params for name in option.opts}
    assert {word for word in words if word.startswith("--")} <= options


def test_its_sites_can_be_answered_by_what_it_names() -> None:
    told = {row[0] for row in table(PAGE, "state")}
    assert told == {str(state) for state in SiteState}
    assert {SiteState.HELD, SiteState.REFUSED, SiteState.STOPPED} == ANSWERED


def test_the_numbers() -> None:
    # Source: scipy.stats.beta, as the exact bound of Clopper and Pearson (1934).
    for moved, bound, sites in table(PAGE, "sites of a kind that moved, none held"):
        exact = stats.beta.ppf(0.95, 1, int(moved))
        assert f"{exact:.4f}" == bound
        assert max(1, int(1 / exact)) == int(sites)
    assert f"not heard of for {SILENT_SECONDS:g} seconds" in " ".join(PAGE.split())
    assert f"never more than {CONNECTIONS};" in " ".join(PAGE.split())


@pytest.mark.parametrize(("pace", "number"), [(SitePace(), 0), (SitePace(held_at_most=3), 1)])
def test_the_waves(pace: SitePace, number: int) -> None:
    told = re.findall(r"^    ((?:\d+ )+\d+)$", PAGE, re.MULTILINE)[number]
    draft = campaign(*(site(f"s{number}") for number in range(100)), pace=pace)
    waves, _ = expected_waves(draft)
    assert " ".join(str(len(wave.sites)) for wave in waves) == told


def test_the_statements_are_those_that_are_printed() -> None:
    from migrate.ports.durable.accounts import _missing

    (shown,) = (block for block in blocks(PAGE, "text") if block.startswith("CREATE ROLE"))
    assert shown.splitlines() == list(_missing(set(), {"alder": "site_alder"}))


def columns(rows: Iterable[list[str]], number: int) -> str:
    return " ".join(row[number] for row in rows)


def test_what_travels_names_nothing_that_has_no_room() -> None:
    rows = table(PAGE, "is sent to the store, and kept there")
    assert not re.search(r"address|MAC|SSID|passphrase|topic", columns(rows, 0))
