"""The page of a run that goes wrong, in a real browser: the tool is killed and comes back, a device
stays away, and the page is served on from the journal alone."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from playwright.sync_api import expect

from migrate.lab import Fault, FaultKind, two_networks_possible

from ..docs.house import NEW_KEY, OLD_KEY, house
from .conftest import PHONE, Opener, accessibility_faults, keep

pytestmark = pytest.mark.long

FAULTS = {
    "desk-lamp": Fault(FaultKind.SLOW_RETURN, seconds=1.5),
    "cellar-pump": Fault(FaultKind.NO_RETURN),
}


@pytest.mark.skipif(not two_networks_possible(), reason="this machine has one loopback address")
def test_the_page_goes_on_when_the_tool_does(tmp_path: Path, open_page: Opener) -> None:
    tmp_path.chmod(0o700)
    page = open_page(PHONE)
    with house(tmp_path, FAULTS):
        playbook = tmp_path / "playbook.toml"
        quicker = playbook.read_text("utf-8").replace("most = 6", "most = 3")
        playbook.write_text(quicker, "utf-8")
        with migrate(tmp_path, "plan", "playbook.toml", "--fleet", "fleet.toml") as planning:
            assert planning.wait(30) == 0
        with migrate(tmp_path, "run", "playbook.plan.json", "--page") as run:
            page.goto(link_in(run))
            page.evaluate("() => { window.same = 'page'; }")
            expect(page.locator(".device", has_text="desk-lamp")).to_contain_text("away")
            expect(page.locator(".wave").first).to_have_attribute("aria-current", "step")
            os.kill(run.pid, signal.SIGKILL)
        expect(page.locator("#line")).to_contain_text("Not connected since")
        expect(page.locator(".device", has_text="desk-lamp")).to_contain_text("away")
        with migrate(tmp_path, "resume", "--page") as resumed:
            expect(page.locator("#line")).to_contain_text("Connected", timeout=20_000)
            expect(page.locator(".device", has_text="desk-lamp")).to_contain_text("settled")
            expect(page.locator("#headline")).to_contain_text("Held at wave 2", timeout=20_000)
            said, _ = resumed.communicate(timeout=30)
            assert resumed.returncode == 7
            assert re.search(r"^page +migrate page \S+ --state state$", said, re.MULTILINE)
        expect(page.locator("#line")).to_contain_text("was taken down")
        assert page.evaluate("() => window.same") == "page", "it was never loaded anew"
        expect(page.locator("#faulty")).to_contain_text("cellar-pump adrift (cellar)")
        expect(page.locator("#missing")).to_contain_text('looks for "tide-new"')
        expect(page.locator("#missing .tick").last).to_contain_text("the cellar pump")
        expect(page.locator("#advice .command").first).to_contain_text("migrate resume 2")
        assert NEW_KEY not in page.content()
        page.evaluate("() => { document.querySelector('#how').textContent = 'old'; }")
        with migrate(tmp_path, "page") as served:
            assert link_in(served) == page.url
            expect(page.locator("#line")).to_contain_text("Connected to the run's journal")
            expect(page.locator("#how")).to_have_text("1 of 3 devices is on the new side.")
            expect(page.locator("#headline")).to_contain_text("Held at wave 2")
            expect(page.locator("#gate")).to_have_text("after wave 2: shut by cellar-pump")
            assert accessibility_faults(page) == []
            keep(page, "page-followed-light-360")
            with migrate(tmp_path, "resume", "--write-off", "cellar-pump", "--page") as taken:
                said, _ = taken.communicate(timeout=30)
                assert taken.returncode == 12
                assert "is up already" in said
            with migrate(tmp_path, "resume", "--write-off", "cellar-pump") as last:
                assert last.wait(30) == 0
            expect(page.locator("#todo-head")).to_have_text("Done")
            expect(page.locator("#how")).to_have_text(
                "2 of 3 devices are on the new side, 1 written off."
            )
            served.send_signal(signal.SIGINT)
            assert served.wait(30) == 0
        expect(page.locator("#line")).to_contain_text("was taken down")
        kept = next((tmp_path / "state").rglob("page.json"))
        assert kept.stat().st_mode & 0o077 == 0


@contextmanager
def migrate(folder: Path, *args: str) -> Iterator[subprocess.Popen[str]]:
    """A command in another process, ended when the block is left."""
    state = [] if args[0] == "plan" else ["--state", "state"]
    process = subprocess.Popen(
        [sys.executable, "-m", "migrate", *args, *state],
        cwd=folder,
        env={
            **{name: os.environ[name] for name in ("PATH", "MIGRATE_LOCKS")},
            **{"HOME": str(folder), "COLUMNS": "200", "PYTHONPATH": str(Path.cwd())},
            **{"OLD_WIFI_PASSPHRASE": OLD_KEY, "NEW_WIFI_PASSPHRASE": NEW_KEY},
        },
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
    )
    with process:
        try:
            yield process
        finally:
            process.kill()


def link_in(process: subprocess.Popen[str]) -> str:
    """The link that a command prints."""
    assert process.stdout is not None
    return next(line.strip() for line in process.stdout if "http://127.0.0.1" in line)
