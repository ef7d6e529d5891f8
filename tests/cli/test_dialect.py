"""`migrate dialect new` and `try`: what is asked, what is written, what is shown."""

from __future__ import annotations

import os
import pty
import select
import signal
import sys
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from typer.testing import CliRunner

from migrate.cli.app import app
from migrate.dialects.schema import Dialect
from migrate.dialects.writing import QUESTIONS, asked, dialect_text, proposals
from migrate.model.parsing import parse_toml
from migrate.model.problems import BadFile, Exit

from .house import LAMP, PLUG, house
from .paper import Ended
from .starter import Starter

RUN = CliRunner()
BY_HAND: dict[str, list[str]] = {
    "name": ["alder"],
    "over": ["http", "mqtt", "both"],
    "form": ["json", "rpc", "lines"],
    "write_method": ["set.all"],
    "read_method": ["tell.all"],
    "separator": [";", "\\n", " & "],
    "assign": ["=", ": "],
    "http_method": ["POST", "GET", "PUT"],
    "http_query": ["-", "say"],
    "http_auth": ["none", "basic", "digest", "bearer"],
    "mqtt_presence": ["-", "alder/{topic}/there"],
    "taken": ["-", "ok."],
    "mac": ["/mac", "unit.mac"],
    "firmware": ["-", "build"],
    "wifi_name": ["-", "net name", "/net/name"],
    "wifi_read": ["-", "net name"],
    "wifi_key": ["/net/key", "key"],
    "broker_host": ["-", "hub"],
    "broker_user": ["user"],
    "broker_password": ["word"],
    "restarts": ["yes", "no"],
    "restart": ["/again", "unit.restart"],
    "octets": ["255"],
}


@given(st.data())
def test_whatever_is_answered_reads_as_a_dialect(data: st.DataObject) -> None:
    """Or says in words what does not fit together: a family of which nothing can be moved, or a
    name that holds the separator."""
    told: dict[str, str] = {}
    while question := asked(told):
        known = BY_HAND.get(question.key, [question.default])
        answer = data.draw(st.sampled_from(known), question.key)
        assert question.fault(answer) == ""
        told[question.key] = answer
    text = dialect_text(told)
    try:
        written = parse_toml(text, Dialect, "alder.toml", Path())
    except BadFile as error:
        words = " ".join(problem.what for problem in error.problems)
        nothing = (told["wifi_name"], told["broker_host"]) == ("-", "-")
        assert nothing or "separator" in words or "lies inside" in words, words
    else:
        assert set(written.transports) == (
            {"http", "mqtt"} if told["over"] == "both" else {told["over"]}
        )


@given(st.sampled_from(QUESTIONS), st.text(max_size=20))
def test_whatever_is_typed(question: Any, answer: str) -> None:
    assert isinstance(question.fault(answer), str)


@pytest.mark.parametrize(
    ("reply", "suggested"),
    [
        ('{"a": [{"b/c": "00:00:5e:00:53:01"}]}', {"mac": "/a/0/b~1c"}),
        ("up 5\nunit.mac: 00-00-5E-00-53-01\n", {"mac": "unit.mac:"}),
        ('{"a": "00:00:00:00:00:00"}', {}),
        ("nothing", {}),
        ('{"\\u001b[31mmac": "00:00:5e:00:53:01"}', {}),
        ("\x1b]0;x\x07 00:00:5e:00:53:01", {}),
        (f"{'a' * 101} 00:00:5e:00:53:01", {}),
        ("[" * 50_000, {}),
    ],
)
def test_what_a_reply_suggests(reply: str, suggested: dict[str, str]) -> None:
    assert proposals(reply) == suggested


