"""sedge against its manual, without sockets."""

from __future__ import annotations

from dataclasses import replace
from typing import Any
from urllib.parse import quote

import pytest

from migrate.lab.firmware.base import HttpRequest, Outcome
from migrate.lab.firmware.sedge import Sedge, say

from .helpers import FACTS, OLD_KEY, STORE, http_get

SEDGE = Sedge("hall")


def ask(message: str | bytes, **facts: Any) -> tuple[str, Outcome]:
    raw = message.encode() if isinstance(message, str) else message
    outcome = say(raw, STORE, replace(FACTS, **facts))
    assert outcome.answer is not None
    return outcome.answer.decode("ascii"), outcome


def test_the_report_is_the_manuals_and_shows_no_key() -> None:
    answer, outcome = ask("report")
    assert answer == (
        "unit.mac: 00-00-5E-00-53-01\n"
        "unit.firmware: 1.0.0\n"
        "unit.address: 192.0.2.11\n"
        "unit.uptime: 4711\n"
        "unit.signal: -58\n"
        "station.name: old-net\n"
        "mqtt.host: 192.0.2.2\n"
        "mqtt.port: 1883\n"
        "mqtt.secure: no\n"
        "mqtt.user: house\n"
        "mqtt.group: house\n"
        "output: on\n"
        "unit.label: \n"
        "unit.remark: \n"
        "pending: 0\n"
    )
    assert outcome.kind == "read"


def test_setting_only_stores() -> None:
    answer, outcome = ask(
        "station.name=new-net;station.key=new passphrase;mqtt.host=192.0.2.3;"
        "mqtt.port=8883;mqtt.secure=yes"
    )
    assert answer == "ok 5\n"
    assert not outcome.restart
    assert outcome.settings_taken
    assert outcome.store.wifi_name == "new-net"
    assert outcome.store.broker_secure is True
    assert outcome.store.broker_port == 8883
    shown = say(b"report", outcome.store, FACTS).answer or b""
    assert b"station.name: new-net\n" in shown
    assert b"pending: 5\n" in shown
    # The group word, like everything but the output, waits for the restart.
    changed = ask("mqtt.group=stairs;output=off")[1].store
    running = SEDGE.in_effect(STORE, changed)
    assert running.output is False
    assert running.group == "house"
    assert changed.group == "stairs"
    assert len(changed.pending) == 1


def test_restart_stands_alone() -> None:
    answer, outcome = ask("restart")
    assert answer == "ok\n"
    assert outcome.restart
    assert not outcome.settings_taken


def test_half_a_change_keeps_the_old_key() -> None:
    assert ask("station.name=new-net")[1].store.wifi_key == OLD_KEY


def test_blanks_and_equals_signs() -> None:
    _, outcome = ask("  station.key =  a=b c=d e \t; output= off ")
    assert outcome.store.wifi_key == "a=b c=d e"
    assert outcome.store.output is False


def test_the_last_of_two_equal_names_counts() -> None:
    answer, outcome = ask("mqtt.group=one;mqtt.group=two")
    assert answer == "ok 2\n"
    assert outcome.store.group == "two"


REFUSED = [
    "",
    ";",
    "output=on;",
    "station=new-net",
    "unit.mac=00-00-5E-00-53-99",
    "pending=0",
    "Station.Name=new-net",
    "station.name",
    "station.name=",
    "station.name=  ",
    "station.name=" + "n" * 33,
    "station.key=1234567",
    "station.key=  1234567  ",
    "station.key=" + "g" * 64,
    "station.key=" + "a" * 65,
    "mqtt.port=none",
    "mqtt.port=-1",
    "mqtt.port=0",
    "mqtt.port=65536",
    "mqtt.secure=true",
    "output=1",
    "report;restart",
    "output=on;restart",
    "report;output=on",
    "report now",
    "mqtt.group=\N{LATIN SMALL LETTER E WITH ACUTE}",
    b"mqtt.group=\xff",
    "mqtt.group=stairs;station.key=short",
]


@pytest.mark.parametrize("message", REFUSED)
def test_refusals_store_nothing(message: str | bytes) -> None:
    answer, outcome = ask(message)
    assert answer.startswith("no ")
    assert answer.endswith("\n")
    assert outcome.store == STORE
    assert not outcome.restart
    assert not outcome.settings_taken


@pytest.mark.parametrize(
    "message",
    [
        "station.name=" + "n" * 32,
        "station.key=12345678",
        "station.key=" + "~" * 63,
        "station.key=" + "0123456789abcdefABCDEF" + "0" * 42,
        "mqtt.host=",
        "mqtt.port=65535",
        " report ",
    ],
)
def test_the_limits_themselves_are_taken(message: str) -> None:
    assert not ask(message)[0].startswith("no")


def test_255_octets_are_taken_and_256_are_not() -> None:
    assert ask("output=off".ljust(255))[0] == "ok 1\n"
    answer, outcome = ask("output=off".ljust(256))
    assert answer.startswith("no ")
    assert outcome.store == STORE


def test_over_http_the_message_is_percent_encoded() -> None:
    """RFC 3986: a plus sign stands for itself; a blank is %20."""
    key = "a+b &c=d%e#f?g"
    target = "/do?say=" + quote(f"station.key={key}", safe="")
    reaction = SEDGE.http(http_get(target), STORE, FACTS)
    assert reaction.http is not None
    assert reaction.http.status == 200
    assert reaction.http.content_type == "text/plain"
    assert reaction.http.body == b"ok 1\n"
    assert reaction.outcome.store.wifi_key == key
    raw_plus = SEDGE.http(http_get("/do?say=station.key=with+plus+signs"), STORE, FACTS)
    assert raw_plus.outcome.store.wifi_key == "with+plus+signs"


def test_over_http_refusals_are_200_too() -> None:
    for target in ("/do?say=nonsense", "/do", "/do?say=" + "x" * 300, "/do?say=%ff"):
        reaction = SEDGE.http(http_get(target), STORE, FACTS)
        assert reaction.http is not None
        assert reaction.http.status == 200
        assert reaction.http.body.startswith(b"no ")
    for request, status in [(http_get("/"), 404), (HttpRequest("POST", "/do?say=report"), 405)]:
        reaction = SEDGE.http(request, STORE, FACTS)
        assert reaction.http is not None
        assert reaction.http.status == status


def test_over_mqtt() -> None:
    (reply,) = SEDGE.mqtt("sedge/hall/say", b"output=off", STORE, FACTS).replies
    assert (reply.topic, reply.payload) == ("sedge/hall/reply", b"ok 1\n")
    reaction = SEDGE.mqtt("sedge/house/say", b"output=off", STORE, FACTS)
    assert reaction.replies == ()
    assert reaction.outcome.store.output is False
    assert SEDGE.topics(STORE) == {"sedge/hall/say", "sedge/house/say"}
    assert SEDGE.presence_topic == "sedge/hall/presence"
    assert (SEDGE.presence_word, SEDGE.absence_word) == ("up", "down")


def test_declining_uses_the_familys_words() -> None:
    answer, outcome = ask("output=off", declines="busy")
    assert answer == "no busy\n"
    assert outcome.declined
    assert outcome.store == STORE


def test_a_stores_repr_shows_no_secret() -> None:
    words = repr(replace(STORE, wifi_spare_key="spare secret"))
    for secret in (OLD_KEY, "broker secret", "spare secret"):
        assert secret not in words
    assert "old-net" in words
