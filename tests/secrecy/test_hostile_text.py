"""Names, places, networks and answers that mean no good: in no output do they steer anything, pass
for the tool's own words, become markup, or leave their folder."""

from __future__ import annotations

import io
import json
import re
import shlex
from dataclasses import replace
from pathlib import Path

import pytest
from rich.console import Console
from typer.testing import CliRunner

from migrate.cli.app import app
from migrate.cli.common import new_run
from migrate.journal.rows import Row
from migrate.lab import Unit
from migrate.lab.firmware.base import Facts
from migrate.model.lifecycle import State
from migrate.model.problems import BadFile, Exit
from migrate.ports.files import load_dialect, read_plan
from migrate.ports.ledger import read_ledger
from migrate.views.report import report
from migrate.views.status import how_to_go_on, show_status
from tests.cli.paper import Paper
from tests.engine.harness import Dev, House, Pace
from tests.views.report.reading import read

FAKE = "FORGED: everything is settled"
HOSTILE = {
    "colours": "a\x1b[31;1mred",
    "title of the window": "a\x1b]0;owned\x07",
    "link of a terminal": "a\x1b]8;;http://x.example/\x1b\\here\x1b]8;;\x1b\\",
    "C1 controls": "a\x9b31m\x85b\x90",
    "bell, backspace": "abc\x07\x08\x08\x08x",
    "carriage return": f"a\r{FAKE}",
    "line": f"a\n{FAKE}\nb",
    "other lines": f"a\u2028{FAKE}\u2029{FAKE}\x0b{FAKE}\x0c{FAKE}",
    "right to left": "a\u202egnp.exe\u202c",
    "isolates": "a\u2066b\u2069\u200f",
    "no width": "a\u200bb\ufeffc\u200d",
    "tags": "a\U000e0041\U000e0042",
    "markup of rich": "[bold red]a[/] [link=http://x.example]b[/link] :bomb:",
    "HTML": "<script>alert(1)</script><img src=x onerror=alert(1)><!--",
    "Markdown": "[a](http://x.example) ![b](http://x.example/i.png) **c** `d` ~~e~~ $f$",
    "addresses": "http://x.example www.x.example <http://x.example> a@x.example",
    "table": "a | b |\n|---|---|\n| c |",
    "heading": "# a\n\n- b\n> c\n\n    d",
    "formula": "=HYPERLINK(1)",
    "formula +": "+1+1",
    "formula -": "-1+1",
    "formula @": "@SUM(A1)",
    "formula tab": "\t=1+1",
    "path": "../../../etc/passwd",
    "root": "/etc/passwd",
    "device of another system": "CON",
    "dash": "--write-off",
    "shell": "a; touch owned; $(touch owned) `touch owned` 'b' \"c\"",
    "NUL": "a\0b",
    "blanks": "a" + " " * 60 + FAKE,
    "long": "x" * 100,
    "longer": "x" * 5000,
    "accents": "a" + "\u0301" * 60,
}
OWN_INDENT = 5
PACE = Pace(soak_seconds=0.1, least=3, most=5, reply_seconds=2, look_seconds=0.1)


def is_harmless(text: str) -> None:
    """Nothing but characters that print, and line ends; and no line that was made elsewhere."""
    odd = {char for char in text if not char.isprintable()} - {"\n"}
    assert not odd, odd
    for line in text.splitlines():
        # The tool's own lines begin at the left or are indented a little; a column is further in.
        assert not re.match(rf" {{0,{OWN_INDENT}}}{FAKE}", line), line


ALIKE = ("place", "load", "cover", "firmware", "title")
"""The model checks them alike: a third of the texts for each, so that all are seen."""
SETTINGS = ("name", "place", "load", "cover", "topic", "firmware", "title", "ssid", "word", "user")