def test_bad_answers_are_all_told_and_nothing_is_written(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    answers = tmp_path / "answers.toml"
    answers.write_text('name = "Alder"\nform = "xml"\ncolour = "green"\noctets = 5\n')
    ended = RUN.invoke(app, ["dialect", "new", "--answers", "answers.toml"])
    assert ended.exit_code == Exit.BAD_FILE
    assert "colour" in ended.output
    assert "octets" in ended.output
    answers.write_text('name = "Alder"\nform = "xml"\n')
    ended = RUN.invoke(app, ["dialect", "new", "--answers", "answers.toml"])
    assert ended.exit_code == Exit.BAD_FILE
    assert "small letters" in ended.output
    assert "json, rpc, lines" in ended.output
    answers.write_text("name = ")
    assert RUN.invoke(app, ["dialect", "new", "--answers", "answers.toml"]).exit_code == 3
    assert RUN.invoke(app, ["dialect", "new"]).exit_code == Exit.BAD_FILE
    assert [path.name for path in tmp_path.iterdir()] == ["answers.toml"]


def test_a_file_that_is_there_stays(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    answers = 'name = "alder"\nwifi_name = "/ssid"\nwifi_key = "/key"\n'
    (tmp_path / "answers.toml").write_text(answers)
    command = ["dialect", "new", "--answers", "answers.toml"]
    assert RUN.invoke(app, command).exit_code == Exit.DONE
    before = (tmp_path / "dialects" / "alder.toml").read_text()
    ended = RUN.invoke(app, command)
    assert ended.exit_code == Exit.BAD_FILE
    assert "not written over" in ended.output
    assert (tmp_path / "dialects" / "alder.toml").read_text() == before


def test_nothing_that_could_be_moved_is_told_at_once(tmp_path: Path) -> None:
    answers = tmp_path / "answers.toml"
    answers.write_text('name = "alder"\n')
    ended = RUN.invoke(app, ["dialect", "new", "--answers", str(answers)])
    assert ended.exit_code == Exit.BAD_FILE
    assert "nothing could be moved" in ended.output


def asked_in(folder: Path) -> tuple[int, int]:
    """`migrate dialect new` in a terminal of its own: its process, and our end of the terminal."""
    pid, terminal = pty.fork()
    if pid == 0:
        signal.signal(signal.SIGINT, signal.SIG_DFL)  # ignored where a shell started us behind it
        os.chdir(folder)
        os.execv(sys.executable, [sys.executable, "-m", "migrate", "dialect", "new"])  # noqa: S606
    return pid, terminal


@pytest.mark.parametrize("key", [b"\x03", b"\x04"], ids=["Ctrl-C", "Ctrl-D"])
def test_an_open_question_can_be_left(key: bytes, tmp_path: Path) -> None:
    """POSIX.1, General Terminal Interface: the default INTR and EOF characters."""
    pid, terminal = asked_in(tmp_path)
    said = b""
    while True:
        try:
            # A key just before the question is waited for may be lost: it is struck again.
            while not select.select([terminal], [], [], 2)[0]:
                os.write(terminal, key if said else b"")
            said += os.read(terminal, 1024)
        except OSError:  # its end closes the terminal
            break
        if said.rstrip().endswith(b":"):
            os.write(terminal, key)
            said += b"\n"
    os.close(terminal)
    assert os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1]) == Exit.STOPPED, said.decode()
    assert b"stopped at once" in said
    assert list(tmp_path.iterdir()) == []


def test_answers_are_shown_to_whoever_leaves(tmp_path: Path) -> None:
    """Ctrl-C at the second question: the first answer stands there as --answers takes it."""
    pid, terminal = asked_in(tmp_path)
    said = b""
    left = [(b"such as alder):", b"alder\n"), (b"from my manual]:", b"\x03")]
    while True:
        try:
            while not select.select([terminal], [], [], 2)[0]:
                os.write(terminal, b"" if left else b"\x03")
            said += os.read(terminal, 1024)
        except OSError:  # its end closes the terminal
            break
        if left and left[0][0] in said:
            os.write(terminal, left.pop(0)[1])
    os.close(terminal)
    assert os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1]) == Exit.STOPPED, said.decode()
    assert b'name = "alder"' in said
    assert list(tmp_path.iterdir()) == []


def test_a_person_is_asked_again(tmp_path: Path) -> None:
    """In a terminal: a bad answer is told and the question asked anew."""
    pid, terminal = asked_in(tmp_path)
    said = b""
    typed = iter(
        ["Alder", "alder", "", "", "", "", "", "", "", "", "", "", "", "/ssid", "", "/key"]
    )
    with os.fdopen(terminal, "r+b", buffering=0) as stream:
        while True:
            try:
                said += stream.read(1024)
            except OSError:  # its end closes the terminal
                break
            if said.rstrip().endswith((b":", b"]:")):
                stream.write((next(typed, "") + "\n").encode())
                said += b"\n"
    assert os.waitpid(pid, 0)[1] == 0, said.decode()
    assert b"that cannot be taken" in said
    path = tmp_path / "dialects" / "alder.toml"
    written = parse_toml(path.read_text(), Dialect, "alder.toml", tmp_path)
    assert written.settings


async def test_try_reads_a_device_and_writes_nothing(tmp_path: Path, starter: Starter) -> None:
    async with house(tmp_path, starter) as one:
        shipped = Path(__file__).parents[2] / "migrate" / "dialects" / "shipped"

        async def tried(name: str, family: str, *more: str | Path) -> Ended:
            words = ("dialect", "try", shipped / f"{family}.toml", "--device", name)
            async with one.begun(*words, "--fleet", one.fleet, *more) as command:
                return await command.ended()

        lamp = await tried(LAMP, "larch", "--read", "--show-reply")
        assert lamp.code == Exit.DONE, lamp.all
        assert f"mac = {one.unit(LAMP).spec.mac}" in lamp.out
        assert "output relay" in lamp.out
        plug = await tried(PLUG, "rowan", "--read", "--playbook", one.playbook)
        assert plug.code == Exit.DONE, plug.all
        assert f"mac = {one.unit(PLUG).spec.mac}" in plug.out
        nobody = await tried(PLUG, "rowan", "--read")
        assert nobody.code == Exit.UNREACHABLE
        assert "--playbook" in nobody.err
        other = await tried(LAMP, "sedge", "--read")
        assert other.code == Exit.UNREACHABLE, other.all
        assert "not understood" in other.out
        assert one.changed() == [0, 0, 0]
        for secret in ("c4nary", one.unit(LAMP).store.wifi_key):
            assert secret not in lamp.all + plug.all + nobody.all + other.all
