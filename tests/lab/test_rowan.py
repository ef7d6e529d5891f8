"""rowan against its manual and the JSON-RPC 2.0 specification, without sockets."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import Any

import httpx
import pytest

from migrate.lab.firmware.base import HttpRequest, Outcome
from migrate.lab.firmware.rowan import Rowan, call

from .helpers import FACTS, OLD_KEY, STORE, http_get, rpc

ROWAN = Rowan("hall")
JSON = {"content-type": "application/json"}


def ask(raw: bytes, **facts: Any) -> tuple[dict[str, Any], Outcome]:
    outcome = call(raw, STORE, replace(FACTS, **facts))
    assert outcome.answer is not None
    return json.loads(outcome.answer), outcome


def merge(**params: Any) -> tuple[dict[str, Any], Outcome]:
    return ask(rpc("settings.merge", params))


def test_show_is_the_manuals_and_shows_no_key() -> None:
    answer, outcome = ask(rpc("settings.show", ident="a"))
    assert answer == {
        "jsonrpc": "2.0",
        "id": "a",
        "result": {
            "mac": "00-00-5E-00-53-01",
            "firmware": "1.0.0",
            "address": "192.0.2.11",
            "uptime_s": 4711,
            "signal_dbm": -58,
            "wifi_name": "old-net",
            "broker_host": "192.0.2.2",
            "broker_port": 1883,
            "broker_secure": False,
            "broker_user": "house",
            "group": "house",
            "group_spare": "",
            "output": True,
            "label": "",
            "remark": "",
            "fixed_address": "",
            "fixed_mask": "",
            "fixed_gateway": "",
            "fixed_resolver": "",
        },
    }
    assert outcome.kind == "read"


def test_a_whole_change_is_stored_and_restarts() -> None:
    answer, outcome = merge(
        wifi_name="new-net", wifi_key="new passphrase", broker_host="192.0.2.3", broker_pass="x"
    )
    assert answer["result"] == {"stored": 4, "restart": True}
    assert outcome.restart
    assert outcome.store == replace(
        STORE,
        wifi_name="new-net",
        wifi_key="new passphrase",
        broker_host="192.0.2.3",
        broker_password="x",
    )


FIXED: dict[str, Any] = {
    "fixed_address": "192.0.2.9",
    "fixed_mask": "255.255.255.0",
    "fixed_gateway": "192.0.2.1",
    "fixed_resolver": "",
}


def test_a_fixed_address_is_stored_and_restarts() -> None:
    answer, outcome = merge(**FIXED)
    assert answer["result"] == {"stored": 4, "restart": True}
    assert outcome.store == replace(STORE, **FIXED)
    again = call(rpc("settings.merge", FIXED), outcome.store, FACTS)
    assert not again.restart, "nothing changed"
    without = dict.fromkeys(FIXED, "")
    assert call(rpc("settings.merge", without), outcome.store, FACTS).store == STORE


def test_half_a_change_keeps_the_old_key() -> None:
    _, outcome = merge(wifi_name="new-net")
    assert outcome.restart
    assert outcome.store.wifi_key == OLD_KEY


def test_groups_and_output_need_no_restart() -> None:
    answer, outcome = merge(group="stairs", group_spare="attic", output=False)
    assert answer["result"] == {"stored": 3, "restart": False}
    assert not outcome.restart
    assert ROWAN.topics(outcome.store) == {
        "rowan/hall/call",
        "rowan/stairs/call",
        "rowan/attic/call",
    }
    assert ROWAN.topics(STORE) == {"rowan/hall/call", "rowan/house/call"}
    assert merge()[0]["result"] == {"stored": 0, "restart": False}
    assert merge(wifi_key=OLD_KEY)[0]["result"] == {"stored": 1, "restart": False}


@pytest.mark.parametrize(
    "params",
    [
        {"wifi": "x"},
        {"mac": "00-00-5E-00-53-99"},
        {"wifi_name": 7},
        {"wifi_name": None},
        {"wifi_name": ""},
        {"wifi_name": "n" * 33},
        {"wifi_name": "\N{LATIN SMALL LETTER E WITH ACUTE}" * 17},
        {"wifi_key": "1234567"},
        {"wifi_key": "g" * 64},
        {"wifi_key": "passwort\N{EURO SIGN}"},
        {"wifi_key": "a" * 65},
        {"fixed_address": "192.0.2.9"},
        {"fixed_address": "192.0.2.256", "fixed_mask": "255.255.255.0"},
        {"fixed_address": 7, "fixed_mask": "255.255.255.0"},
        {"fixed_gateway": "router"},
        {"broker_port": "1883"},
        {"broker_port": True},
        {"broker_port": 65536},
        {"broker_secure": "yes"},
        {"output": 1},
        {"group": False},
        {"group_spare": []},
        {"group": "stairs", "wifi_key": "short"},
        ["wifi_name", "new-net"],
    ],
)
def test_refusals_change_nothing(params: Any) -> None:
    answer, outcome = ask(rpc("settings.merge", params, ident=9))
    assert answer["error"]["code"] == -32602
    assert answer["error"]["message"]
    assert answer["id"] == 9
    assert "result" not in answer
    assert outcome.store == STORE
    assert not outcome.settings_taken
    assert not outcome.restart


# The examples of the JSON-RPC 2.0 specification, section 7, that end in an error.
SPECIFICATION = [
    ('{"jsonrpc": "2.0", "method": "foobar", "id": "1"}', -32601, "1"),
    ('{"jsonrpc": "2.0", "method": "foobar, "params": "bar", "baz]', -32700, None),
    ('{"jsonrpc": "2.0", "method": 1, "params": "bar"}', -32600, None),
    ('[{"jsonrpc": "2.0", "method": "sum", "params": [1,2,4], "id": "1"},', -32700, None),
    ("[]", -32600, None),
]


@pytest.mark.parametrize(("raw", "code", "ident"), SPECIFICATION)
def test_error_examples_of_the_specification(raw: str, code: int, ident: str | None) -> None:
    answer, _ = ask(raw.encode())
    assert answer["jsonrpc"] == "2.0"
    assert answer["error"]["code"] == code
    assert answer["id"] == ident


@pytest.mark.parametrize(
    ("raw", "code"),
    [
        (b"[1]", -32600),
        (b"[" + rpc("settings.show") + b"]", -32600),
        (b"7", -32600),
        (b'{"method": "settings.show", "id": 1}', -32600),
        (b'{"jsonrpc": "2.0", "method": "settings.show", "id": {}}', -32600),
        (b'{"jsonrpc": "2.0", "method": "settings.show", "id": true}', -32600),
        (b'{"jsonrpc": "2.0", "method": "settings.show", "params": 3, "id": 1}', -32600),
        (rpc("settings.show", {"all": True}), -32602),
        (rpc("unit.restart", [1]), -32602),
        (b"\xff", -32700),
        (b"", -32700),
    ],
)
def test_other_malformed_requests(raw: bytes, code: int) -> None:
    answer, outcome = ask(raw)
    assert answer["error"]["code"] == code
    assert outcome.store == STORE
    assert not outcome.restart


def test_a_notification_acts_without_an_answer() -> None:
    """Specification, section 4.1: the server must not reply to a notification."""
    raw = b'{"jsonrpc": "2.0", "method": "settings.merge", "params": {"group": "stairs"}}'
    outcome = call(raw, STORE, FACTS)
    assert outcome.answer is None
    assert outcome.store.group == "stairs"
    unknown = call(b'{"jsonrpc": "2.0", "method": "foobar"}', STORE, FACTS)
    assert unknown.answer is None


def test_2048_octets_are_taken_and_2049_are_not() -> None:
    raw = rpc("settings.merge", {"output": False})
    assert "result" in ask(raw + b" " * (2048 - len(raw)))[0]
    answer, outcome = ask(raw + b" " * (2049 - len(raw)))
    assert answer["error"]["code"] == -32600
    assert outcome.store == STORE


def test_restart() -> None:
    answer, outcome = ask(rpc("unit.restart"))
    assert answer["result"] is True
    assert outcome.restart
    assert not outcome.settings_taken


def test_over_http_errors_too_are_200() -> None:
    for body in (rpc("settings.show"), rpc("nothing"), b"{"):
        reaction = ROWAN.http(HttpRequest("POST", "/call", JSON, body), STORE, FACTS)
        assert reaction.http is not None
        assert reaction.http.status == 200
        assert reaction.http.body == reaction.outcome.answer
    for request, status in [
        (HttpRequest("POST", "/", JSON), 404),
        (http_get("/call"), 405),
        (HttpRequest("POST", "/call", {"content-type": "text/plain"}, b"{}"), 415),
    ]:
        reaction = ROWAN.http(request, STORE, FACTS)
        assert reaction.http is not None
        assert reaction.http.status == status


def test_digest_authentication_when_a_password_is_set() -> None:
    """httpx, an independent client, gets in with the password and not without."""
    locked = Rowan("hall", "door word")

    def serve(request: httpx.Request) -> httpx.Response:
        headers = {name.lower(): value for name, value in request.headers.items()}
        asked = HttpRequest(request.method, request.url.path, headers, request.content)
        answer = locked.http(asked, STORE, FACTS).http
        assert answer is not None
        return httpx.Response(answer.status, headers=dict(answer.headers), content=answer.body)

    with httpx.Client(transport=httpx.MockTransport(serve), base_url="http://192.0.2.12") as http:
        question = {"jsonrpc": "2.0", "method": "settings.show", "id": 1}
        bare = http.post("/call", json=question)
        assert bare.status_code == 401
        demand = bare.headers["www-authenticate"]
        assert demand.startswith('Digest realm="rowan"')
        assert 'qop="auth"' in demand
        assert "algorithm=MD5" in demand
        right = httpx.DigestAuth("owner", "door word")
        assert http.post("/call", json=question, auth=right).status_code == 200
        wrong = httpx.DigestAuth("owner", "window")
        assert http.post("/call", json=question, auth=wrong).status_code == 401


def test_over_mqtt() -> None:
    (reply,) = ROWAN.mqtt("rowan/hall/call", rpc("settings.show"), STORE, FACTS).replies
    assert reply.topic == "rowan/hall/return"
    assert json.loads(reply.payload)["result"]["wifi_name"] == "old-net"
    merged = rpc("settings.merge", {"output": False})
    reaction = ROWAN.mqtt("rowan/house/call", merged, STORE, FACTS)
    assert reaction.replies == ()
    assert reaction.outcome.store.output is False
    assert ROWAN.presence_topic == "rowan/hall/presence"
    assert (ROWAN.presence_word, ROWAN.absence_word) == ("here", "gone")


def test_declining_uses_the_familys_words() -> None:
    answer, outcome = ask(rpc("settings.merge", {"output": False}), declines="busy")
    assert answer["error"] == {"code": -32602, "message": "busy"}
    assert outcome.declined
    assert outcome.store == STORE
