"""Whatever a device or something in its place says: an answer, or NotUnderstood, nothing else."""

from __future__ import annotations

import json
import math
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from migrate.dialects.messages import Declined, Readings, Reply, Taken, Unclear
from migrate.dialects.schema import Dialect
from migrate.dialects.understand import REASON_LENGTH, NotUnderstood, answer, differences, readings
from migrate.model.secrets import MASK, Redactor, Secret
from migrate.model.settings import Setting, Value
from tests.dialects.samples import DIALECTS, MAC, NAMES, reply, shipped

HTML = "<!DOCTYPE html>\n<html><head><title>Set up</title></head><body>ok 5</body></html>"
REPORT = """unit.mac: 00-00-5E-00-53-03
unit.firmware: 0.9
unit.address: 192.0.2.13
unit.uptime: 4711
station.name: old-net
mqtt.host: 192.0.2.2
mqtt.port: 1883
mqtt.secure: no
mqtt.user: house
mqtt.group: house
output: on
pending: 0
"""
DOCUMENT = {
    "unit": {"mac": MAC, "firmware": "3.1.0", "address": "192.0.2.11", "uptime_s": 4711},
    "network": {"name": "old-net", "spare_name": ""},
    "broker": {"host": "192.0.2.2", "port": 1883, "secure": False, "user": ""},
    "groups": {"word": "house"},
    "output": {"on": True},
}


def with_settings(**network: Any) -> dict[str, Any]:
    return {**DOCUMENT, "network": network}


# The examples of docs/manuals.
def test_the_manuals_own_examples() -> None:
    larch = readings(DIALECTS["larch"], reply(DOCUMENT), None)
    assert larch == Readings(
        MAC,
        {
            Setting.WIFI_SSID: "old-net",
            Setting.SPARE_SSID: "",
            Setting.BROKER_HOST: "192.0.2.2",
            Setting.BROKER_PORT: 1883,
            Setting.BROKER_TLS: False,
            Setting.BROKER_USERNAME: "",
            Setting.GROUP_TOPIC: "house",
        },
        "3.1.0",
        "192.0.2.11",
        4711,
        {"relay": True},
    )
    sedge = readings(DIALECTS["sedge"], reply(REPORT, None), None)
    assert sedge.mac == "00-00-5E-00-53-03"
    assert sedge.settings[Setting.BROKER_PORT] == 1883
    assert sedge.settings[Setting.BROKER_TLS] is False
    assert (sedge.firmware, sedge.address, sedge.uptime_seconds, sedge.outputs) == (
        "0.9",
        "192.0.2.13",
        4711,
        {"relay": True},
    )
    # RFC 9112 and many small servers end lines with CR LF.
    assert readings(DIALECTS["sedge"], reply(REPORT.replace("\n", "\r\n")), None) == sedge


@pytest.mark.parametrize(
    ("name", "body", "status", "expected"),
    [
        ("larch", {"taken": True, "restart": True}, 200, Taken()),
        ("larch", {"taken": True, "restart": True}, None, Taken()),
        ("larch", {"taken": False, "why": "unknown member"}, 422, Declined("unknown member")),
        ("larch", {"taken": False, "why": "over 1024 octets"}, None, Declined("over 1024 octets")),
        ("larch", {"taken": False}, 422, Declined("no words")),
        ("larch", {"taken": True}, 201, Unclear("")),
        ("larch", {"taken": "true"}, 200, Unclear("")),
        ("larch", {"taken": 1}, 200, Unclear("")),
        ("larch", "who are you\n", 401, Unclear("")),
        ("larch", {"taken": False}, 500, Unclear("")),
        ("sedge", "ok 5\n", 200, Taken()),
        ("sedge", "ok 5\r\n", 200, Taken()),
        ("sedge", "ok 5", None, Taken()),
        ("sedge", "no unknown name\n", 200, Declined("unknown name")),
        ("sedge", "no unknown name\r\n", 200, Declined("unknown name")),
        ("sedge", "ok\n", 200, Unclear("")),
        ("sedge", "\nok 5\n", 200, Unclear("")),
        ("sedge", "look 5\n", 200, Unclear("")),
        ("sedge", "not now\n", 200, Unclear("")),
    ],
)
def test_answers(name: str, body: Any, status: int | None, expected: Any) -> None:
    said = answer(DIALECTS[name], DIALECTS[name].write, reply(body, status), None)
    assert type(said) is type(expected)
    if not isinstance(expected, Unclear):
        assert said == expected


