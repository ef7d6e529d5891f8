"""Thing Descriptions become dialects, or are refused in words.

Sources: W3C Recommendation "Web of Things (WoT) Thing Description 1.1" (5 December 2023): its first
example (a lamp, from memory), the default values of section 5.4 and of the HTTP binding in section
8.3.1; RFC 3986 section 5.4.1 for how an href is resolved against a base.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from migrate.dialects.schema import Dialect
from migrate.dialects.things.description import parse_thing
from migrate.dialects.things.match import VOCABULARY, ByHand, match, term
from migrate.dialects.things.render import render
from migrate.model.parsing import parse_toml
from migrate.model.problems import BadFile, Refused
from migrate.model.settings import Setting

LAMP = {
    "@context": "https://www.w3.org/2022/wot/td/v1.1",
    "id": "urn:uuid:0804d572-cce8-422a-bb7c-4412fcd56f06",
    "title": "MyLampThing",
    "securityDefinitions": {"basic_sc": {"scheme": "basic", "in": "header"}},
    "security": "basic_sc",
    "properties": {
        "status": {"type": "string", "forms": [{"href": "https://mylamp.example.com/status"}]}
    },
    "actions": {"toggle": {"forms": [{"href": "https://mylamp.example.com/toggle"}]}},
    "events": {
        "overheating": {
            "data": {"type": "string"},
            "forms": [{"href": "https://mylamp.example.com/oh", "subprotocol": "longpoll"}],
        }
    },
}


def thing(**more: Any) -> dict[str, Any]:
    """A thing with all that a dialect needs, annotated."""
    words = {
        name: {"type": "string", "@type": f"net:{kind}"}
        for name, kind in (("ssid", "WifiSsid"), ("key", "WifiSecret"), ("host", "BrokerHost"))
    }
    words |= {"word": {"type": "string", "@type": "net:BrokerPassword"}}
    state = {
        "mac": {"@type": "net:Mac"},
        "fw": {"@type": ["net:Firmware", "x:Version"]},
        "link": {"type": "object", "properties": {"ssid": {"@type": term("wifi.ssid")}}},
    }
    return {
        "@context": ["https://www.w3.org/2022/wot/td/v1.1", {"net": VOCABULARY}],
        "title": "Hall Lamp",
        "base": "http://192.0.2.11:8080/things/lamp-1/",
        "securityDefinitions": {"none": {"scheme": "nosec"}},
        "security": "none",
        "properties": {
            "state": {
                "@type": "net:State",
                "type": "object",
                "properties": state,
                "forms": [{"href": "state"}],
            }
        },
        "actions": {
            "change": {
                "@type": "net:Settings",
                "input": {"type": "object", "properties": words},
                "forms": [{"href": "actions/change?force=yes"}],
            }
        },
        **more,
    }


def dialect_of(
    said: dict[str, Any], by_hand: ByHand | None = None, instance: str | None = None
) -> Dialect:
    described = parse_thing(json.dumps(said), "lamp.td.json")
    matched = match(described, by_hand or ByHand(), "lamp.td.json")
    text = render(described, matched, "hall-lamp", instance, "lamp.td.json")
    return parse_toml(text, Dialect, "hall-lamp.toml", Path())


def refusals(said: dict[str, Any], by_hand: ByHand | None = None) -> str:
    with pytest.raises((Refused, BadFile)) as refused:
        dialect_of(said, by_hand)
    return "; ".join(f"{one.what} ({one.remedy})" for one in refused.value.problems)


def test_everything_is_found_by_annotations() -> None:
    made = dialect_of(thing(), instance="lamp-1")
    assert made.http.port == 8080
    assert made.http.auth == "none"
    assert made.write.http
    assert made.write.http.method == "POST"
    assert made.write.http.path == "/things/{topic}/actions/change"
    assert made.write.http.query == {"force": "yes"}
    assert made.read.http
    assert (made.read.http.method, made.read.http.path) == ("GET", "/things/{topic}/state")
    assert made.readings.mac.pointer == "/mac"
    assert made.readings.firmware
    assert made.readings.firmware.pointer == "/fw"
    assert made.settings[Setting.WIFI_SSID].name == "/ssid"
    read = made.settings[Setting.WIFI_SSID].read
    assert read
    assert read.pointer == "/link/ssid"
    assert made.settings[Setting.WIFI_SECRET].read is None
    assert made.write.restarts_on == ("wifi", "broker", "addressing")


def test_the_first_example_of_the_recommendation() -> None:
    """Default operations of its forms, and why it is no device that could be moved."""
    lamp = parse_thing(json.dumps(LAMP), "lamp.td.json")
    status, toggle = lamp.by_name("properties", "status"), lamp.by_name("actions", "toggle")
    assert status
    assert toggle
    assert status.form("readproperty", "https")
    assert status.form("writeproperty", "https")
    assert toggle.form("invokeaction", "https")
    assert toggle.form("readproperty", "https") is None
    assert "nothing is annotated" in refusals(LAMP)


def test_a_mapping_in_place_of_annotations() -> None:
    said = thing()
    del said["properties"]["state"]["@type"]
    said["actions"]["change"] = {
        "input": {"type": "object"},
        "forms": [{"href": "change", "htv:methodName": "PUT"}],
    }
    text = """
