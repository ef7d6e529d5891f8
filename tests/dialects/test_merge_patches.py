"""RFC 7396: what is composed, applied by an independent library, changes just the settings."""

from __future__ import annotations

import copy
import json
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from json_merge_patch import merge

from migrate.dialects.compose import write_message
from migrate.model.secrets import Secret
from migrate.model.settings import Setting, Value
from tests.dialects.samples import shipped

# RFC 7396 appendix A: original, patch, result. First the reference itself is held against it.
APPENDIX: list[tuple[Any, Any, Any]] = [
    ({"a": "b"}, {"a": "c"}, {"a": "c"}),
    ({"a": "b"}, {"b": "c"}, {"a": "b", "b": "c"}),
    ({"a": "b"}, {"a": None}, {}),
    ({"a": "b", "b": "c"}, {"a": None}, {"b": "c"}),
    ({"a": ["b"]}, {"a": "c"}, {"a": "c"}),
    ({"a": "c"}, {"a": ["b"]}, {"a": ["b"]}),
    ({"a": {"b": "c"}}, {"a": {"b": "d", "c": None}}, {"a": {"b": "d"}}),
    ({"a": [{"b": "c"}]}, {"a": [1]}, {"a": [1]}),
    (["a", "b"], ["c", "d"], ["c", "d"]),
    ({"a": "b"}, ["c"], ["c"]),
    ({"a": "foo"}, None, None),
    ({"a": "foo"}, "bar", "bar"),
    ({"e": None}, {"a": 1}, {"e": None, "a": 1}),
    ([1, 2], {"a": "b", "c": None}, {"a": "b"}),
    ({}, {"a": {"bb": {"ccc": None}}}, {"a": {"bb": {}}}),
]


@pytest.mark.parametrize(("original", "patch", "result"), APPENDIX)
def test_the_reference_against_appendix_a(original: Any, patch: Any, result: Any) -> None:
    assert merge(copy.deepcopy(original), patch) == result


TEXT = st.text(st.characters(exclude_categories=["Cs"]), max_size=40)
VALUES: dict[Setting, st.SearchStrategy[Value]] = {
    Setting.WIFI_SSID: TEXT,
    Setting.WIFI_SECRET: TEXT.map(Secret),
    Setting.SPARE_SSID: TEXT,
    Setting.SPARE_SECRET: TEXT.map(Secret),
    Setting.BROKER_HOST: TEXT,
    Setting.BROKER_PORT: st.integers(1, 65535),
    Setting.BROKER_TLS: st.booleans(),
    Setting.BROKER_USERNAME: TEXT,
    Setting.BROKER_PASSWORD: TEXT.map(Secret),
    Setting.GROUP_TOPIC: TEXT,
}
# docs/manuals/larch.md: where each of them stands in the settings document.
PLACES = {
    Setting.WIFI_SSID: ("network", "name"),
    Setting.WIFI_SECRET: ("network", "key"),
    Setting.SPARE_SSID: ("network", "spare_name"),
    Setting.SPARE_SECRET: ("network", "spare_key"),
    Setting.BROKER_HOST: ("broker", "host"),
    Setting.BROKER_PORT: ("broker", "port"),
    Setting.BROKER_TLS: ("broker", "secure"),
    Setting.BROKER_USERNAME: ("broker", "user"),
    Setting.BROKER_PASSWORD: ("broker", "pass"),
    Setting.GROUP_TOPIC: ("groups", "word"),
}
BEFORE: dict[str, Any] = {
    "unit": {"mac": "00-00-5E-00-53-01", "firmware": "3.1.0"},
    "network": {"name": "old-net", "key": "old-key", "spare_name": "", "other": [1, None]},
    "broker": {"host": "192.0.2.2", "port": 1883, "secure": False, "user": ""},
    "groups": {"word": "house"},
    "output": {"on": True},
}


@given(st.fixed_dictionaries({}, optional=VALUES))
def test_just_the_settings_change(bundle: dict[Setting, Value]) -> None:
    expected: dict[str, Any] = copy.deepcopy(BEFORE)
    for setting, value in bundle.items():
        part, member = PLACES[setting]
        expected[part][member] = value.reveal() if isinstance(value, Secret) else value
    patch = json.loads(write_message(shipped("larch"), bundle))
    assert merge(copy.deepcopy(BEFORE), patch) == expected


@given(st.fixed_dictionaries({}, optional=VALUES))
def test_sent_twice_it_changes_no_more(bundle: dict[Setting, Value]) -> None:
    patch = json.loads(write_message(shipped("larch"), bundle))
    once = merge(copy.deepcopy(BEFORE), patch)
    assert merge(copy.deepcopy(once), patch) == once
