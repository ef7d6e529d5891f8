"""larch against its manual, without sockets."""

from __future__ import annotations

import base64
import json
from dataclasses import replace
from typing import Any

import pytest

from migrate.lab.firmware.base import HttpRequest
from migrate.lab.firmware.larch import Larch

from .helpers import FACTS, MERGE_PATCH, OLD_KEY, STORE, http_get

LARCH = Larch("hall")


def patch(
    body: bytes | str | dict[str, Any],
    firmware: Larch = LARCH,
    headers: dict[str, str] = MERGE_PATCH,
    **facts: Any,
) -> tuple[int, dict[str, Any], Any]:
    """Status, answer and outcome of one PATCH."""
    raw = json.dumps(body).encode() if isinstance(body, dict) else body
    raw = raw.encode() if isinstance(raw, str) else raw
    request = HttpRequest("PATCH", "/unit/document", headers, raw)
    reaction = firmware.http(request, STORE, replace(FACTS, **facts))
    assert reaction.http is not None
    try:
        answer = json.loads(reaction.http.body)
    except ValueError:
        answer = {}
    return reaction.http.status, answer, reaction.outcome


def test_the_document_is_the_manuals_and_shows_no_key() -> None:
    reaction = LARCH.http(http_get("/unit/document"), STORE, FACTS)
    assert reaction.http is not None
    assert reaction.http.status == 200
    assert json.loads(reaction.http.body) == {
        "unit": {
            "mac": "00-00-5E-00-53-01",
            "firmware": "1.0.0",
            "address": "192.0.2.11",
            "uptime_s": 4711,
            "signal_dbm": -58,
        },
        "network": {"name": "old-net", "spare_name": ""},
        "broker": {"host": "192.0.2.2", "port": 1883, "secure": False, "user": "house"},
        "groups": {"word": "house"},
        "output": {"on": True},
        "about": {"label": "", "remark": ""},
    }
    assert reaction.outcome.kind == "read"


def test_a_whole_change_is_taken_and_restarts() -> None:
    status, answer, outcome = patch(
        {
            "network": {"name": "new-net", "key": "new passphrase"},
            "broker": {"host": "192.0.2.3", "port": 8883, "secure": True, "pass": "x"},
        }
    )
    assert (status, answer) == (200, {"taken": True, "restart": True})
    assert outcome.restart
    assert outcome.settings_taken
    assert outcome.store == replace(
        STORE,
        wifi_name="new-net",
        wifi_key="new passphrase",
        broker_host="192.0.2.3",
        broker_port=8883,
        broker_secure=True,
        broker_password="x",
    )


def test_half_a_change_keeps_the_old_key() -> None:
    _, _, outcome = patch({"network": {"name": "new-net"}})
    assert outcome.restart
    assert (outcome.store.wifi_name, outcome.store.wifi_key) == ("new-net", OLD_KEY)


@pytest.mark.parametrize(
    "change", [{}, {"groups": {"word": "stairs"}}, {"output": {"on": False}}, {"broker": {}}]
)
def test_no_restart_unless_network_or_broker_changed(change: dict[str, Any]) -> None:
    status, answer, outcome = patch(change)
    assert (status, answer) == (200, {"taken": True, "restart": False})
    assert not outcome.restart


def test_the_same_values_again_change_nothing() -> None:
    _, answer, outcome = patch({"network": {"name": "old-net", "key": OLD_KEY}})
    assert answer == {"taken": True, "restart": False}
    assert outcome.store == STORE


def test_the_spare_network_can_be_set_and_emptied() -> None:
    _, answer, outcome = patch({"network": {"spare_name": "new-net", "spare_key": "12345678"}})
    assert not answer["restart"]
    assert (outcome.store.wifi_spare_name, outcome.store.wifi_spare_key) == ("new-net", "12345678")
    status, _, outcome = patch({"network": {"spare_name": ""}})
    assert (status, outcome.store.wifi_spare_key) == (200, "")


REFUSED = {
    "unknown part": {"lamp": {}},
    "unknown member": {"network": {"band": 5}},
    "unknown member removed": {"network": {"band": None}},
    "unit": {"unit": {"mac": "00-00-5E-00-53-99"}},
    "member removed": {"network": {"name": None}},
    "part removed": {"network": None},
    "part of wrong type": {"network": "new-net"},
    "text instead of number": {"broker": {"port": "1883"}},
    "truth instead of number": {"broker": {"port": True}},
    "broken number": {"broker": {"port": 1883.5}},
    "no port": {"broker": {"port": 0}},
    "number instead of truth": {"broker": {"secure": 1}},
    "text instead of truth": {"output": {"on": "true"}},
    "number instead of text": {"groups": {"word": 7}},
    "list instead of text": {"network": {"name": ["new-net"]}},
    "name of no octets": {"network": {"name": ""}},
    "name of 33 octets": {"network": {"name": "n" * 33}},
    "name of 17 characters, 34 octets": {
        "network": {"name": "\N{LATIN SMALL LETTER E WITH ACUTE}" * 17}
    },
    "spare name of 33 octets": {"network": {"spare_name": "n" * 33}},
    "key of 7": {"network": {"key": "1234567"}},
    "no key": {"network": {"key": ""}},
    "64 characters, not hex": {"network": {"key": "g" * 64}},
    "65 hex digits": {"network": {"key": "a" * 65}},
    "key with a code over 126": {
        "network": {"key": "passphr\N{LATIN SMALL LETTER A WITH DIAERESIS}se"}
    },
    "key with a code under 32": {"network": {"key": "pass\tphrase"}},
    "bad spare key": {"network": {"spare_key": "short"}},
    "not an object": "[]",
    "not JSON": "{",
    "NaN is not JSON": '{"broker": {"port": NaN}}',
    "not UTF-8": b'{"groups": {"word": "\xff"}}',
    "half a surrogate pair": '{"groups": {"word": "\\ud800"}}',
    "one wrong member among good ones": {"groups": {"word": "stairs"}, "output": {"on": 1}},
}