def _files(paper: Paper, field: str, text: str) -> None:
    """A small house in which one text is hostile. JSON's way of writing text is TOML's as well."""
    words = dict.fromkeys(SETTINGS, "")
    words |= {"name": "lamp", "place": "study", "load": "heater", "cover": "c", "topic": "lamp"}
    words |= {"firmware": "1.0", "title": "t", "ssid": "loft", "word": "g", "user": "u"}
    told = {k: json.dumps(v) for k, v in {**words, field: text}.items()}
    paper.fleet.write_text(
        f"""
title = {told["title"]}
[[device]]
name = {told["name"]}
mac = "00-00-5E-00-53-01"
dialect = "larch"
address = "192.0.2.11"
topic = {told["topic"]}
place = {told["place"]}
load = {told["load"]}
cover = {told["cover"]}
firmware = {told["firmware"]}
"""
    )
    paper.playbook.write_text(
        f"""
title = {told["title"]}
legs = "joined"
[wifi]
ssid = {told["ssid"]}
secret = {{ env = "NEW_WIFI" }}
[group]
topic = {told["word"]}
[broker]
host = "198.51.100.2"
username = {told["user"]}
password = {{ env = "NEW_BROKER" }}
[old]
subnet = "192.0.2.0/24"
wifi = {{ ssid = "quarry-attic", secret = {{ env = "OLD_WIFI" }} }}
broker = {{ host = "192.0.2.2" }}
[new]
subnet = "198.51.100.0/24"
leases = "leases-new"
"""
    )


@pytest.mark.parametrize("field", SETTINGS)
def test_texts_of_the_owners_files(tmp_path: Path, field: str) -> None:
    tmp_path.chmod(0o700)
    planned = 0
    texts = list(HOSTILE.items())
    if field in ALIKE:
        texts = texts[ALIKE.index(field) % 3 :: 3]
    for kind, text in texts:
        if kind == "blanks":
            continue  # wrapped like any long name: an owner's own, unlike what a device says
        paper = Paper(tmp_path)
        _files(paper, field, text)
        before = {path.name for path in tmp_path.iterdir()}
        ended = paper.plan()
        assert ended.code in (Exit.DONE, Exit.BAD_FILE, Exit.REFUSED), ended.all
        is_harmless(ended.out)
        is_harmless(ended.err)
        if ended.code != Exit.DONE:
            assert "what to do: " in ended.err
            continue
        planned += 1
        written = paper.plan_file.read_text()
        assert written.isascii()
        is_harmless(written)
        assert {path.name for path in tmp_path.iterdir()} - before <= {paper.plan_file.name}
        assert read_plan(paper.plan_file).devices
        if field in ("name", "load", "cover", "firmware"):
            is_harmless(paper.plan("--why", text if field == "name" else "lamp").all)
        if planned <= 3:
            colours = CliRunner().invoke(
                app,
                ["plan", str(paper.playbook), "--fleet", str(paper.fleet)],
                env={**paper.env, "FORCE_COLOR": "1"},
            )
            is_harmless(re.sub(r"\x1b\[[0-9;]*m", "", colours.output))
        paper.plan_file.unlink()
    assert planned, "all of them were refused: nothing was shown"


@pytest.mark.parametrize("text", HOSTILE.values(), ids=list(HOSTILE))
def test_folders_of_runs_and_files_of_dialects_stay_where_they_are(
    tmp_path: Path, text: str
) -> None:
    run = new_run(tmp_path, text)
    assert run.parent == tmp_path / "runs"
    assert re.fullmatch(r"\d{8}-\d{6}-\d{6}-[a-z0-9-]{1,40}", run.name)
    with pytest.raises(BadFile) as refused:
        load_dialect(text, tmp_path)
    assert refused.value.problems[0].remedy


def blabs(unit: Unit, words: str) -> None:
    """The device declines with these words, and says them of its version and address."""
    truth = unit._facts

    def facts() -> Facts:
        return replace(truth(), declines=words)

    unit._facts = facts  # type: ignore[method-assign]


