"""What a dialect file may not say; every refusal names the file and says what to do."""

from __future__ import annotations

from typing import Any

import pytest

from migrate.model.problems import BadFile, Problem
from tests.dialects.samples import Change, changed, dialect_of

WIFI = "wifi.ssid"


def put(path: str, value: Any) -> Change:
    """Set a place; parts are joined by slashes because settings have dots."""

    def change(data: dict[str, Any]) -> None:
        *inner, last = path.split("/")
        for part in inner:
            data = data.setdefault(part, {})
        data[last] = value

    return change


def drop(*paths: str) -> Change:
    def change(data: dict[str, Any]) -> None:
        for path in paths:
            *inner, last = path.split("/")
            here = data
            for part in inner:
                here = here[part]
            del here[last]

    return change


def both(*changes: Change) -> Change:
    def change(data: dict[str, Any]) -> None:
        for one in changes:
            one(data)

    return change


def problems_of(name: str, change: Change) -> tuple[Problem, ...]:
    with pytest.raises(BadFile) as trouble:
        dialect_of(changed(name, change))
    for problem in trouble.value.problems:
        assert problem.where.endswith(".toml")
        assert problem.what
        assert problem.remedy
    return trouble.value.problems


CASES: list[tuple[str, str, Change, str, str]] = [
    # Words and keys.
    ("an unknown key", "larch", put("colour", "red"), "colour", "unknown key"),
    ("a misspelled key", "larch", put("writes", {}), "writes", "did you mean 'write'?"),
    ("deeper", "larch", put("carries/trim", True), "carries.trim", "did you mean 'trims'?"),
    (
        "in a setting",
        "larch",
        put(f"settings/{WIFI}/max_octet", 32),
        f'settings."{WIFI}".max_octet',
        "did you mean 'max_octets'?",
    ),
    (
        "in one of several forms",
        "sedge",
        put("write/message/seperator", ","),
        "write.message.seperator",
        "did you mean 'separator'?",
    ),
    (
        "a key of another form",
        "larch",
        put("write/message/separator", ","),
        "write.message.separator",
        "known here: form",
    ),
    (
        "an unknown setting",
        "larch",
        put("settings/wifi.sid", {"name": "/a"}),
        "",
        "is not a setting",
    ),
    ("an unknown form", "larch", put("write/message/form", "morse"), "write.message", "'lines'"),
    ("no form", "larch", put("write/message", {}), "write.message", "form"),
    ("an unknown escape", "sedge", put("write/message/escape", "x"), "", "'none' or 'percent'"),
    ("a number as text", "larch", put("http/port", "80"), "http.port", "integer"),
    ("no name", "larch", drop("name"), "name", "name is missing"),
    ("a bad name", "larch", put("name", "../larch"), "name", "pattern"),
    ("an unknown band", "larch", put("radio/bands", ["60 GHz"]), "radio.bands[0]", "'5 GHz'"),
    ("no settings", "larch", put("settings", {}), "", "no setting that can be moved"),
    # Identity.
    ("no MAC reading", "larch", drop("readings/mac"), "readings.mac", "mac is missing"),
    ("no readings", "larch", drop("readings"), "readings", "readings is missing"),
    # Secrets.
    (
        "a secret that is read",
        "larch",
        put("settings/wifi.secret/read", {"pointer": "/network/key"}),
        "",
        "settings.wifi.secret has a read, but secrets are never read",
    ),
    (
        "a password that is read",
        "sedge",
        put("settings/broker.password/read", {"pattern": "(?P<value>.*)"}),
        "",
        "secrets are never read",
    ),
    # Halves.
    ("no key", "larch", drop("settings/wifi.secret"), "", "knows wifi.ssid but not wifi.secret"),
    ("no name", "larch", drop("settings/wifi.ssid"), "", "knows wifi.secret but not wifi.ssid"),
    (
        "a spare without its key",
        "larch",
        drop("settings/wifi.spare.secret"),
        "",
        "knows wifi.spare.ssid but not wifi.spare.secret",
    ),
    (
        "a broker without its password",
        "larch",
        drop("settings/broker.password"),
        "",
        "knows broker.host but not broker.password",
    ),
    (
        "a broker without its host",
        "larch",
        drop("settings/broker.host"),
        "",
        "knows broker.port but not broker.host",
    ),
    # Readings.
    ("a pointer without slash", "larch", put("readings/mac/pointer", "mac"), "", "RFC 6901"),
    ("a pointer with ~2", "larch", put("readings/mac/pointer", "/a~2"), "", "RFC 6901"),
    ("a pointer that ends in ~", "larch", put("readings/mac/pointer", "/a~"), "", "RFC 6901"),
    ("a pattern that is none", "sedge", put("readings/mac/pattern", "(?P<value>"), "", "regular"),
    ("a pattern without value", "sedge", put("readings/mac/pattern", "(.*)"), "", "(?P<value>...)"),
    ("both", "larch", put("readings/mac/pattern", "(?P<value>.)"), "", "either pointer or pattern"),
    ("neither", "larch", put("readings/mac", {}), "readings.mac", "either pointer or pattern"),
    # Rules.
    ("an empty rule", "larch", put("write/taken", {}), "write.taken", "is empty"),
    ("a bad pattern", "sedge", put("write/taken/pattern", "("), "write.taken.pattern", "regular"),
    ("equals of nothing", "larch", drop("write/taken/pointer"), "write.taken", "with pointer"),
    ("a status that is none", "larch", put("write/taken/status", [99]), "", "equal to 100"),
    ("nothing counts as yes", "larch", drop("write/taken"), "", "write.taken is missing"),
    ("nothing counts as yes", "sedge", drop("write/taken"), "", "write.taken is missing"),
    # Places.
    ("the message twice", "larch", put("write/http/query", {"say": "{message}"}), "", "2 times"),
    ("the message nowhere", "larch", put("write/http/body", ""), "", "0 times"),
    ("not as a whole", "sedge", put("write/http/query", {"say": "x {message}"}), "", "0 times"),
    ("an empty read sent", "larch", put("read/http/body", "{message}"), "", "read.http"),
    ("a body of its own", "larch", put("write/http/body", "hello"), "write.http.body", "{message}"),
    ("a path without slash", "larch", put("write/http/path", "unit"), "write.http.path", "pattern"),
    ("a path with query", "larch", put("write/http/path", "/a?b"), "write.http.path", "pattern"),
    (
        "an unknown placeholder",
        "larch",
        put("write/http/path", "/{serial}"),
        "write.http.path",
        "holds {serial}; known placeholders: {topic}, {mac}, {name}",
    ),
    (
        "the same in a topic",
        "larch",
        put("write/mqtt/topic", "larch/{id}/patch"),
        "write.mqtt.topic",
        "known placeholders",
    ),
    (
        "a wildcard",
        "larch",
        put("read/mqtt/reply", "larch/+/document"),
        "read.mqtt.reply",
        "wildcard",
    ),
    ("an empty topic", "larch", put("presence/topic", ""), "presence.topic", "empty"),
    ("a method of two words", "larch", put("write/http/method", "PATCH IT"), "", "RFC 9110"),
    ("a header that is none", "larch", put("write/http/headers", {"A b": "c"}), "", "RFC 9110"),
    (
        "a header of two lines",
        "larch",
        put("write/http/headers", {"A": "b\r\nC: d"}),
        "",
        "printable",
    ),
    (
        "no transport for both",
        "larch",
        drop("write/http", "read/mqtt"),
        "",
        "write and read share no transport",
    ),
    ("a restart that cannot", "sedge", drop("restart/http"), "", "restart has no http"),
    # Names.
    ("a name twice", "larch", put("settings/wifi.ssid/name", "/network/key"), "", "two settings"),
    (
        "names nested",
        "larch",
        put("settings/wifi.ssid/name", "/network/key/name"),
        "",
        "'/network/key/name' lies inside '/network/key'",
    ),
    ("no pointer", "larch", put("settings/wifi.ssid/name", "name"), "", "must be a JSON Pointer"),
    (
        "a bad pointer",
        "larch",
        put("settings/wifi.ssid/name", "/a~2"),
        "",
        "must be a JSON Pointer",
    ),
    ("the same in a call", "rowan", put("settings/wifi.ssid/name", "n"), "", "JSON Pointer"),
    (
        "a separator inside",
        "sedge",
        put("settings/wifi.ssid/name", "a;b"),
        "",
        "separator or assign",
    ),
    ("an assign sign inside", "sedge", put("settings/wifi.ssid/name", "a=b"), "", "or assign sign"),
    (
        "an assign sign over the seam",
        "sedge",
        both(put("write/message/assign", "=="), put("settings/wifi.ssid/name", "a=")),
        "",
        "separator or assign sign",
    ),
    (
        "a separator over the seam",
        "sedge",
        both(put("write/message/separator", "!="), put("settings/wifi.ssid/name", "a!")),
        "",
        "separator or assign sign",
    ),
    (
        "one sign for both",
        "sedge",
        both(put("write/message/separator", "="), put("write/message/escape", "percent")),
        "",
        "separator or assign sign",
    ),
    (
        "no words for yes",
        "sedge",
        drop("settings/broker.tls/words"),
        "",
        "words for true and false",
    ),
    ("half the words", "sedge", drop("settings/broker.tls/words/false"), "", "false is missing"),
    ("an empty separator", "sedge", put("write/message/separator", ""), "", "at least 1"),
    # Limits.
    ("no room", "larch", put("carries/message_octets", 0), "carries.message_octets", "equal to 16"),
    ("an empty taboo", "larch", put("carries/cannot", [""]), "carries.cannot[0]", "at least 1"),
]


@pytest.mark.parametrize(
    ("name", "change", "key", "words"),
    [case[1:] for case in CASES],
    ids=[f"{case[1]}: {case[0]}" for case in CASES],
)
def test_refusals(name: str, change: Change, key: str, words: str) -> None:
    problems = problems_of(name, change)
    said = [problem for problem in problems if words in f"{problem.what}; {problem.remedy}"]
    assert said, [str(problem) for problem in problems]
    if key:
        assert key in [problem.key for problem in said]


def test_every_fault_is_told_at_once() -> None:
    change = both(
        drop("settings/wifi.secret", "write/taken"),
        put("settings/group.topic/name", "word"),
    )
    assert len(problems_of("larch", change)) == 3


def test_marks_that_are_not_in_the_file_are_not_in_a_key() -> None:
    (problem,) = problems_of("larch", put("settings/wifi.sid", {"name": "/a"}))
    assert problem.key == 'settings."wifi.sid"'
    assert problem.remedy.startswith("known: wifi.ssid, wifi.secret")