def test_a_restart_is_answered_too() -> None:
    sedge = DIALECTS["sedge"]
    assert sedge.restart is not None
    assert answer(sedge, sedge.restart, reply("ok\n"), None) == Taken()
    # Declined belongs to writes; of a restart such a reply tells nothing.
    assert isinstance(answer(sedge, sedge.restart, reply("no\n"), None), Unclear)


def test_yes_and_no_at_once_is_neither() -> None:
    def change(data: dict[str, Any]) -> None:
        data["write"]["declined"] = {"pattern": "no"}

    sedge = shipped("sedge", change)
    assert isinstance(answer(sedge, sedge.write, reply("ok 5\nno restart\n"), None), Unclear)


STRANGE: dict[str, bytes] = {
    "HTML": HTML.encode(),
    "empty": b"",
    "blank": b" \r\n",
    "half a JSON": json.dumps(DOCUMENT).encode()[:-9],
    "binary": bytes(range(256)),
    "UTF-16": json.dumps(DOCUMENT).encode("utf-16"),
    "half a character": '{"taken": "\u00e9'.encode()[:-1],
    "nested arrays": b"[" * 100_000 + b"]" * 100_000,
    "nested objects": b'{"unit":' * 100_000 + b"1" + b"}" * 100_000,
    "a huge number": b'{"unit": {"mac": ' + b"9" * 10_000 + b"}}",
    "not a number": b'{"unit": {"mac": NaN}}',
    "a text": b'"unit"',
    "a number": b"12",
    "null": b"null",
    "true": b"true",
    "an array": b'["unit", "taken"]',
    "members of wrong types": b'{"unit": "mac", "taken": {}, "jsonrpc": [], "id": {}}',
    "MAC of a wrong type": b'{"unit": {"mac": {"mac": 1}}}',
    "null MAC": b'{"unit": {"mac": null}}',
    "group MAC": b'{"unit": {"mac": "01-00-5E-90-10-01"}}',
    "lone surrogate": b'{"unit": {"mac": "\\ud83c"}, "taken": "\\udfff"}',
}


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("status", [200, 500, None])
@pytest.mark.parametrize("body", STRANGE.values(), ids=list(STRANGE))
def test_strange_replies(name: str, status: int | None, body: bytes) -> None:
    dialect = DIALECTS[name]
    assert isinstance(answer(dialect, dialect.write, Reply(body, status), 1), Unclear)
    with pytest.raises(NotUnderstood) as trouble:
        readings(dialect, Reply(body, status), 1)
    assert str(trouble.value)
    if status == 500:
        assert "500" in str(trouble.value)


@pytest.mark.parametrize("status", [301, 400, 401, 404, 500, 503])
def test_a_read_with_another_status_is_none(status: int) -> None:
    with pytest.raises(NotUnderstood, match=str(status)):
        readings(DIALECTS["larch"], reply(DOCUMENT, status), None)


@pytest.mark.parametrize("depth", [*range(1, 20), *range(150, 1100, 7)])
def test_no_depth_of_nesting_breaks_it(depth: int) -> None:
    # Near the limit of the interpreter a value can be read and yet be too deep to be shown.
    deep = "[" * depth + "]" * depth
    body = f'{{"unit": {{"mac": "{MAC}", "firmware": {deep}}}, "network": {{"name": {deep}}}}}'
    try:
        found = readings(DIALECTS["larch"], reply(body), None)
    except NotUnderstood as error:
        said = str(error)
    else:
        said = str(found.firmware)
    assert said
    no = f'{{"taken": false, "why": {deep}}}'
    assert isinstance(
        answer(DIALECTS["larch"], DIALECTS["larch"].write, reply(no, 422), None), Declined | Unclear
    )


