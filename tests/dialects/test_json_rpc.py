"""JSON-RPC 2.0: the examples of the specification (jsonrpc.org, section 7), and its rules."""

from __future__ import annotations

import json
from typing import Any

import pytest

from migrate.dialects.compose import ask, write_message
from migrate.dialects.messages import Declined, MqttRequest, Taken, Unclear
from migrate.dialects.understand import NotUnderstood, answer, readings
from migrate.model.settings import Setting
from tests.dialects.samples import MAC, device, reply, shipped

ROWAN = shipped("rowan")


def said(
    body: Any, expects: int | None = 1, status: int | None = 200
) -> Taken | Declined | Unclear:
    return answer(ROWAN, ROWAN.write, reply(body, status), expects)


def test_results() -> None:
    # Section 7, rpc call with positional parameters: the answers to id 1 and id 2.
    assert said('{"jsonrpc": "2.0", "result": 19, "id": 1}', 1) == Taken()
    assert said('{"jsonrpc": "2.0", "result": -19, "id": 2}', 2) == Taken()
    assert said('{"jsonrpc": "2.0", "result": 19, "id": 3}', 3, None) == Taken()
    # Section 5: result is there on success, whatever it is.
    for result in ("null", "false", "0", '""', "[]"):
        assert said(f'{{"jsonrpc": "2.0", "result": {result}, "id": 1}}') == Taken()


@pytest.mark.parametrize(
    ("body", "reason"),
    [
        # Section 7, rpc call of non-existent method (there with id "1"; ours are numbers).
        (
            '{"jsonrpc": "2.0", "error": {"code": -32601, "message": "Method not found"}, "id": 1}',
            "Method not found (error -32601)",
        ),
        # Section 7, rpc call with invalid JSON.
        (
            '{"jsonrpc": "2.0", "error": {"code": -32700, "message": "Parse error"}, "id": null}',
            "Parse error (error -32700)",
        ),
        # Section 7, rpc call with invalid Request object.
        (
            '{"jsonrpc":"2.0","error":{"code": -32600, "message": "Invalid Request"},"id":null}',
            "Invalid Request (error -32600)",
        ),
        ('{"jsonrpc": "2.0", "error": {}, "id": 1}', "no words (error ?)"),
        # Before version 2.0 the member that does not apply was null; some still send it.
        (
            '{"jsonrpc": "2.0", "result": null, "error": {"code": 1, "message": "no"}, "id": 1}',
            "no (error 1)",
        ),
    ],
)
def test_errors(body: str, reason: str) -> None:
    assert said(body) == Declined(reason)


@pytest.mark.parametrize(
    "body",
    [
        # Another request's answer: section 5, the id must be the same as in the request.
        '{"jsonrpc": "2.0", "result": 19, "id": 2}',
        '{"jsonrpc": "2.0", "result": 19, "id": "1"}',
        '{"jsonrpc": "2.0", "result": 19, "id": true}',
        '{"jsonrpc": "2.0", "result": 19, "id": null}',
        '{"jsonrpc": "2.0", "result": 19, "id": [1]}',
        '{"jsonrpc": "2.0", "result": 19}',
        '{"jsonrpc": "2.0", "error": {"code": -32602, "message": "no"}, "id": 2}',
        '{"jsonrpc": "2.0", "error": {"code": -32602, "message": "no"}, "id": "1"}',
        # Notifications and requests are no answers (section 4.1).
        '{"jsonrpc": "2.0", "method": "update", "params": [1,2,3,4,5]}',
        '{"jsonrpc": "2.0", "method": "foobar"}',
        '{"jsonrpc": "2.0", "method": "subtract", "params": [42, 23], "id": 1}',
        # Section 7, rpc call Batch: answers in an array; we never sent one.
        '[{"jsonrpc": "2.0", "result": 7, "id": 1}]',
        '[{"jsonrpc": "2.0", "error": {"code": -32600, "message": "Invalid Request"}, "id": null}]',
        "[]",
        # Not version 2.0.
        '{"result": 19, "error": null, "id": 1}',
        '{"jsonrpc": 2.0, "result": 19, "id": 1}',
        '{"jsonrpc": "1.0", "result": 19, "id": 1}',
        # Section 5: either result or error, but not both; error is an object.
        '{"jsonrpc": "2.0", "id": 1}',
        '{"jsonrpc": "2.0", "error": "no", "id": 1}',
        '{"jsonrpc": "2.0", "result": 1, "error": {"code": 1, "message": "no"}, "id": 1}',
        # Not JSON.
        '{"jsonrpc": "2.0", "result": 19, "id"',
        "<html><body>busy</body></html>",
        "",
        "null",
    ],
)
def test_what_is_no_answer(body: str) -> None:
    # Nobody can tell: whoever sent it must go and look, and nothing counts as refused.
    assert isinstance(said(body), Unclear)


