"""Outputs in dialects: how they are read, and set by a message that holds nothing else."""

from __future__ import annotations

import json
import math
from typing import Any

import json_merge_patch
import pytest
from hypothesis import given
from hypothesis import strategies as st

from migrate.dialects.carrying import output_faults
from migrate.dialects.compose import outputs_message, write_outputs
from migrate.dialects.messages import HttpRequest, MqttRequest, Switched
from migrate.dialects.schema import Dialect
from migrate.dialects.understand import readings
from migrate.model.fleet import Transport
from tests.dialects.samples import DIALECTS, MAC, NAMES, TRANSPORTS, Change, device, reply, shipped
from tests.dialects.test_schema_refusals import drop, problems_of, put

STRIP = {
    "left": {"read": {"pointer": "/plugs/0/on"}, "write": "/plugs/left"},
    "right": {"read": {"pointer": "/plugs/1/on"}, "write": "/plugs/right"},
    "fan": {"read": {"pointer": "/fan"}, "write": "/fan", "holds": "level"},
    "lamp": {"read": {"pointer": "/lamp"}},
}
"""A plug strip that nobody makes: two switches, a level, and one that cannot be set."""
WORDED = {"read": {"pointer": "/left"}, "write": "/left", "words": {"true": "up", "false": "down"}}


def outputs(table: dict[str, Any]) -> Change:
    return put("outputs", table)


def strip(name: str = "larch") -> Dialect:
    return shipped(name, outputs(STRIP))


def told(dialect: Dialect, **members: Any) -> dict[str, Switched]:
    body = {"unit": {"mac": MAC}, **members}
    return dict(readings(dialect, reply(body), None).outputs)


# Reading


def test_a_strip_is_read_output_by_output() -> None:
    plugs = [{"on": True}, {"on": False}]
    found = told(strip(), plugs=plugs, fan=40, lamp=True)
    assert found == {"left": True, "right": False, "fan": 40, "lamp": True}


@pytest.mark.parametrize("said", [None, 1, 0, "on", "true", [], {}, "", 1.0])
def test_a_switch_is_yes_or_no_and_nothing_else(said: Any) -> None:
    assert told(strip(), lamp=said) == {}


@pytest.mark.parametrize("said", [None, True, "much", [], "nan", "inf", 1e300])
def test_a_level_is_a_number(said: Any) -> None:
    assert told(strip(), fan=said) == {}


@pytest.mark.parametrize("said", [0, 40, 40.5, "40"])
def test_levels(said: Any) -> None:
    assert told(strip(), fan=said) == {"fan": float(said)}


@pytest.mark.parametrize(
    ("said", "state"),
    [("up", True), ("down", False), (True, True), ("Up", None), ("on", None), (1, None)],
)
def test_a_family_has_its_own_words(said: Any, state: bool | None) -> None:
    found = told(shipped("larch", outputs({"left": WORDED})), left=said)
    assert found == ({} if state is None else {"left": state})


# Setting

# What the manuals say of a message (docs/manuals): a merge patch, a call, a statement.
MANUALS = {
    "larch": '{"output":{"on":true}}',
    "rowan": '{"jsonrpc":"2.0","id":7,"method":"settings.merge","params":{"output":true}}',
    "sedge": "output=on",
}


@pytest.mark.parametrize("name", NAMES)
def test_the_message_is_the_manuals(name: str) -> None:
    assert outputs_message(DIALECTS[name], {"relay": True}, 7) == MANUALS[name]


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("via", TRANSPORTS)
def test_it_goes_where_settings_go(name: str, via: Transport) -> None:
    unit = device(dialect=name, via=via)
    request = write_outputs(DIALECTS[name], unit, via, {"relay": True}, 7)
    place = DIALECTS[name].write
    if isinstance(request, MqttRequest):
        assert place.mqtt is not None
        assert request.topic == place.mqtt.topic.replace("{topic}", "t1")
        assert request.payload == MANUALS[name].encode()
    else:
        assert isinstance(request, HttpRequest)
        assert place.http is not None
        assert request.method == place.http.method
        assert name == "sedge" or request.body == MANUALS[name].encode()
        # RFC 3986, section 2.1: the equals sign, encoded.
        assert name != "sedge" or request.target == "/do?say=output%3Don"
    assert output_faults(DIALECTS[name], unit, via, {"relay": True}) == []