write = { action = "change" }
read = { property = "state" }
taken = "/ok"
restarts_on = ["wifi"]
[readings]
mac = "/hw"
[settings]
"wifi.ssid" = { write = "/a~1b", read = "/n" }
"wifi.secret" = { write = "/c" }
"""
    made = dialect_of(said, parse_toml(text, ByHand, "lamp.map.toml", Path()))
    assert made.write.http
    assert made.write.http.method == "PUT"
    assert made.write.taken
    assert (made.write.taken.pointer, made.write.taken.equals) == ("/ok", True)
    assert made.settings[Setting.WIFI_SSID].name == "/a~1b"
    assert made.readings.mac.pointer == "/hw"
    assert made.write.restarts_on == ("wifi",)


def test_all_properties_at_once() -> None:
    said = thing(
        properties={
            "hw/addr": {"@type": "net:Mac", "forms": [{"href": "mac"}]},
            "ssid": {"@type": "net:WifiSsid", "readOnly": True, "forms": [{"href": "ssid"}]},
        },
        forms=[{"href": "all", "op": ["readallproperties"]}],
    )
    made = dialect_of(said)
    assert made.read.http
    assert made.read.http.path == "/things/lamp-1/all"
    assert made.readings.mac.pointer == "/hw~1addr"


def test_over_mqtt_by_an_event_and_an_observed_property() -> None:
    said = thing()
    broker = "mqtt://192.0.2.2:1883"
    state = {"href": f"{broker}/lamp-1/properties/state", "op": ["observeproperty"]}
    said["properties"]["state"]["forms"] = [state]
    change = said["actions"]["change"]
    change["forms"] = [{"href": f"{broker}/lamp-1/actions/change"}]
    change["output"] = {"type": "object", "properties": {"ok": {"@type": "net:Taken"}}}
    said["actions"]["tell"] = {
        "@type": "net:Tell",
        "forms": [{"href": broker, "mqv:topic": "lamp-1/actions/tell"}],
    }
    said["events"] = {
        "done": {"@type": "net:Answer", "forms": [{"href": f"{broker}/lamp-1/events/done"}]}
    }
    made = dialect_of(said, instance="lamp-1")
    assert made.transports == ("mqtt",)
    assert made.write.mqtt
    assert made.write.mqtt.topic == "{topic}/actions/change"
    assert made.write.mqtt.reply == "{topic}/events/done"
    assert made.read.mqtt
    assert made.read.mqtt.topic == "{topic}/actions/tell"
    assert made.read.mqtt.reply == "{topic}/properties/state"


@pytest.mark.parametrize(
    ("scheme", "auth"),
    [("nosec", "none"), ("basic", "basic"), ("digest", "digest"), ("bearer", "bearer")],
)
def test_logins(scheme: str, auth: str) -> None:
    said = thing(securityDefinitions={"one": {"scheme": scheme}}, security=["one"])
    assert dialect_of(said).http.auth == auth


def _without_mac(said: dict[str, Any]) -> None:
    del said["properties"]["state"]["properties"]["mac"]


def _without_key(said: dict[str, Any]) -> None:
    del said["actions"]["change"]["input"]["properties"]["key"]


def _one_by_one(said: dict[str, Any]) -> None:
    del said["actions"]
    for name, kind in (("ssid", "WifiSsid"), ("key", "WifiSecret")):
        said["properties"][name] = {"@type": f"net:{kind}", "forms": [{"href": name}]}


def _by_token(said: dict[str, Any]) -> None:
    said["securityDefinitions"] = {"none": {"scheme": "oauth2"}}


def _in_query(said: dict[str, Any]) -> None:
    said["securityDefinitions"] = {"none": {"scheme": "basic", "in": "query"}}


def _with_tls(said: dict[str, Any]) -> None:
    said["base"] = "https://192.0.2.11/"


def _in_cbor(said: dict[str, Any]) -> None:
    said["actions"]["change"]["forms"][0]["contentType"] = "application/cbor"


def _with_variables(said: dict[str, Any]) -> None:
    said["actions"]["change"]["forms"] = [{"href": "change{?a}"}]


@pytest.mark.parametrize("port", ["99999", "a", "-1", "0"])
def test_a_port_that_is_none(port: str) -> None:
    """RFC 9293: a port has sixteen bits."""
    said = thing(base=f"http://192.0.2.11:{port}/")
    assert "neither be had over plain HTTP" in refusals(said)


@pytest.mark.parametrize(
    ("spoil", "words"),
    [
        (_without_mac, "tells its MAC nowhere"),
        (_without_key, "takes wifi.ssid and not wifi.secret in the same message"),
        (_one_by_one, "one by one"),
        (_by_token, "asks for a login by oauth2"),
        (_in_query, "wants its login in its query"),
        (_with_tls, "neither be had over plain HTTP"),
        (_in_cbor, "neither be had over plain HTTP"),
        (_with_variables, "neither be had over plain HTTP"),
    ],
)
def test_what_is_no_device_that_could_be_moved(spoil: Any, words: str) -> None:
    said = thing()
    spoil(said)
    assert words in refusals(said)


@pytest.mark.parametrize(
    "text", ["", "[]", "{}", "5", '{"title": 1, "@context": "x"}', "[" * 100_000]
)
def test_what_is_no_description(text: str) -> None:
    with pytest.raises(BadFile):
        parse_thing(text, "lamp.td.json")


JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.text(max_size=8),
    lambda inner: (
        st.lists(inner, max_size=3)
        | st.dictionaries(
            st.sampled_from(
                ["@type", "properties", "forms", "href", "op", "input", "state", "base"]
            ),
            inner,
            max_size=4,
        )
    ),
    max_leaves=12,
)


@given(
    st.sampled_from(["properties", "actions", "events", "forms", "security", "base", "title",
                     "securityDefinitions", "@context"]),
    JSON,
)  # fmt: skip
def test_whatever_stands_in_it(key: str, value: Any) -> None:
    said = {**thing(), key: value}
    try:
        assert isinstance(dialect_of(said), Dialect)
    except (BadFile, Refused) as refused:
        assert all(one.what and one.remedy for one in refused.problems)  # noqa: PT017
