"""Events for programs: every line is what docs/events.schema.json says (JSON Schema 2020-12, judged
by the reference library jsonschema), and one JSON text (RFC 8259)."""

from __future__ import annotations

import io
import json
import os
import re
import threading
from dataclasses import replace
from datetime import datetime, timedelta, timezone
from typing import Any

import jsonschema
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from migrate.cli.stream import Lines
from migrate.engine.tidings import Outcome, Tidings
from migrate.model.lifecycle import Direction, State
from migrate.model.problems import Exit, Problem
from migrate.views.ending import Advice, Ending
from migrate.views.events import Events
from tests.docs.markdown import ROOT

from .scenes import BEGUN, Told, after, plan_with, rows_of

SCHEMA = json.loads((ROOT / "docs" / "events.schema.json").read_text(encoding="utf-8"))
VALIDATOR = jsonschema.Draft202012Validator(SCHEMA)
KINDS = ("begun", "survey", "wave", "device", "remark", "gate", "waits", "ended")
ENDING = Ending(
    Outcome(Exit.HELD, "held at wave 2", ("b0 has returned: restarted",), flip=True),
    (Problem("is full", "make room", "journal.sqlite3", "a.key", "b0"),),
    (Advice("migrate resume r --again b0", "sends it its bundle once more"),),
    ("b0: output on, was off",),
    "/runs/r/journal.sqlite3",
    "/runs/r/report.html",
)


def checked(line: str) -> dict[str, Any]:
    """The event in a line; it is what the schema says, and the schema knows every key of it."""
    assert line.isascii()
    assert "\n" not in line
    event: dict[str, Any] = json.loads(line)
    VALIDATOR.validate(event)
    (kind,) = (d for d in SCHEMA["$defs"].values() if _is(d, event["event"]))
    assert set(event) == set(kind["properties"])
    return event


def _is(definition: dict[str, Any], event: str) -> bool:
    return bool(definition.get("properties", {}).get("event", {}).get("const") == event)


class Read(Told):
    """A scene, and the lines that were written of it."""

    def __init__(self, *waves: int, **more: Any) -> None:
        plan = plan_with(*waves)
        off = more.get("off", "")
        super().__init__(plan, [replace(r, written_off=r.name == off) for r in rows_of(plan)])
        self.lines: list[str] = []
        self.events = Events(self.scene, self.lines.append, "a-run", "/runs/r/j.sqlite3", BEGUN)
        self.onlookers.append(self.events)

    @property
    def last(self) -> dict[str, Any]:
        """The last event."""
        return checked(self.lines[-1])


