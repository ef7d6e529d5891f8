"""docs/looking-on.md: its commands are run, and show what it says."""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from contextlib import contextmanager
from http.client import HTTPConnection
from io import StringIO
from pathlib import Path
from urllib.parse import urlsplit

import pytest
from rich.console import Console

from migrate.cli.links import show_link
from migrate.lab import two_networks_possible
from migrate.lab.cottage import DEMO_PACE, ITEMS, TITLE
from migrate.model.lifecycle import State
from migrate.model.parsing import validate
from migrate.model.playbook import Pace
from migrate.views.terminal.frame import Frame
from migrate.views.web.door import Door
from migrate.views.web.place import place_of
from tests.planning.samples import device, plan_of
from tests.views.scenes import Told, after, in_waves

from .calling import SECRETS, call, says, typed
from .house import NEW_KEY, house
from .markdown import ROOT, Command, blocks, commands, excerpts, read

PAGE = read(ROOT / "docs" / "looking-on.md")
LOOKING_ON = commands(PAGE)
SHOWN = excerpts(PAGE)
RUN, AT, OWN, EVENTS, REPORT, WALK, KEY_SHEET, BARE_SHEET = LOOKING_ON


@contextmanager
def served(command: Command) -> Iterator[tuple[str, subprocess.Popen[str]]]:
    """A command that serves until Ctrl-C: the link it prints, and the command."""
    with subprocess.Popen(
        [sys.executable, "-m", "migrate", *command.arguments],
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        env=os.environ,
    ) as process:
        assert process.stdout is not None
        said = ""
        for line in process.stdout:
            said += line
            if found := re.search(r"http://\S+", line):
                break
        else:
            pytest.fail(said)
        try:
            yield found[0], process
        finally:
            process.send_signal(signal.SIGINT)
            said += process.communicate(timeout=20)[0]
            assert not any(secret in said for secret in SECRETS)


def ask(link: str, method: str = "GET", **headers: str) -> tuple[int, str, str]:
    """Status, cookie and body."""
    where = urlsplit(link)
    assert where.hostname is not None
    line = HTTPConnection(where.hostname, where.port, timeout=20)
    line.request(method, where.path, headers=headers)
    answer = line.getresponse()
    cookie = (answer.headers["Set-Cookie"] or "").partition(";")[0]
    body = answer.read().decode()
    line.close()
    return answer.status, cookie, body


@pytest.mark.skipif(not two_networks_possible(), reason="this machine has one loopback address")
def test_looking_on(owner: Path) -> None:
    with house(owner) as here:
        call(typed("migrate plan playbook.toml"))
        # RFC 5737: an address of no machine, so the command must end before anything is begun.
        assert "192.0.2.7 is not an address of this machine" in call(AT, 12)
        assert set(here.told().values()) == {0}
        said = call(EVENTS)
        events = [json.loads(line) for line in (owner / "events").read_text("utf-8").splitlines()]
        assert len(events) == len(said.splitlines())
        assert events[0]["event"] == "begun"
        assert events[-1]["event"] == "ended"
        assert events[-1]["exit"] == 0
        assert set(here.where().values()) == {"new"}
    # From here on nobody is there any more: the journal is enough.
    report = Path(call(REPORT).strip())
    assert report.name == "report.html"
    assert "<script" not in report.read_text("utf-8")
    assert "Nobody is adrift" in call(WALK)
    assert (report.parent / "recovery.html").is_file()
    with served(OWN) as (link, process):
        status, _, body = ask(link)
        assert status == 200
        assert "<title>migrate</title>" in body
    assert process.returncode == 0


def test_the_link_for_a_phone() -> None:
    told = StringIO()
    show_link(place_of("192.0.2.7:8080"), Door(), Console(file=told, width=80))
    said = re.sub(r"enter/\S+", "enter/...", told.getvalue())
    says(said, SHOWN[AT.text])


def test_the_sheet_for_the_phones(files: Path) -> None:
    assert "a line to write the passphrase on" in " ".join(call(BARE_SHEET).split())
    assert (files / "playbook.phones.html").is_file()
    with served(KEY_SHEET) as (link, process):
        origin = link.partition("/enter/")[0]
        assert ask(f"{origin}/")[0] == 403
        status, cookie, _ = ask(link, "POST", Origin=origin)
        assert status == 303
        status, _, body = ask(f"{origin}/", Cookie=cookie)
        assert status == 200
        assert NEW_KEY.replace(" ", "") in re.sub(r"<[^>]+>|\s", "", body)
        assert ask(link, "POST", Origin=origin)[0] == 403  # used up
    assert process.returncode == 0
    kept = [path for path in files.parent.rglob("*") if path.is_file()]
    assert kept
    assert not any(NEW_KEY.encode() in path.read_bytes() for path in kept)


def terminal() -> str:
    """The picture of the demo in its fourth wave, in a terminal of 80 columns and 24 rows."""
    waves = (1, 2, 2, 3, 3, 3, 5, 4, 1)
    fourth = ("hall-lamp", "bed-lamp-right", "towel-rail")
    items = [item for item in ITEMS if item.name not in fourth]
    items[5:5] = [item for name in fourth for item in ITEMS if item.name == name]
    devices = [device(item.name, n, place=item.place) for n, item in enumerate(items)]
    pace = validate(tomllib.loads(DEMO_PACE), Pace, "playbook", ROOT)
    plan = plan_of(devices).model_copy(update={"title": TITLE, "pace": pace})
    told = Told(in_waves(plan, waves, (1, 12)))
    for number in (1, 2, 3):
        told.whole_wave(number, 2.0 * number, 1.4)
    told.wave(4, 9.0)
    for name in fourth:
        told.device(name, State.SENDING, 9.0)
        told.device(name, State.AWAY, 9.1, "it said yes")
    for name in fourth[:2]:
        told.device(name, State.SEEN, 9.9, "at the broker (new side) after 0.8 s")
        told.device(name, State.SETTLED, 10.3, "well for 0.4 s")
    lines = Frame(told.scene).lines(after(12.1), 80, 24)
    return "\n".join(line.plain.rstrip() for line in lines).strip() + "\n"


def test_the_picture_in_the_terminal() -> None:
    assert blocks(PAGE, "text")[0] == terminal()
