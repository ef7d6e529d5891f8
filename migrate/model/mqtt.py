"""Rules of OASIS MQTT 5.0 for topics and strings, counted in octets.

Checks return None when all is well, else the words for what is wrong.
"""

from __future__ import annotations

TOPIC_MAX_OCTETS = 65535


def string_fault(text: str) -> str | None:
    """What is wrong with a UTF-8 encoded string (MQTT 5.0 section 1.5.4)."""
    try:
        octets = len(text.encode("utf-8"))
    except UnicodeEncodeError:
        return "holds half a character pair (a lone surrogate)"
    if octets > TOPIC_MAX_OCTETS:
        return f"has {octets} octets; MQTT allows {TOPIC_MAX_OCTETS}"
    if "\0" in text:
        return "holds U+0000, which MQTT forbids"
    return None


def topic_fault(topic: str) -> str | None:
    """What is wrong with a topic name (MQTT 5.0 section 4.7): 1..65535 octets, no wildcards."""
    if not topic:
        return "is empty; a topic has at least one character"
    if "+" in topic or "#" in topic:
        return "holds a wildcard (+ or #); a topic that is sent to has none"
    return string_fault(topic)


def filter_fault(topic_filter: str) -> str | None:
    """What is wrong with a topic filter (MQTT 5.0 section 4.7.1)."""
    if not topic_filter:
        return "is empty; a filter has at least one character"
    levels = topic_filter.split("/")
    for number, level in enumerate(levels):
        if "#" in level and (level != "#" or number != len(levels) - 1):
            return "has # elsewhere than alone in the last level"
        if "+" in level and level != "+":
            return "has + together with other characters in one level"
    return string_fault(topic_filter)


def word_fault(word: str) -> str | None:
    """What is wrong with a single topic level such as a group topic word."""
    if "/" in word:
        return "holds a slash; write one topic level, such as mill"
    return topic_fault(word)


def matches(topic_filter: str, topic: str) -> bool:
    """Whether a filter matches a topic name (MQTT 5.0 sections 4.7.1 to 4.7.3)."""
    wanted, given = topic_filter.split("/"), topic.split("/")
    if topic.startswith("$") and wanted[0] in ("+", "#"):
        return False
    for position, level in enumerate(wanted):
        if level == "#":
            return True
        if position >= len(given) or level not in ("+", given[position]):
            return False
    return len(wanted) == len(given)