def test_settings_of_wrong_types_are_no_match() -> None:
    larch = DIALECTS["larch"]
    target: dict[Setting, Value] = {Setting.WIFI_SSID: "None", Setting.BROKER_PORT: 1883}
    odd = {**with_settings(name=None), "broker": {"port": "eighteen", "secure": "no"}}
    found = readings(larch, reply(odd), None)
    # null is nothing, not the text None.
    assert Setting.WIFI_SSID not in found.settings
    assert differences(target, found, larch) == [Setting.WIFI_SSID, Setting.BROKER_PORT]
    assert differences({Setting.BROKER_TLS: False}, found, larch) == [Setting.BROKER_TLS]


@pytest.mark.parametrize(
    ("port", "matches"),
    [(1883, True), ("1883", True), (1883.0, True), (1883.5, False), (True, False), (None, False)],
)
def test_numbers_may_come_as_text(port: Any, matches: bool) -> None:
    larch = DIALECTS["larch"]
    found = readings(larch, reply({**DOCUMENT, "broker": {"port": port}}), None)
    assert (differences({Setting.BROKER_PORT: 1883}, found, larch) == []) == matches


def test_differences_leave_out_what_cannot_be_read() -> None:
    larch = DIALECTS["larch"]
    found = readings(larch, reply(DOCUMENT), None)
    target: dict[Setting, Value] = {
        Setting.WIFI_SSID: "new-net",
        Setting.WIFI_SECRET: Secret("correct horse"),
        Setting.GROUP_TOPIC: "house",
        Setting.BROKER_TLS: False,
        Setting.SPARE_TOPIC: "no word for it in this family",
    }
    assert differences(target, found, larch) == [Setting.WIFI_SSID]


def test_a_secret_that_a_device_tells_is_not_read() -> None:
    body = with_settings(name="old-net", key="correct horse")
    found = readings(DIALECTS["larch"], reply(body), None)
    assert "correct horse" not in repr(found)


@pytest.mark.parametrize("uptime", ["1e400", "NaN", "-Infinity", '"soon"', "[]", "true", "null"])
def test_uptimes_that_are_none(uptime: str) -> None:
    body = f'{{"unit": {{"mac": "{MAC}", "uptime_s": {uptime}}}}}'
    assert readings(DIALECTS["larch"], reply(body), None).uptime_seconds is None


# RCPI of IEEE Std 802.11 goes from -109.5 to 0 dBm; RSSI in dBm fits a signed octet. From memory.
@pytest.mark.parametrize(
    ("told", "dbm"),
    [
        ("-58", -58),
        ("-127", -127),
        ("0", 0),
        ("-109.5", -110),
        ('"-71"', -71),
        ("-128", None),
        ("1", None),
        ("62", None),  # a percentage
        ('"-58 dBm"', None),
        ("true", None),
        ("NaN", None),
        ("-1e400", None),
        ("null", None),
        ("[-58]", None),
    ],
)
def test_signal_strengths(told: str, dbm: int | None) -> None:
    body = f'{{"unit": {{"mac": "{MAC}", "signal_dbm": {told}}}}}'
    assert readings(DIALECTS["larch"], reply(body), None).signal_dbm == dbm


def test_lone_surrogates_do_not_travel_on() -> None:
    # RFC 8259 section 8.2: JSON can hold what no UTF-8 can.
    body = (
        f'{{"unit": {{"mac": "{MAC}", "firmware": "\\ud83c!"}}, "network": {{"name": "\\udf3f"}}}}'
    )
    found = readings(DIALECTS["larch"], reply(body), None)
    assert found.firmware == "\ufffd!"
    assert found.settings[Setting.WIFI_SSID] == "\ufffd"
    said = answer(
        DIALECTS["larch"],
        DIALECTS["larch"].write,
        reply('{"taken":false,"why":"\\ud800"}', 422),
        None,
    )
    assert said == Declined("\ufffd")