async def test_answers_of_devices(tmp_path: Path) -> None:
    """Every hostile text as the reason of a device that declines, through to every view."""
    families = ("larch", "rowan", "sedge")
    devices = [Dev("a-pilot")]
    devices += [Dev(f"d{number}", families[number % 3]) for number in range(len(HOSTILE))]  # type: ignore[arg-type]
    async with House(tmp_path, devices, pace=PACE) as house:
        for number, text in enumerate(HOSTILE.values()):
            blabs(house.unit(f"d{number}"), text)
        outcome = await house.forward()
        assert outcome.exit is Exit.HELD
        states = house.states()
        assert sum(state is State.DECLINED for state in states.values()) >= len(HOSTILE) - 3
        for _, tidings in house.told:
            is_harmless(tidings.words)
        for row in house.journal.rows():
            is_harmless(row.note)
            assert len(row.note) < 300
        for wide, colour in ((80, True), (80, False), (40, False)):
            told = io.StringIO()
            show_status(house.journal, Console(file=told, width=wide, force_terminal=colour))
            is_harmless(re.sub(r"\x1b\[[0-9;]*m", "", told.getvalue()))
        is_harmless_html(report(house.journal, "run"), house.journal.rows())


OWN = {
    *("html", "head", "meta", "title", "style", "body", "header", "main", "section", "footer"),
    *("h1", "h2", "h3", "p", "ul", "ol", "li", "dl", "div", "dt", "dd", "a", "b", "code", "span"),
    *("table", "caption", "thead", "tbody", "tr", "th", "td", "details", "summary", "article"),
    *("figure", "figcaption", "svg", "desc", "defs", "pattern", "rect", "line", "path", "use"),
    *("g", "text"),
}
"""Elements that a report is made of."""


def is_harmless_html(text: str, rows: list[Row]) -> None:
    """Read by Python's parser of HTML: whatever a device said is text, in one piece; the elements
    are the report's own, none does anything, and none leads out of the page."""
    is_harmless(text)
    page = read(text)
    assert set(page.elements) <= OWN
    assert len(page.comments) == 1
    for tag, name, value in page.attributes:
        assert not name.startswith("on")
        assert name not in ("src", "action", "formaction", "style")
        assert name != "href" or value.startswith("#"), (tag, value)
    words = {row[0].split()[0]: row[2] for row in page.table("Where every device stands")}
    assert len(words) == len(rows)
    for row in rows:
        assert words[row.name] == " ".join(row.note.split())
    assert page.elements["a"] <= 2


def test_names_in_commands_to_be_typed_are_quoted(tmp_path: Path) -> None:
    """A name with a blank in it is one word to the shell, and nothing else happens there."""
    hostile = HOSTILE["shell"]

    class _Row:
        name, written_off, direction, state = hostile, False, None, State.DECLINED

    from migrate.model.lifecycle import Direction

    _Row.direction = Direction.FORWARD  # type: ignore[assignment]
    for line in how_to_go_on([_Row()], "a-run"):  # type: ignore[list-item]
        words = shlex.split(line.command)
        assert words[0] == "migrate"
        assert set(words[2:]) <= {"a-run", "--again", "--write-off", "--only", hostile}


def test_findings_of_another_hand(tmp_path: Path) -> None:
    """A file of findings that was made elsewhere is data, or refused with its place."""
    for number, text in enumerate(HOSTILE.values()):
        run = tmp_path / f"run-{number}"
        run.mkdir()
        finding: dict[str, object] = {
            "kind": "run",
            "at": text,
            "dialect": text,
            "sha256": "0" * 64,
        }
        finding |= {"firmware": text, "change": [text], "returns": 1, "faults": 0}
        (run / "findings.json").write_text(json.dumps({"format": 1, "finding": [finding]}))
        if text.isprintable() and len(text) <= 100:
            assert [one.at for one in read_ledger(tmp_path)] == [text]
        else:
            with pytest.raises(BadFile) as refused:
                read_ledger(tmp_path)
            (problem,) = refused.value.problems
            assert str(run) in problem.where
            is_harmless(problem.what + problem.remedy)
        (run / "findings.json").unlink()


@pytest.mark.parametrize("text", [t for t in HOSTILE.values() if "\0" not in t])
@pytest.mark.parametrize("command", ["status", "run", "plan"])
def test_arguments(paper: Paper, command: str, text: str) -> None:
    """What is typed, or comes from a script, is shown as text as well."""
    ended = paper.cli(command, "--", text)
    assert ended.code in (Exit.USAGE, Exit.BAD_FILE)
    is_harmless(ended.all.replace("\t", " "))
    assert not Path(paper.state).exists()
