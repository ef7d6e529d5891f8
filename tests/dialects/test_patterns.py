"""Patterns of an owner: the same matches as Python's `re`, and never without end."""

from __future__ import annotations

import re
import time

import pytest
from hypothesis import given
from hypothesis import strategies as st

from migrate.dialects import patterns
from migrate.dialects.messages import Declined, Reply, Unclear
from migrate.dialects.patterns import TooSlow, groups, pattern_fault, search
from migrate.dialects.understand import NotUnderstood, answer, readings
from migrate.ports.files import load_dialect

SHIPPED = ("larch", "rowan", "sedge")

ENDLESS = [
    # Nested and neighbouring repeats: the two ways in which backtracking explodes.
    (r"^(?P<value>(a+)+)$", "a" * 200_000 + "!"),
    (r"(?P<value>.*)x.*y.*z", "x" * 200_000),
    (r"\s*(?P<value>\d+)\s*$", " " * 200_000 + "x"),
    (r"(x+x+)+y(?P<value>)", "x" * 200_000),
]


@pytest.mark.parametrize(("pattern", "text"), ENDLESS)
def test_a_search_without_end_is_given_up(pattern: str, text: str) -> None:
    assert pattern_fault(pattern) is None
    begun = time.process_time()
    try:
        assert search(pattern, text) is None
    except TooSlow:
        assert time.process_time() - begun > patterns.SECONDS / 2
    assert time.process_time() - begun < 10 * patterns.SECONDS


def test_one_of_them_is_really_without_end() -> None:
    """Else the test above would pass without any bound."""
    pattern, text = ENDLESS[0]
    with pytest.raises(TooSlow):
        search(pattern, text)


@pytest.mark.parametrize(
    ("pattern", "words"),
    [
        ("(", "is not a regular expression"),
        (r"(?P<value>\p{L})", "is not a regular expression"),  # of `regex`, not of `re`
        (r"(?P<value>x){e<=1}", "braces"),
        (r"a{i}", "braces"),
        ("a{99999999999999999999}", "is not a regular expression"),
        ("(?:(?:a{9999}){9999}){9999}", "repeats"),
        ("(?:" * 60 + "a" + "+)" * 60, "repeats"),
        ("(?:" * 60 + "a?" + "){1,9}" * 60, "repeats"),
        ("(" * 900 + ")" * 900, "longer than"),
        ("(" * 490 + ")" * 490, "is not a regular expression"),
        ("[[a]", "is not a regular expression"),
        ("x(?i)", "is not a regular expression"),
    ],
)
def test_what_is_no_pattern(pattern: str, words: str) -> None:
    begun = time.process_time()
    assert words in (pattern_fault(pattern) or "")
    assert time.process_time() - begun < 1


@pytest.mark.parametrize(
    "pattern",
    [
        r'"mac": ?"(?P<value>(?:[0-9A-F]{2}[-:]?){6})"',
        r'^\{"mac": (?P<value>.*)\}$',
        r'{"mac": "(?P<value>[^"]*)"',
        r"(?P<value>[]a)]{1,40})",
        r"^(?P<value>(?:\d{1,3}\.){3}\d{1,3})$",
        r"(?x) (?P<value> a ) # a remark",
    ],
)
def test_what_an_owner_writes_is_a_pattern(pattern: str) -> None:
    assert pattern_fault(pattern) is None
    assert groups(pattern) == {"value"}


PIECES = ["a", "b", ".", "[ab]", "[^a]", "(?:a|b)", "(?P<value>a*)", "^", "$", r"\A", r"\d", "\n"]
REPEATS = ["", "", "*", "+", "?", "*?", "{2}", "{1,2}"]
pieces = st.lists(st.tuples(st.sampled_from(PIECES), st.sampled_from(REPEATS)), max_size=6)


@given(pieces, st.text("ab1\n", max_size=12))
def test_the_same_as_in_python(some: list[tuple[str, str]], text: str) -> None:
    """Against `re` of the standard library."""
    pattern = "".join(piece + repeat for piece, repeat in some)
    if pattern_fault(pattern) is not None:
        return
    found, wanted = search(pattern, text), re.search(pattern, text, re.MULTILINE)
    assert (found is None) == (wanted is None)
    if found is not None and wanted is not None:
        assert found.span() == wanted.span()
        assert found.groupdict() == wanted.groupdict()


@pytest.mark.parametrize("name", SHIPPED)
def test_the_shipped_patterns_are_far_from_the_bound(name: str, tmp_path) -> None:  # type: ignore[no-untyped-def]
    dialect, _ = load_dialect(name, tmp_path)
    for text in ("unit.mac: x\n" * 20_000, "a" * 262_144, "no " * 80_000):
        begun = time.process_time()
        reply = Reply(text.encode(), 200)
        answer(dialect, dialect.write, reply, 1)
        with pytest.raises(NotUnderstood):
            readings(dialect, reply, 1)
        assert time.process_time() - begun < 1


def test_a_reply_on_which_a_pattern_takes_too_long() -> None:
    from tests.fuzz.readers import _dialect

    hazel = _dialect("hazel")
    slow = Reply(b"x" * 200_000, 200)
    said = answer(hazel, hazel.write, slow, None)
    assert isinstance(said, Unclear)
    # A refusal whose reason cannot be found in time is a refusal all the same.
    declined = answer(hazel, hazel.write, Reply(b"xxxy because " + b"," * 200_000), None)
    assert declined == Declined("no words")