def test_several_go_in_one_patch_and_touch_nothing_else() -> None:
    states = {"left": True, "right": False, "fan": 40.0}
    patch = json.loads(outputs_message(strip(), states))
    assert patch == {"plugs": {"left": True, "right": False}, "fan": 40}
    before = {"plugs": {"left": False, "right": True, "third": True}, "fan": 0, "name": "x"}
    # By a library's reading of RFC 7396, not ours.
    after = json_merge_patch.merge(before, patch)
    assert after == {"plugs": {"left": True, "right": False, "third": True}, "fan": 40, "name": "x"}


def test_one_that_cannot_be_set_is_not_composed() -> None:
    with pytest.raises(ValueError, match="cannot set its output lamp"):
        outputs_message(strip(), {"lamp": True})


@given(
    st.dictionaries(st.sampled_from(["left", "right"]), st.booleans(), min_size=1),
    st.floats(0, 1e6),
)
def test_what_is_set_is_what_is_told(states: dict[str, bool], level: float) -> None:
    table = {
        name: {"read": {"pointer": f"/{name}"}, "write": f"/{name}"} for name in ("left", "right")
    }
    fan = {"read": {"pointer": "/fan"}, "write": "/fan", "holds": "level"}
    dialect = shipped("larch", outputs({**table, "fan": fan}))
    wanted: dict[str, Switched] = {**states, "fan": level}
    document = json.loads(outputs_message(dialect, wanted))
    assert told(dialect, **document) == wanted
    assert math.isfinite(document["fan"])


# What does not fit, told before anything is sent


def test_a_message_that_is_too_long_is_told() -> None:
    def small(data: dict[str, Any]) -> None:
        data["carries"]["message_octets"] = 16

    faults = output_faults(shipped("larch", small), device(), "http", {"relay": True})
    assert faults == ["the message is 22 octets long; one message of larch holds 16"]


def test_a_word_that_holds_the_separator_is_told() -> None:
    def change(data: dict[str, Any]) -> None:
        data["outputs"]["relay"]["words"] = {"true": "on;restart", "false": "off"}

    unit = device(dialect="sedge")
    faults = output_faults(shipped("sedge", change), unit, "http", {"relay": True})
    assert faults == ["output relay contains the separator ';' of sedge"]
    assert output_faults(shipped("sedge", change), unit, "http", {"relay": False}) == []


# What a dialect file may not say

READ = {"pattern": "^o: (?P<value>.*)$"}
REFUSED: list[tuple[str, Change, str]] = [
    ("sedge", put("outputs/relay/write", "out=put"), "holds the separator or assign sign"),
    ("sedge", put("outputs/relay/write", "mqtt.host"), "stands for two settings"),
    ("sedge", drop("outputs/relay/words"), "outputs.relay needs words for true (on)"),
    ("larch", put("outputs/relay/write", "output"), "must be a JSON Pointer"),
    ("larch", put("outputs/relay/write", "/network"), "lies inside '/network'"),
    ("larch", put("outputs/relay/write", "/network/name"), "stands for two settings"),
    ("larch", drop("outputs/relay/read"), "outputs.relay.read"),
    ("larch", put("outputs/relay/read", {}), "needs either pointer or pattern"),
    ("larch", put("outputs/relay/restart", True), "unknown key"),
    ("larch", put("outputs/relay/holds", "colour"), "outputs.relay.holds"),
    ("larch", put("outputs/Left plug", {"read": READ}), "Left plug"),
    ("larch", put("readings/output", {"pointer": "/output/on"}), "readings.output"),
]


@pytest.mark.parametrize(("name", "change", "words"), REFUSED, ids=[one[2] for one in REFUSED])
def test_refused(name: str, change: Change, words: str) -> None:
    said = "; ".join(f"{one.where} {one.key} {one.what}" for one in problems_of(name, change))
    assert words in said


def test_a_level_has_no_words() -> None:
    change = put("outputs/relay", {**WORDED, "holds": "level"})
    (problem,) = problems_of("larch", change)
    assert "a level is a number and has no words" in problem.what


def test_a_reading_alone_needs_no_words_or_name() -> None:
    dialect = shipped("sedge", put("outputs", {"relay": {"read": READ}}))
    assert dialect.outputs["relay"].write is None
