"""What people see: hostile words are harmless, output is plain where it must be, prompts can be
left, mistakes are told calmly, and every help text teaches."""

from __future__ import annotations

import os
import pty
import re
import select
import signal
import subprocess
import sys
import time
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

import pytest
from aiohttp import web
from rich.console import Console

from migrate.cli import common
from migrate.cli.app import app
from migrate.model.problems import Exit, JournalTrouble, Problem, Trouble
from tests.views.report.reading import read

from .house import House
from .paper import SECRETS, Ended, Paper, checked, tells
from .starter import Starter

EVIL = "\x1b]0;pwned\x07\x1b[2J[bold red]x[/] | `rm` <b>\u202e\u009b31m\r\n"


# A device that means no good


@asynccontextmanager
async def hostile_device(word: str, why: str) -> AsyncIterator[int]:
    """Speaks like larch (docs/manuals/larch.md), declines everything, and chooses its words."""

    async def read(_: web.Request) -> web.Response:
        return web.json_response(
            {
                "unit": {"mac": "00-00-5E-00-53-01", "firmware": EVIL, "address": EVIL},
                "network": {"name": "quarry-attic"},
                "groups": {"word": word},
            }
        )

    async def decline(_: web.Request) -> web.Response:
        return web.json_response({"taken": False, "why": why}, status=422)

    site = web.Application()
    site.router.add_get("/unit/document", read)
    site.router.add_patch("/unit/document", decline)
    runner = web.AppRunner(site, access_log=None)
    await runner.setup()
    await web.TCPSite(runner, "127.0.0.1", 0).start()
    try:
        yield runner.addresses[0][1]
    finally:
        await runner.cleanup()


def hostile_paper(folder: Path, port: int) -> Paper:
    paper = Paper(folder)
    paper.fleet.write_text(
        f"""
[[device]]
name = "[bold red]desk lamp[/]"
mac = "00-00-5E-00-53-01"
dialect = "larch"
address = "127.0.0.1"
port = {port}
place = "[link=http://example.net]study[/link] :bomb:"
"""
    )
    paper.playbook.write_text(
        """
title = "[blink]change[/]"
legs = "joined"
group = { topic = "loft" }
wifi = { ssid = "[u]quarry-loft[/u]", secret = { env = "NEW_WIFI" } }
old = { subnet = "127.0.0.0/8", wifi = { ssid = "quarry-attic", secret = { env = "OLD_WIFI" } } }
new = { subnet = "198.51.100.0/24", leases = "leases-new" }
"""
    )
    return paper


def process(paper: Paper, starter: Starter) -> House:
    """The same folder, for commands in other processes."""
    house = House.__new__(House)
    house.folder, house.env, house.starter = paper.folder, paper.env, starter
    return house


async def test_a_hostile_reading_is_shown_harmlessly_and_refused(
    tmp_path: Path, starter: Starter
) -> None:
    async with hostile_device(EVIL, "no") as port:
        paper = hostile_paper(tmp_path, port)
        assert paper.plan().code == Exit.DONE
        there = process(paper, starter)
        looked = await there.there("run", paper.plan_file, "--dry-run")
        assert looked.code == Exit.DONE, looked.all
        _is_harmless(looked)
        assert "[bold red]x[/]" in looked.out  # markup of a device is text
        # It could not be given this back: nothing is sent at all.
        refused = await there.there("run", paper.plan_file)
        assert refused.code == Exit.REFUSED, refused.all
        assert "the way back: group.topic holds a control character" in refused.err
        assert "no device was sent anything" in refused.out
        _is_harmless(refused)


async def test_a_reading_that_holds_a_secret_is_not_shown_and_refused(
    tmp_path: Path, starter: Starter
) -> None:
    async with hostile_device(f"{EVIL} {SECRETS['OLD_WIFI']}", "no") as port:
        paper = hostile_paper(tmp_path, port)
        assert paper.plan().code == Exit.DONE
        there = process(paper, starter)
        for more in (("--dry-run",), ()):
            ended = await there.there("run", paper.plan_file, *more)
            assert ended.code == Exit.UNREACHABLE, ended.all
            assert "tells a secret where the dialect says" in ended.err
            assert "group.topic" in ended.err
            _is_harmless(ended)
        assert SECRETS["OLD_WIFI"].encode() not in there.in_state()