def test_reasons_are_fit_for_a_terminal() -> None:
    # ECMA-48: ESC begins an order to the terminal; a line feed would forge a line of a log.
    why = "\x1b[2Jgone\nfoo\u202e\x9b" + "x" * 1000
    said = answer(
        DIALECTS["larch"], DIALECTS["larch"].write, reply({"taken": False, "why": why}, 422), None
    )
    assert isinstance(said, Declined)
    assert said.reason.isprintable()
    assert len(said.reason) <= REASON_LENGTH
    assert said.reason.startswith("\ufffd[2Jgone\ufffdfoo")


@pytest.mark.parametrize("length", range(180, 204))
def test_a_secret_cut_off_by_the_length_of_a_reason_is_still_cleaned(length: int) -> None:
    why = "x" * length + "correct-horse-battery"
    said = answer(
        DIALECTS["larch"], DIALECTS["larch"].write, reply({"taken": False, "why": why}, 422), None
    )
    assert isinstance(said, Declined)
    cleaned = Redactor([Secret("correct-horse-battery")]).clean(said.reason)
    assert "corr" not in cleaned
    if length <= REASON_LENGTH - 4:
        assert cleaned == "x" * length + MASK


def test_replies_are_not_printed() -> None:
    assert repr(reply("correct horse", 500)) == "Reply(status=500, 13 octets)"


def _sound(dialect: Dialect, body: bytes, status: int | None) -> None:
    said = answer(dialect, dialect.write, Reply(body, status), 1)
    if isinstance(said, Declined):
        assert said.reason.isprintable()
        assert len(said.reason) <= REASON_LENGTH
    words = ""
    try:
        found = readings(dialect, Reply(body, status), 1)
    except NotUnderstood as error:
        words = str(error)
    assert words.isprintable()
    if words:
        return
    assert len(bytes.fromhex(found.mac.replace("-", ""))) == 6
    for text in (found.firmware, found.address):
        assert text is None or text.isprintable()
    assert all(isinstance(state, bool) for state in found.outputs.values())
    for value in found.settings.values():
        assert isinstance(value, int) or value.encode("utf-8") is not None
    assert found.uptime_seconds is None or math.isfinite(found.uptime_seconds)


STATUS = st.sampled_from([200, 401, 422, 500, None])


@given(st.sampled_from(NAMES), st.binary(max_size=200), STATUS)
def test_any_octets(name: str, body: bytes, status: int | None) -> None:
    _sound(DIALECTS[name], body, status)


LEAVES = (
    st.none()
    | st.booleans()
    | st.integers()
    | st.floats()
    | st.text(st.characters(), max_size=10)
    | st.sampled_from([MAC, "2.0", "house", "yes"])
)
NAMED = (
    "unit mac firmware address uptime_s network name broker port secure user output on taken why "
    "jsonrpc id result error code message wifi_name broker_port broker_secure group"
)
MEMBERS = NAMED.split()
TREES = st.recursive(
    LEAVES,
    lambda inner: (
        st.lists(inner, max_size=3) | st.dictionaries(st.sampled_from(MEMBERS), inner, max_size=6)
    ),
    max_leaves=25,
)


@given(
    st.sampled_from(["larch", "rowan"]), st.dictionaries(st.sampled_from(MEMBERS), TREES), STATUS
)
def test_any_json(name: str, tree: dict[str, Any], status: int | None) -> None:
    _sound(DIALECTS[name], json.dumps(tree).encode(), status)


@given(TREES, STATUS)
def test_any_result_with_a_right_mac(tree: Any, status: int | None) -> None:
    result = {"firmware": tree, "uptime_s": tree, "wifi_name": tree, "broker_port": tree}
    whole = {"jsonrpc": "2.0", "id": 1, "result": {**result, "mac": MAC, "broker_secure": tree}}
    _sound(DIALECTS["rowan"], json.dumps(whole).encode(), status)


@given(st.text(st.characters(exclude_categories=["Cs"])), STATUS)
def test_any_report(text: str, status: int | None) -> None:
    _sound(DIALECTS["sedge"], f"{REPORT}{text}".encode(), status)
    _sound(DIALECTS["sedge"], f"no {text}".encode(), status)