def test_an_error_without_an_id_is_ours_only_where_nobody_else_asks() -> None:
    # JSON-RPC 2.0 section 5: the id is null where the request could not be read.
    body = '{"jsonrpc": "2.0", "error": {"code": -32700, "message": "Parse error"}, "id": null}'
    assert isinstance(said(body, 1, 200), Declined)
    assert isinstance(said(body, 1, None), Unclear)


def test_a_taken_rule_narrows_what_counts() -> None:
    def change(data: dict[str, Any]) -> None:
        data["write"]["taken"] = {"pointer": "/result/stored", "equals": 2}

    dialect = shipped("rowan", change)
    for stored, taken in ((2, True), (1, False)):
        body = {"jsonrpc": "2.0", "result": {"stored": stored}, "id": 1}
        assert isinstance(answer(dialect, dialect.write, reply(body), 1), Taken) == taken


def test_readings_come_from_the_result() -> None:
    result = {"mac": MAC, "firmware": "1.8.2", "wifi_name": "old-net", "uptime_s": 4711}
    found = readings(ROWAN, reply({"jsonrpc": "2.0", "result": result, "id": 5}), 5)
    assert (found.mac, found.firmware, found.uptime_seconds) == (MAC, "1.8.2", 4711)
    assert found.settings == {Setting.WIFI_SSID: "old-net"}


@pytest.mark.parametrize(
    ("body", "words"),
    [
        (
            {"jsonrpc": "2.0", "error": {"code": -32601, "message": "no method"}, "id": 5},
            "no method",
        ),
        ({"jsonrpc": "2.0", "result": {"mac": MAC}, "id": 6}, "another request"),
        ({"jsonrpc": "2.0", "result": {}, "id": 5}, "no MAC"),
        ({"jsonrpc": "2.0", "result": [MAC], "id": 5}, "no MAC"),
        ({"jsonrpc": "2.0", "result": {"mac": "plug"}, "id": 5}, "not a MAC"),
        ({"mac": MAC}, "not a JSON-RPC"),
        ("no", "not whole JSON"),
    ],
)
def test_readings_that_are_none(body: Any, words: str) -> None:
    with pytest.raises(NotUnderstood, match=words):
        readings(ROWAN, reply(body), 5)


def test_requests_are_request_objects() -> None:
    # Section 4: jsonrpc exactly "2.0", a method, an id; params is structured or left out.
    call = json.loads(write_message(ROWAN, {Setting.GROUP_TOPIC: "house"}, 12))
    assert call == {
        "jsonrpc": "2.0",
        "id": 12,
        "method": "settings.merge",
        "params": {"group": "house"},
    }
    read = ask(ROWAN, ROWAN.read, device(), "mqtt", 13)
    assert isinstance(read, MqttRequest)
    assert json.loads(read.payload) == {"jsonrpc": "2.0", "id": 13, "method": "settings.show"}
    assert read.expects_id == 13


def test_constant_params_stay_beside_the_settings() -> None:
    def change(data: dict[str, Any]) -> None:
        data["write"]["message"]["params"] = {"slot": 1, "keep": True}

    call = json.loads(write_message(shipped("rowan", change), {Setting.GROUP_TOPIC: "house"}))
    assert call["params"] == {"slot": 1, "keep": True, "group": "house"}