async def test_hostile_reasons_are_shown_harmlessly(tmp_path: Path, starter: Starter) -> None:
    async with hostile_device("house", f"{EVIL} {SECRETS['NEW_WIFI']}") as port:
        paper = hostile_paper(tmp_path, port)
        planned = paper.plan()
        assert "[bold red]desk lamp[/]" in planned.out
        assert "[link=http://example.net]study[/link] :bomb:" in planned.out
        assert "[u]quarry-loft[/u]" in planned.out
        there = process(paper, starter)
        held = await there.there("run", paper.plan_file)
        assert held.code == Exit.HELD, held.all
        assert "[bold red]desk lamp[/] has declined" in held.out
        assert "<hidden>" in held.out
        for ended in (held, paper.cli("status", "--state", paper.state)):
            _is_harmless(ended)
            assert "[bold red]x[/]" in ended.out
        report = paper.cli("report", "--to", "-", "--state", paper.state)
        _is_harmless(report)
        # What it said is text there as well; as markup its <b> would be open at the end.
        assert "[bold red]x[/] | `rm` <b>" in read(report.out).words("faults")
        kept = there.in_state()
        for secret in SECRETS.values():
            assert secret.encode() not in kept


def _is_harmless(ended: Ended) -> None:
    checked(ended)
    odd = {char for char in ended.all if not char.isprintable()} - {"\n"}
    assert not odd


def test_hostile_keys_in_a_file_are_harmless(paper: Paper) -> None:
    paper.playbook.write_text(paper.playbook.read_text() + '\n["\\u001b[31m"]\n"\\u0007" = 1\n')
    ended = paper.plan()
    assert ended.code == Exit.BAD_FILE
    _is_harmless(ended)


# Where output goes


def in_terminal(
    paper: Paper, *args: str | Path, typed: bytes = b"", after: bytes = b"", **env: str
) -> tuple[int, str]:
    """A command in a pseudo-terminal (pty(7)); `typed` once `after` was shown."""
    ours, theirs = pty.openpty()
    told = False
    with subprocess.Popen(
        [sys.executable, "-m", "migrate", *args],
        stdin=theirs,
        stdout=theirs,
        stderr=theirs,
        start_new_session=True,
        preexec_fn=_take_terminal,
        env={
            "PATH": os.environ["PATH"],
            "TERM": "xterm-256color",
            "MIGRATE_LOCKS": os.environ["MIGRATE_LOCKS"],
            **{k: v for k, v in paper.env.items() if v},
            **env,
        },
    ) as command:
        os.close(theirs)
        try:
            shown, deadline = b"", time.monotonic() + 60
            while time.monotonic() < deadline:
                if select.select([ours], [], [], 10)[0]:
                    try:
                        octets = os.read(ours, 65536)
                    except OSError:  # EIO: the other end is closed
                        break
                    if not octets:
                        break
                    shown += octets
                # Typed again after a while, as a person would: a signal that comes the moment
                # before a read begins does not end it.
                elif typed and after in shown:
                    os.write(ours, typed)
                if typed and after in shown and not told:
                    os.write(ours, typed)
                    told = True
            code = command.wait(60)
        finally:
            command.kill()  # a test that failed must not wait for it
    os.close(ours)
    return code, shown.decode()


def _take_terminal() -> None:
    import fcntl
    import termios

    fcntl.ioctl(0, termios.TIOCSCTTY, 0)
    # Whoever runs the tests in the background may have had it ignored (POSIX, asynchronous lists).
    signal.signal(signal.SIGINT, signal.SIG_DFL)


COLOUR = re.compile(r"\x1b\[[0-9;]*?\b(3[0-8]|4[0-8]|9[0-7]|10[0-7])\b[0-9;]*m")


