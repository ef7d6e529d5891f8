"""JSON Pointers in readings, rules and names: RFC 6901."""

from __future__ import annotations

import ast
import json
from typing import Any

import pytest

from migrate.dialects.compose import write_message
from migrate.dialects.messages import Taken, Unclear
from migrate.dialects.understand import answer, readings
from migrate.model.settings import Setting
from tests.dialects.samples import MAC, reply, shipped

# RFC 6901 section 5: the document and its twelve pointers.
DOCUMENT = {
    "foo": ["bar", "baz"],
    "": 0,
    "a/b": 1,
    "c%d": 2,
    "e^f": 3,
    "g|h": 4,
    "i\\j": 5,
    'k"l': 6,
    " ": 7,
    "m~n": 8,
}
EXAMPLES: list[tuple[str, Any]] = [
    ("", DOCUMENT),
    ("/foo", ["bar", "baz"]),
    ("/foo/0", "bar"),
    ("/", 0),
    ("/a~1b", 1),
    ("/c%d", 2),
    ("/e^f", 3),
    ("/g|h", 4),
    ("/i\\j", 5),
    ('/k"l', 6),
    ("/ ", 7),
    ("/m~0n", 8),
]
# Section 4: no such member, index behind the end, "-", leading zeros, a sign, into a text.
NOWHERE = ["/nope", "/foo/2", "/foo/-", "/foo/00", "/foo/+0", "/foo/-1", "/foo/x", "/foo/0/0", "//"]


def _reading(pointer: str, document: dict[str, Any]) -> str | None:
    def change(data: dict[str, Any]) -> None:
        data["readings"] = {"mac": {"pointer": "/~0mac"}, "firmware": {"pointer": pointer}}

    whole = {**document, "~mac": MAC}
    found = readings(shipped("larch", change), reply(whole), None)
    assert found.mac == MAC
    return found.firmware


@pytest.mark.parametrize(("pointer", "value"), EXAMPLES)
def test_the_twelve_examples_as_readings(pointer: str, value: Any) -> None:
    found = _reading(pointer, DOCUMENT)
    assert found is not None
    expected = {**DOCUMENT, "~mac": MAC} if pointer == "" else value
    assert (found if isinstance(value, str) else ast.literal_eval(found)) == expected


@pytest.mark.parametrize("pointer", NOWHERE)
def test_pointers_to_nowhere_as_readings(pointer: str) -> None:
    assert _reading(pointer, DOCUMENT) is None


@pytest.mark.parametrize(
    ("pointer", "value"), [one for one in EXAMPLES if not isinstance(one[1], dict | list)]
)
def test_the_examples_as_rules(pointer: str, value: str | int) -> None:
    def change(data: dict[str, Any]) -> None:
        data["write"]["taken"] = {"pointer": pointer, "equals": value}
        del data["write"]["declined"]

    dialect = shipped("larch", change)
    assert answer(dialect, dialect.write, reply(DOCUMENT), None) == Taken()
    other = reply({**DOCUMENT, pointer[1:].replace("~1", "/").replace("~0", "~"): 99, "foo": []})
    assert isinstance(answer(dialect, dialect.write, other, None), Unclear)


@pytest.mark.parametrize(
    ("equals", "given", "taken"),
    [
        (True, True, True),
        (True, 1, False),
        (True, "true", False),
        (1, 1, True),
        (1, True, False),
        (1, "1", False),
        ("1", "1", True),
        ("1", 1, False),
        ("ok", None, False),
        ("ok", ["ok"], False),
    ],
)
def test_equals_means_the_same_type(equals: Any, given: Any, taken: bool) -> None:
    # RFC 8259 section 3: a number is no text, and neither of them is true.
    def change(data: dict[str, Any]) -> None:
        data["write"]["taken"] = {"pointer": "/done", "equals": equals}

    dialect = shipped("larch", change)
    said = answer(dialect, dialect.write, reply({"done": given}), None)
    assert isinstance(said, Taken) == taken


@pytest.mark.parametrize(
    ("name", "path"),
    [
        ("/a~1b", ["a/b"]),
        ("/m~0n", ["m~n"]),
        ("/~01", ["~1"]),  # section 4: ~01 is ~1, never a slash
        ("/", [""]),
        ("/ / ", [" ", " "]),
        ("/x//y", ["x", "", "y"]),
        ("/0/-", ["0", "-"]),  # a document that does not exist yet: members, not array items
        ('/k"l/i\\j', ['k"l', "i\\j"]),
    ],
)
def test_names_are_written_where_they_point(name: str, path: list[str]) -> None:
    def change(data: dict[str, Any]) -> None:
        data["settings"] = {"group.topic": {"name": name}}

    here = json.loads(write_message(shipped("larch", change), {Setting.GROUP_TOPIC: "house"}))
    for member in path:
        assert list(here) == [member]
        here = here[member]
    assert here == "house"
