"""The frozen plan: what runs is what was reviewed (invariant 11), and holds no secret."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator
from functools import cache
from typing import Any

import pytest
from hypothesis import given, settings

from migrate.model.fleet import Device, Reach
from migrate.model.problems import BadFile, Changed, Exit
from migrate.model.secrets import SecretRef
from migrate.model.settings import Setting
from migrate.planning.plan import (
    Plan,
    Sources,
    check_digest,
    check_sources,
    digest_of,
    freeze,
    plan_from_json,
)
from tests.planning.samples import CANARIES, WHOLE, device, fleets, plan_of, sources

WHERE = "change.plan.json"


@cache
def sample() -> Plan:
    """Every field of every kind is set in it."""
    fleet = [
        device("desk", 1, firmware="3.1", place="study", cover="pair", load="a heater"),
        device("sill", 2, dialect="sedge", via="mqtt", reach=Reach.LADDER, cover="pair"),
        device("plug", 3, dialect="rowan", feeds=("access-point", "desk")),
    ]
    playbook = WHOLE.replace('secret = { env = "OLD_WIFI" }', "").replace('"attic", ', '"attic"')
    playbook = playbook.replace("[old]", '[old]\nno_way_back = ["desk", "sill", "plug"]')
    return plan_of(fleet, playbook + "[gate]\non_fault = 'roll-back-wave'\n")


def leaves(value: Any, path: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    if isinstance(value, dict):
        for key, inner in value.items():
            yield from leaves(inner, (*path, key))
    elif isinstance(value, list):
        for number, inner in enumerate(value):
            yield from leaves(inner, (*path, number))
    else:
        yield path


def altered(text: str, path: tuple[Any, ...], change: Any) -> str:
    data = json.loads(text)
    here = data
    for part in path[:-1]:
        here = here[part]
    here[path[-1]] = change(here[path[-1]])
    return json.dumps(data)


def other(value: Any) -> Any:
    if isinstance(value, bool):
        return not value
    if isinstance(value, int | float):
        return value + 1
    return f"{value}x"


def test_every_single_value_is_covered_by_the_digest() -> None:
    text = sample().to_json()
    paths = [path for path in leaves(json.loads(text)) if path != ("digest",)]
    assert len(paths) > 80
    for path in paths:
        body = json.loads(altered(text, path, other))
        assert digest_of(body) != sample().digest, path
        # Read as a file it is refused: as edited, or where the value can no longer be one.
        with pytest.raises((Changed, BadFile)):
            plan_from_json(json.dumps(body), WHERE)


def test_every_field_left_out_or_added_is_noticed() -> None:
    text = sample().to_json()
    data = json.loads(text)
    places: list[tuple[tuple[Any, ...], str]] = [((), key) for key in data]
    places += [(("devices", n), key) for n, one in enumerate(data["devices"]) for key in one]
    places += [
        (("sources", "fleet"), "path"),
        (("waves", 0), "exposure"),
        (("pace",), "confidence"),
    ]
    for path, key in places:
        body = json.loads(text)
        here = body
        for part in path:
            here = here[part]
        del here[key]
        try:
            again = plan_from_json(json.dumps(body), WHERE)
        except (Changed, BadFile):
            pass
        else:
            assert again == sample(), "left out, a field may only mean what it said"
        here["unknown"] = 1
        with pytest.raises(BadFile):
            plan_from_json(json.dumps(body), WHERE)


@pytest.mark.parametrize(
    ("path", "value"),
    [
        (("kinds", 0, "bundle", "wifi.ssid"), "trap"),
        (("kinds", 0, "bundle", "wifi.secret", "env"), "OTHER"),
        (("devices", 1, "mac"), "00-00-5E-00-53-77"),
        (("pace", "stranded_at_most"), 100),
        (("waves", 0, "exposure"), 0.5),
        (("on_fault",), "hold"),
        (("created",), "1999-01-01T00:00:00+00:00"),
    ],
)
def test_an_edited_plan_is_refused_in_words(path: tuple[Any, ...], value: Any) -> None:
    text = altered(sample().to_json(), path, lambda _: value)
    with pytest.raises(Changed) as trouble:
        plan_from_json(text, WHERE)
    (problem,) = trouble.value.problems
    assert trouble.value.exit is Exit.CHANGED
    assert problem.what == "the plan was edited after it was frozen"
    assert problem.where == WHERE
    assert problem.remedy == "make it anew: migrate plan"


@pytest.mark.parametrize(
    "text",
    [
        "",
        "{",
        "[]",
        "null",
        "7",
        '"plan"',
        "{}",
        '{"format": 2}',
        "[" * 100_000,
        '{"devices": [' + "[" * 500 + "]" * 500 + "]}",
        "<html>",
    ],
)
def test_what_is_no_plan_at_all(text: str) -> None:
    with pytest.raises(BadFile) as trouble:
        plan_from_json(text, WHERE)
    assert trouble.value.problems[0].what == "is not a plan that migrate wrote"


@pytest.mark.parametrize("path", list(leaves(json.loads(sample().to_json())))[::3])
@pytest.mark.parametrize("value", [None, [], {}, {"env": 3}, -1, "\ud800", "\0"])
def test_wrong_types_anywhere_are_words_and_never_a_traceback(
    path: tuple[Any, ...], value: Any
) -> None:
    with pytest.raises((Changed, BadFile)):
        plan_from_json(altered(sample().to_json(), path, lambda _: value), WHERE)


@settings(max_examples=30, deadline=None)
@given(fleets(most=12))
def test_a_plan_survives_its_file_whole(fleet: tuple[Device, ...]) -> None:
    plan = plan_of(fleet)
    again = plan_from_json(plan.to_json(), WHERE)
    assert again == plan
    assert again.to_json() == plan.to_json()
    assert plan_from_json(json.dumps(json.loads(plan.to_json()), indent=7), WHERE) == plan


def test_values_keep_their_kind_on_the_way() -> None:
    again = plan_from_json(sample().to_json(), WHERE)
    given_ = again.devices[0].bundle
    assert given_[Setting.BROKER_TLS] is False
    assert given_[Setting.BROKER_PORT] == 1883
    assert given_[Setting.WIFI_SECRET] == SecretRef(env="NEW_WIFI")
    assert again.devices[1].reach is Reach.LADDER
    assert again.devices[0].lost == (Setting.WIFI_SECRET,)


def test_the_order_of_keys_changes_neither_digest_nor_message() -> None:
    def backwards(value: Any) -> Any:
        if isinstance(value, dict):
            return {key: backwards(value[key]) for key in reversed(value)}
        return [backwards(inner) for inner in value] if isinstance(value, list) else value

    data = json.loads(sample().to_json())
    assert digest_of(backwards(data)) == digest_of(data) == sample().digest
    again = plan_from_json(json.dumps(backwards(data)), WHERE)
    # A message is composed in the order of its bundle.
    for was, now in zip(sample().devices, again.devices, strict=True):
        assert list(now.bundle) == list(was.bundle)
        assert list(now.way_back) == list(was.way_back)


def test_the_digest_by_other_means() -> None:
    # SHA-256 over sorted keys, no blanks, ASCII; spelled out with the standard library alone.
    data = json.loads(sample().to_json())
    del data["digest"]
    text = json.dumps(data, sort_keys=True, separators=(",", ":"))
    assert hashlib.sha256(text.encode("ascii")).hexdigest() == sample().digest
    check_digest(sample(), WHERE)


def test_an_owners_unusual_characters_survive() -> None:
    plan = plan_of([device("Lämpchen 🌙", 1, topic="t", place='the "long" \\ attic')])
    assert plan_from_json(plan.to_json(), WHERE) == plan


def test_no_secret_in_the_file_or_in_anything_printed() -> None:
    plan = plan_of([device("a", 1), device("b", 2, dialect="sedge")])
    for text in (plan.to_json(), repr(plan), str(plan)):
        for secret in CANARIES.values():
            assert secret not in text
            assert secret.encode().hex() not in text
    assert "NEW_WIFI" in plan.to_json()


@pytest.mark.parametrize("waves", [(("desk",),), (("desk", "sill", "plug", "desk"),), (("x",),)])
def test_a_plan_has_each_device_in_one_wave(waves: tuple[tuple[str, ...], ...]) -> None:
    data = json.loads(sample().to_json())
    data["waves"] = [{"devices": list(names), "exposure": 1.0} for names in waves]
    data["digest"] = digest_of(data)
    with pytest.raises(BadFile):
        plan_from_json(json.dumps(data), WHERE)


def test_devices_and_waves_by_name() -> None:
    plan = sample()
    assert plan.device("sill").dialect == "sedge"
    assert [plan.wave_of(name) for wave in plan.waves for name in wave.devices] == [0, 1, 2]
    assert plan.device("desk").twin == ("larch", "3.1")
    with pytest.raises(KeyError):
        plan.device("nobody")
    with pytest.raises(KeyError):
        plan.wave_of("nobody")


def test_what_takes_a_device_off_the_network() -> None:
    assert plan_of([device()]).devices[0].restarts
    group = plan_of([device()], "[group]\ntopic = 'house'\n")
    assert not group.devices[0].restarts


# Sources: files that changed since.


def changed_sources(part: str) -> Sources:
    data = sources().model_dump()
    place = data["dialects"] if part in data["dialects"] else data
    place[part]["sha256"] = hashlib.sha256(b"something else").hexdigest()
    return Sources.model_validate(data)


def test_unchanged_sources_pass() -> None:
    check_sources(sample(), sources(), "migrate 0", WHERE)


@pytest.mark.parametrize("part", ["fleet", "playbook", "larch", "rowan", "sedge"])
def test_each_changed_file_is_named(part: str) -> None:
    with pytest.raises(Changed) as trouble:
        check_sources(sample(), changed_sources(part), "migrate 0", WHERE)
    (problem,) = trouble.value.problems
    assert problem.what == f"{part}.toml was changed since the plan was frozen"
    assert problem.where == WHERE


def test_all_changes_are_named_at_once() -> None:
    found = changed_sources("fleet")
    missing = Sources(fleet=found.fleet, playbook=found.playbook, dialects={})
    with pytest.raises(Changed) as trouble:
        check_sources(sample(), missing, "migrate 1", WHERE)
    assert [
        problem.what.removesuffix(" since the plan was frozen")
        for problem in trouble.value.problems
    ] == [
        "migrate itself was migrate 0 and is migrate 1",
        "fleet.toml was changed",
        "larch.toml was changed",
        "rowan.toml was changed",
        "sedge.toml was changed",
    ]


def test_a_file_that_only_moved_is_the_same_file() -> None:
    data = sources().model_dump()
    data["fleet"]["path"] = "elsewhere/fleet.toml"
    check_sources(sample(), Sources.model_validate(data), "migrate 0", WHERE)


def test_freezing_is_deterministic() -> None:
    fields = {name: getattr(sample(), name) for name in Plan.model_fields}
    again = freeze(**{k: v for k, v in fields.items() if k not in ("digest", "format")})
    assert again == sample()