def test_no_color_is_heeded_in_a_terminal(paper: Paper) -> None:
    """NO_COLOR: no colours (no-color.org)."""
    code, shown = in_terminal(
        paper, "plan", paper.playbook, "--fleet", paper.fleet, NO_COLOR="1", COLUMNS="100"
    )
    assert code == 0
    assert "New access point" in shown
    assert not COLOUR.search(shown)


def test_a_pipe_gets_plain_text(paper: Paper) -> None:
    ended = paper.plan()
    assert "\x1b" not in ended.out
    # Lines that are to be copied are whole, however narrow the terminal is.
    again = paper.cli("plan", paper.playbook, "--fleet", paper.fleet)
    assert f"  migrate run {paper.plan_file} --dry-run" in again.out.splitlines()


def test_a_character_set_without_umlauts_is_no_reason_to_fail(paper: Paper) -> None:
    paper.edit(paper.playbook, "New access point", "Neuer Zugang für Häuser \U0001f3e1")
    ended = subprocess.run(
        [sys.executable, "-m", "migrate", "plan", paper.playbook, "--fleet", paper.fleet],
        env={"PATH": os.environ["PATH"], "PYTHONIOENCODING": "ascii", **SECRETS},
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert (ended.returncode, ended.stderr) == (0, "")
    assert "Neuer Zugang f\\xfcr H\\xe4user" in ended.stdout


def test_paths_with_blanks_are_quoted_where_they_are_to_be_typed(tmp_path: Path) -> None:
    (tmp_path / "my house").mkdir()
    paper = Paper(tmp_path / "my house")
    assert f"migrate run '{paper.plan_file}' --dry-run" in paper.plan().out


# Prompts


@pytest.fixture
def asking(paper: Paper) -> Paper:
    paper.edit(paper.playbook, 'env = "NEW_WIFI"', 'prompt = "new passphrase"')
    return paper


@pytest.mark.parametrize(
    ("typed", "code", "words"),
    [
        (b"\x03", Exit.STOPPED, "stopped at once"),
        (b"\x04", Exit.SECRET, "was not given"),
        (b"\r", Exit.SECRET, "is empty"),
        (b"c4nary typed words\r", Exit.DONE, "Frozen to"),
    ],
    ids=["Ctrl-C", "Ctrl-D", "Enter", "a passphrase"],
)
def test_a_prompt(asking: Paper, typed: bytes, code: Exit, words: str) -> None:
    """What is typed is not shown."""
    got, shown = in_terminal(
        asking,
        "plan",
        asking.playbook,
        "--fleet",
        asking.fleet,
        typed=typed,
        after=b"new passphrase: ",
    )
    assert got == code, shown
    assert words in shown
    assert "Traceback" not in shown
    assert "c4nary" not in shown


# The demo


@pytest.mark.parametrize("presses", [1, 2])
async def test_the_demo_can_be_left(paper: Paper, starter: Starter, presses: int) -> None:
    there = process(paper, starter)
    async with there.begun("demo", "--state", there.state) as command:
        await command.until_it_says("sending", "out")
        command.press()
        await command.until_it_says("stopping: nothing more is sent")
        if presses == 2:
            command.press()
        ended = await command.ended()
    assert ended.code == Exit.STOPPED, ended.all
    assert "wave 3 of" not in ended.out
    told = paper.cli("status", "--state", there.state)
    assert tells(told, 23, "waiting")
    assert tells(told, 1, "settled") is (presses == 1)


async def test_a_demo_that_has_no_place(paper: Paper, starter: Starter) -> None:
    async with process(paper, starter).begun("demo", "--state", paper.fleet) as command:
        ended = await command.ended()
    assert ended.code == Exit.BAD_FILE


# Mistakes of the tool


def test_a_mistake_is_told_without_its_words(paper: Paper, monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(*_: object, **__: object) -> None:
        raise ValueError(f"about {SECRETS['NEW_WIFI']}")

    monkeypatch.setattr("migrate.planning.make.make_waves", broken)
    ended = paper.plan()
    assert ended.code == Exit.BUG
    assert re.search(r"made a mistake and stopped: ValueError at planning/make\.py:\d+", ended.err)
    assert "please report" in ended.err
    assert ended.out == ""


@pytest.mark.parametrize(
    ("error", "code", "words"),
    [
        (JournalTrouble(Problem("is full", "make room")), Exit.JOURNAL, "make room"),
        (
            ExceptionGroup(
                "g", [ExceptionGroup("h", [JournalTrouble(Problem("is full", "make room"))])]
            ),
            Exit.JOURNAL,
            "make room",
        ),
        (Trouble(Problem("x")), Exit.BUG, "x"),
        (RecursionError(), Exit.BUG, "RecursionError"),
        (ExceptionGroup("g", [KeyError("c4nary")]), Exit.BUG, "KeyError"),
        (KeyboardInterrupt(), Exit.STOPPED, "stopped at once"),
    ],
    ids=["trouble", "in groups", "plain", "recursion", "group", "Ctrl-C"],
)
def test_however_a_command_ends(
    paper: Paper,
    monkeypatch: pytest.MonkeyPatch,
    error: BaseException,
    code: Exit,
    words: str,
) -> None:
    def broken(*_: object) -> None:
        raise error

    monkeypatch.setattr("migrate.cli.plan.load", broken)
    ended = paper.plan()
    assert ended.code == code
    assert words in ended.err
    assert "c4nary" not in ended.err


def test_the_screen_falls_silent_when_nobody_reads(monkeypatch: pytest.MonkeyPatch) -> None:
    reader, writer = os.pipe()
    os.close(reader)
    with open(writer, "w", encoding="utf-8") as pipe:  # noqa: PTH123
        screen = common.Screen(file=pipe)
        assert isinstance(screen, Console)
        screen.print("one")
        pipe.flush()
        screen.print("two")
        assert screen.quiet


# Help


GROUPS = ("broker", "campaign", "dialect", "sheet")
COMMANDS = [
    *("find", "survey", "bench", "plan", "rehearse", "run", "resume", "rollback", "replan"),
    *("status", "page", "adrift", "report", "schema", "worker", "demo"),
]


def test_the_list_of_commands_is_whole(paper: Paper) -> None:
    names = [info.callback.__name__ for info in app.registered_commands if info.callback]
    assert names == COMMANDS
    shown = paper.cli("--help").out
    told = re.findall(r"(\d+) [a-z]", " ".join(shown.partition("Exit codes:")[2].split()))
    assert [int(code) for code in told] == list(Exit)
    for name in COMMANDS:
        assert re.search(rf"^  {name} ", shown, re.MULTILINE)
    for whole in (shown, *(paper.cli(group, "--help").out for group in GROUPS)):
        assert "..." not in whole.partition("Commands:")[2], "no line of the list is cut"


@pytest.mark.parametrize("command", COMMANDS)
def test_help_teaches_by_an_example(paper: Paper, command: str) -> None:
    ended = paper.cli(command, "--help")
    assert ended.code == 0
    assert f"Example: migrate {command}" in ended.out
    for option in re.findall(r"^  (--\w[\w-]*)", ended.out, re.MULTILINE):
        assert re.search(rf"^  {option}( \S+)?  +\w", ended.out, re.MULTILINE), option


@pytest.mark.parametrize("command", COMMANDS)
def test_examples_use_options_that_there_are(paper: Paper, command: str) -> None:
    shown = paper.cli(command, "--help").out
    for example in re.findall(r"Example: (migrate .*)", shown):
        for option in re.findall(r"--[\w-]+", example):
            assert re.search(rf"^  {option}\b", shown, re.MULTILINE)


def test_the_module_is_the_command() -> None:
    ended = subprocess.run(
        [sys.executable, "-m", "migrate", "--help"],
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert ended.returncode == 0
    assert "Usage: " in ended.stdout