@pytest.mark.parametrize("body", REFUSED.values(), ids=REFUSED.keys())
def test_refusals_change_nothing(body: Any) -> None:
    status, answer, outcome = patch(body)
    assert status == 422
    assert answer["taken"] is False
    assert answer["why"]
    assert set(answer) == {"taken", "why"}
    assert outcome.store == STORE
    assert not outcome.restart
    assert not outcome.settings_taken


@pytest.mark.parametrize(
    "network",
    [
        {"name": "n"},
        {"name": "n" * 32},
        {"name": "\N{LATIN SMALL LETTER E WITH ACUTE}" * 16},
        {"key": "12345678"},
        {"key": "~" * 63},
        {"key": " " * 8},
        {"key": "0123456789abcdefABCDEF" + "0" * 42},
    ],
)
def test_the_limits_themselves_are_taken(network: dict[str, str]) -> None:
    assert patch({"network": network})[0] == 200


def test_1024_octets_are_taken_and_1025_are_not() -> None:
    body = b'{"output": {"on": false}}'
    status, _, outcome = patch(body + b" " * (1024 - len(body)))
    assert (status, outcome.store.output) == (200, False)
    status, answer, outcome = patch(body + b" " * (1025 - len(body)))
    assert status == 413
    assert answer == {"taken": False, "why": "over 1024 octets"}
    assert outcome.store == STORE


def test_content_type() -> None:
    assert patch({}, headers={"content-type": "application/json"})[0] == 415
    assert patch({}, headers={})[0] == 415
    charset = {"content-type": "Application/Merge-Patch+JSON; charset=utf-8"}
    assert patch({}, headers=charset)[0] == 200


def test_other_paths_and_methods() -> None:
    for request, status in [
        (http_get("/"), 404),
        (HttpRequest("POST", "/unit/document"), 405),
    ]:
        reaction = LARCH.http(request, STORE, FACTS)
        assert reaction.http is not None
        assert reaction.http.status == status


def test_basic_authentication_when_a_password_is_set() -> None:
    locked = Larch("hall", "door word")
    assert patch({}, locked)[0] == 401
    good = "Basic " + base64.b64encode(b"owner:door word").decode()
    assert patch({}, locked, MERGE_PATCH | {"authorization": good})[0] == 200
    bad = "Basic " + base64.b64encode(b"owner:window").decode()
    assert patch({}, locked, MERGE_PATCH | {"authorization": bad})[0] == 401
    reaction = locked.http(http_get("/unit/document"), STORE, FACTS)
    assert reaction.http is not None
    assert reaction.http.status == 401
    assert reaction.http.headers["WWW-Authenticate"].startswith("Basic ")


def test_topics() -> None:
    assert LARCH.topics(STORE) == {"larch/hall/patch", "larch/hall/show", "larch/house/patch"}
    assert LARCH.presence_topic == "larch/hall/presence"
    assert (LARCH.presence_word, LARCH.absence_word) == ("present", "absent")


def test_over_mqtt_it_answers_like_over_http() -> None:
    reaction = LARCH.mqtt("larch/hall/patch", b'{"groups": {"word": "stairs"}}', STORE, FACTS)
    (reply,) = reaction.replies
    assert reply.topic == "larch/hall/patched"
    assert json.loads(reply.payload) == {"taken": True, "restart": False}
    assert reaction.outcome.store.group == "stairs"
    (reply,) = LARCH.mqtt("larch/hall/patch", b" " * 1025, STORE, FACTS).replies
    assert json.loads(reply.payload) == {"taken": False, "why": "over 1024 octets"}
    (reply,) = LARCH.mqtt("larch/hall/show", b"", STORE, FACTS).replies
    assert reply.topic == "larch/hall/document"
    http = LARCH.http(http_get("/unit/document"), STORE, FACTS).http
    assert http is not None
    assert reply.payload == http.body


def test_a_group_message_acts_without_an_answer() -> None:
    reaction = LARCH.mqtt("larch/house/patch", b'{"output": {"on": false}}', STORE, FACTS)
    assert reaction.outcome.store.output is False
    assert reaction.replies == ()


def test_declining_uses_the_familys_words() -> None:
    status, answer, outcome = patch({"output": {"on": False}}, declines="busy")
    assert (status, answer) == (422, {"taken": False, "why": "busy"})
    assert outcome.declined
    assert outcome.store == STORE