def test_the_schema_is_one() -> None:
    jsonschema.Draft202012Validator.check_schema(SCHEMA)
    assert SCHEMA["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    assert sorted(SCHEMA["discriminator"]["mapping"]) == sorted(KINDS)


def whole_run() -> Read:
    read = Read(1, 2)
    read.tell(Tidings("waiting", "reading 3 devices; nothing is changed"), 0)
    for name in ("a0", "b0", "b1"):
        read.tell(Tidings("survey", "found", name), 1)
    read.whole_wave(1, 2, 15)
    read.wave(2, 20)
    read.device("b0", State.RETURNED, 21, "restarted")
    read.device("b1", State.SETTLED, 22, "well for 1 s")
    read.tell(Tidings("note", "output on, was off", "b1", 1, State.SETTLED), 22)
    read.gate(2, 23, "shut by b0")
    read.tell(Tidings("note", "about the run"), 24)
    read.scene.end(ENDING, [])
    read.events.end(ENDING, after(25))
    return read


def test_a_run_from_begun_to_ended() -> None:
    events = [checked(line) for line in whole_run().lines]
    assert {one["event"] for one in events} == set(KINDS)
    assert (events[0]["event"], events[-1]["event"]) == ("begun", "ended")
    assert [one["seq"] for one in events] == list(range(1, len(events) + 1))
    assert {one["run"] for one in events} == {"a-run"}
    assert {one["format"] for one in events} == {1}


def test_what_begun_says() -> None:
    read = Read(1, 2, off="b1")
    begun = read.last
    plan = read.plan
    assert begun["plan"] == plan.digest
    assert re.fullmatch("[0-9a-f]{64}", begun["plan"])  # SHA-256
    assert begun["leg"] == {"number": 1, "of": 1, "what": plan.leg.what, "together": False}
    assert [wave["devices"] for wave in begun["waves"]] == [["a0"], ["b0", "b1"]]
    assert [wave["wave"] for wave in begun["waves"]] == [1, 2]
    assert begun["waves"][0]["seconds"] == {"least": 10, "most": 20}
    assert [(one["device"], one["wave"], one["written_off"]) for one in begun["devices"]] == [
        ("a0", 1, False),
        ("b0", 2, False),
        ("b1", 2, True),
    ]
    assert begun["devices"][0]["mac"] == plan.devices[0].mac
    assert begun["journal"] == "/runs/r/j.sqlite3"


def test_what_gates_say() -> None:
    read = Read(1, 3, off="b2")
    read.whole_wave(1, 0, 15)
    assert (read.last["wave"], read.last["open"], read.last["shut_by"]) == (1, True, [])
    assert read.last["left"] == {"least": 10, "most": 20}
    read.wave(2, 15)
    read.device("b0", State.ADRIFT, 16)
    read.device("b1", State.SETTLED, 16)
    read.gate(2, 17, "shut by b0")
    assert (read.last["open"], read.last["shut_by"], read.last["left"]) == (False, ["b0"], None)


def test_what_devices_say() -> None:
    read = Read(1, 1)
    read.device("b0", State.AWAY, 3, "it said yes", direction=Direction.BACK)
    told = {key: read.last[key] for key in ("device", "wave", "state", "direction", "words")}
    assert told == {
        "device": "b0",
        "wave": 2,
        "state": "away",
        "direction": "back",
        "words": "it said yes",
    }
    read.tell(Tidings("survey", "no answer", "a0"), 4)
    assert (read.last["well"], read.last["words"]) == (False, "no answer")
    read.tell(Tidings("survey", "found", "a0"), 4)
    assert read.last["well"] is True


def test_what_ended_says() -> None:
    ended = whole_run().last
    assert (ended["exit"], ended["name"], ended["headline"]) == (7, "HELD", "held at wave 2")
    assert ended["reasons"] == ["b0 has returned: restarted"]
    assert ended["waits_for_access_point"] is True
    assert ended["problems"] == [
        {
            "what": "is full",
            "where": "journal.sqlite3",
            "key": "a.key",
            "device": "b0",
            "remedy": "make room",
        }
    ]
    assert ended["advice"][0]["command"] == "migrate resume r --again b0"
    assert ended["outputs_amiss"] == ["b0: output on, was off"]
    assert ended["report"] == "/runs/r/report.html"
    states = {one["device"]: one["state"] for one in ended["devices"]}
    assert states == {"a0": "settled", "b0": "returned", "b1": "settled"}


def test_nothing_comes_after_ended() -> None:
    read = whole_run()
    number = len(read.lines)
    read.device("b1", State.SEEN, 26)
    read.events.end(ENDING, after(27))
    assert len(read.lines) == number


def test_times_are_in_utc() -> None:
    """RFC 3339: and the same moment, wherever the tool runs."""
    read = Read(1)
    zone = timezone(timedelta(hours=5, minutes=45))
    read.events.see(Tidings("waiting", "x"), datetime(2026, 11, 26, 1, 45, 0, 7000, zone))
    assert read.last["at"] == "2026-11-25T20:00:00.007Z"
    assert datetime.fromisoformat(read.last["at"]) == after(0.007)


@given(st.text(max_size=40) | st.characters(codec=None).map(str))
@settings(max_examples=80, deadline=None)
def test_words_of_devices_are_text_whatever_they_are(words: str) -> None:
    read = Read(1)
    read.device("a0", State.DECLINED, 1, words)
    told = read.last["words"]
    assert told.isprintable()
    assert len(told) == len(words)
    if words.isprintable():
        assert told == words


def test_a_path_that_is_no_text() -> None:
    """Octets of a path that are no UTF-8 are halves of pairs in Python (PEP 383)."""
    read = whole_run()
    odd = os.fsdecode(b"/runs/\xff/journal.sqlite3")
    events = Events(read.scene, read.lines.append, "r", odd, BEGUN)
    problem = Problem("is odd", "rename it", odd)
    advice = Advice(f"migrate resume r --state {odd}", "goes on")
    events.end(replace(ENDING, journal=odd, problems=(problem,), advice=(advice,)), BEGUN)
    assert read.last["journal"] == "/runs/\\udcff/journal.sqlite3"


@pytest.mark.parametrize("kind", KINDS)
def test_the_schema_refuses_what_is_no_event(kind: str) -> None:
    """So that a line which is valid says something."""
    (event, *_) = (e for e in map(checked, whole_run().lines) if e["event"] == kind)
    for key in event:
        without = {k: v for k, v in event.items() if k != key}
        assert not VALIDATOR.is_valid(without), key
    for key, wrong in (("format", 2), ("seq", 0), ("at", "25.11.2026"), ("event", "other")):
        assert not VALIDATOR.is_valid({**event, key: wrong}), key
    if "state" in event:
        assert not VALIDATOR.is_valid({**event, "state": "gone"})
    assert VALIDATOR.is_valid({**event, "later": "a key that is added"})


# How lines get out


def test_a_slow_reader_holds_up_nothing_and_gets_all() -> None:
    reading, writing = os.pipe()
    with os.fdopen(writing, "w") as stream, os.fdopen(reading) as reader:
        lines = Lines(stream)
        many = [f"{number} {'x' * 1000}" for number in range(500)]  # more than a pipe holds
        for line in many:
            lines.write(line)  # returns, though nobody reads
        closing = threading.Thread(target=lines.close)
        closing.start()
        assert [next(reader).rstrip("\n") for _ in many] == many
        closing.join(10)
        assert not closing.is_alive()


def test_each_line_is_out_at_once() -> None:
    reading, writing = os.pipe()
    with os.fdopen(writing, "w") as stream, os.fdopen(reading) as reader:
        lines = Lines(stream)
        for number in range(3):
            lines.write(f"{number}")
            assert next(reader) == f"{number}\n"
        lines.close()


def test_a_reader_that_has_gone_away() -> None:
    reading, writing = os.pipe()
    os.close(reading)
    with os.fdopen(writing, "w") as stream:
        lines = Lines(stream)
        for _ in range(3):
            lines.write("a line")
        lines.close()


def test_a_stream_that_is_no_file() -> None:
    stream = io.StringIO()
    lines = Lines(stream)
    lines.write("a line")
    lines.close()
    assert stream.getvalue() == "a line\n"
