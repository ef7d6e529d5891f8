"""OASIS MQTT 5.0: the examples and non-examples of section 4.7, and section 1.5.4."""

from __future__ import annotations

import pytest

from migrate.model.mqtt import filter_fault, matches, string_fault, topic_fault, word_fault

# Section 4.7.1.2, multi-level wildcard; 4.7.1.3, single-level; 4.7.2, topics beginning with $.
MATCHING = [
    ("sport/tennis/player1/#", "sport/tennis/player1"),
    ("sport/tennis/player1/#", "sport/tennis/player1/ranking"),
    ("sport/tennis/player1/#", "sport/tennis/player1/score/wimbledon"),
    ("sport/#", "sport"),
    ("#", "sport/tennis"),
    ("sport/tennis/+", "sport/tennis/player1"),
    ("sport/tennis/+", "sport/tennis/player2"),
    ("sport/+", "sport/"),
    ("+/+", "/finance"),
    ("/+", "/finance"),
    ("+/tennis/#", "sport/tennis"),
    ("sport/+/player1", "sport/tennis/player1"),
    ("$SYS/#", "$SYS/monitor/Clients"),
    ("$SYS/monitor/+", "$SYS/monitor/Clients"),
    ("ACCOUNTS", "ACCOUNTS"),
    ("Accounts payable", "Accounts payable"),
]
NOT_MATCHING = [
    ("sport/tennis/+", "sport/tennis/player1/ranking"),
    ("sport/+", "sport"),
    ("+", "/finance"),
    ("#", "$SYS/monitor/Clients"),
    ("+/monitor/Clients", "$SYS/monitor/Clients"),
    # Section 4.7.3: case sensitive, and a slash at either end makes another topic.
    ("ACCOUNTS", "Accounts"),
    ("finance", "/finance"),
    ("/finance", "finance"),
    ("sport/tennis", "sport/tennis/"),
    ("sport/tennis/player1/#", "sport/tennis/player10"),
]


@pytest.mark.parametrize(("topic_filter", "topic"), MATCHING)
def test_matching(topic_filter: str, topic: str) -> None:
    assert matches(topic_filter, topic)


@pytest.mark.parametrize(("topic_filter", "topic"), NOT_MATCHING)
def test_not_matching(topic_filter: str, topic: str) -> None:
    assert not matches(topic_filter, topic)


# Sections 4.7.1.2 and 4.7.1.3 name these as valid and not valid.
@pytest.mark.parametrize(
    "topic_filter",
    ["sport/tennis/#", "#", "+", "+/tennis/#", "sport/+/player1", "sport/+", "/", "a//b"],
)
def test_filters_that_are_valid(topic_filter: str) -> None:
    assert filter_fault(topic_filter) is None


@pytest.mark.parametrize(
    ("topic_filter", "words"),
    [
        ("sport/tennis#", "#"),
        ("sport/tennis/#/ranking", "#"),
        ("#/sport", "#"),
        ("sport+", "+"),
        ("sport/+player", "+"),
        ("", "empty"),
        ("a\0b", "U+0000"),
        ("x" * 65536, "65536 octets"),
    ],
)
def test_filters_that_are_not(topic_filter: str, words: str) -> None:
    assert words in (filter_fault(topic_filter) or "")


# Section 4.7.3: at least one character; no null character; not more than 65,535 bytes.
# Section 4.7.1: wildcards may not be used in a topic name.
@pytest.mark.parametrize("topic", ["a", "/", "a/b c", "x" * 65535, "\u00e9" * 32767, "$SYS/x"])
def test_topics_that_are_valid(topic: str) -> None:
    assert topic_fault(topic) is None


@pytest.mark.parametrize(
    ("topic", "words"),
    [
        ("", "empty"),
        ("sport/+", "wildcard"),
        ("sport/#", "wildcard"),
        ("sport+", "wildcard"),
        ("a\0", "U+0000"),
        ("x" * 65536, "65536 octets"),
        ("\u00e9" * 32768, "65536 octets"),  # half as many characters
        ("\udc00", "surrogate"),  # section 1.5.4: no encodings of U+D800..U+DFFF
    ],
)
def test_topics_that_are_not(topic: str, words: str) -> None:
    assert words in (topic_fault(topic) or "")


def test_a_text_that_is_no_topic_may_be_empty_and_hold_wildcards() -> None:
    assert string_fault("") is None
    assert string_fault("+#") is None
    assert "U+0000" in (string_fault("\0") or "")


def test_a_group_word_is_one_level() -> None:
    assert word_fault("house") is None
    assert "slash" in (word_fault("house/upstairs") or "")
    assert "wildcard" in (word_fault("+") or "")
    assert "empty" in (word_fault("") or "")
