"""What travels: all of it there and back, nothing else, and no room for a setting or a secret."""

from __future__ import annotations

import json
import math
import types
from enum import Enum
from typing import Annotated, Any, Literal, Union, get_args, get_origin

import pytest
from annotated_types import Ge, Le, MaxLen
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pydantic import BaseModel
from pydantic.fields import FieldInfo

from migrate.model.fleet import Strict
from migrate.model.lifecycle import Direction, State
from migrate.model.problems import BadFile, Exit
from migrate.planning.campaign.errands import (
    MOST_LEGS,
    MOST_OCTETS,
    Answers,
    DeviceAccount,
    Order,
    SiteAccount,
    SiteLeg,
    SitePlan,
    SiteTwin,
    from_json,
    to_json,
)

KINDS: tuple[type[Strict], ...] = (Order, SitePlan, SiteAccount)
WHERE = "alder/c0ffee/move/1"
HOSTILE = "xylophone"
MANY = settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])

digests = st.text("0123456789abcdef", min_size=64, max_size=64)
names = st.text(
    st.characters(exclude_categories=("C", "Z")) | st.just(" "), min_size=1, max_size=100
).filter(lambda text: bool(text.strip()))
sites = st.from_regex(r"[a-z][a-z0-9-]{0,39}", fullmatch=True)
counts = st.integers(0, 1_000_000)


def some(of: st.SearchStrategy[Any], most: int = 3) -> st.SearchStrategy[tuple[Any, ...]]:
    return st.lists(of, max_size=most).map(tuple)


orders = st.builds(
    Order,
    kind=st.sampled_from(("plan", "move", "back")),
    site=sites,
    campaign=st.from_regex(r"[a-z0-9-]{0,100}", fullmatch=True),
    attempt=st.integers(1, 100_000),
    legs=some(digests, MOST_LEGS),
    answers=st.builds(
        Answers,
        again=some(names),
        write_off=some(names),
        flipped=st.booleans(),
        not_flipped=st.booleans(),
    ),
)
plans = st.builds(
    SitePlan,
    exit=st.sampled_from(Exit),
    tool=st.sampled_from(("1.2.0", "0.1.dev3+g1", "")),
    problems=counts,
    legs=some(
        st.builds(
            SiteLeg,
            digest=digests,
            devices=counts,
            waves=counts,
            after_flip=st.booleans(),
            together=st.booleans(),
        )
    ),
    twins=some(
        st.builds(
            SiteTwin, dialect=names, digest=digests, firmware=names | st.just(""), devices=counts
        )
    ),
)
accounts = st.integers(1, MOST_LEGS).flatmap(
    lambda of: st.builds(
        SiteAccount,
        exit=st.sampled_from(Exit),
        leg=st.integers(1, of),
        of=st.just(of),
        flip=st.booleans(),
        began=st.booleans(),
        devices=some(
            st.builds(
                DeviceAccount,
                name=names,
                state=st.sampled_from(State),
                direction=st.sampled_from(Direction),
                written_off=st.booleans(),
                sent=st.booleans(),
            )
        ),
    )
)
GOOD: dict[type[Strict], dict[str, Any]] = {
    Order: {
        "format": 1,
        "kind": "move",
        "site": "alder",
        "campaign": "c0ffee",
        "attempt": 2,
        "legs": ["a" * 64],
        "answers": {"again": ["lamp"], "flipped": True},
    },
    SitePlan: {
        "format": 1,
        "exit": 0,
        "tool": "1.2.0",
        "problems": 1,
        "legs": [{"digest": "a" * 64, "devices": 3, "waves": 2}],
        "twins": [{"dialect": "larch", "digest": "b" * 64, "firmware": "3.1"}],
    },
    SiteAccount: {
        "format": 1,
        "exit": 7,
        "leg": 1,
        "of": 2,
        "devices": [{"name": "lamp", "state": "adrift", "direction": "forward", "sent": True}],
    },
}


@MANY
@given(orders | plans | accounts)
def test_there_and_back(one: Order | SitePlan | SiteAccount) -> None:
    text = to_json(one)
    assert from_json(text, type(one), WHERE) == one
    # It is JSON (RFC 8259) in ASCII, on one line, and says of which format it is.
    assert text.isascii()
    assert text.isprintable()
    assert json.loads(text)["format"] == 1
    assert to_json(from_json(text, type(one), WHERE)) == text
    for kind in {*KINDS} - {type(one)}:
        refused(text, kind)


@MANY
@given(accounts)
def test_the_tally(account: SiteAccount) -> None:
    assert account.tally.total() == len(account.devices)
    assert account.there <= account.tally[State.SETTLED]


def refused(text: object, kind: type[Strict]) -> None:
    """It is refused in words that say what it is not, where, and what to do; and nothing of it."""
    with pytest.raises(BadFile) as trouble:
        from_json(text, kind, WHERE)
    (problem,) = trouble.value.problems
    assert problem.where == WHERE
    assert problem.what in {
        f"holds something that is no {word} of this version of migrate"
        for word in ("order", "answer to a planning", "account")
    }
    assert "same version" in problem.remedy
    assert HOSTILE not in str(trouble.value)
    assert len(str(trouble.value)) < 300
    assert trouble.value.__suppress_context__


BAD: list[object] = [
    HOSTILE,
    HOSTILE * 100,
    {HOSTILE: HOSTILE},
    [HOSTILE],
    [],
    {},
    None,
    True,
    -1,
    0,
    1.0,
    7.0,
    1.5,
    10**30,
    10**4000,
    math.nan,
    math.inf,
    "",
    " ",
    "a\nb",
    "\x1b[31m",
    "\u202ea",
    "\x00",
    "\ud800",
    "A" * 64,
]
"""None of them is right for every field; of each field, those that are right are sorted out."""


@pytest.mark.parametrize("kind", KINDS)
def test_the_good_ones_are_taken(kind: type[Strict]) -> None:
    assert from_json(json.dumps(GOOD[kind]), kind, WHERE)


def places(value: Any) -> list[list[str | int]]:
    """The way to everything that stands in it."""
    if isinstance(value, dict):
        return [[key, *rest] for key, item in value.items() for rest in ([], *places(item))]
    if isinstance(value, list):
        return [
            [number, *rest] for number, item in enumerate(value) for rest in ([], *places(item))
        ]
    return []


def put(value: Any, place: list[str | int], new: object) -> Any:
    copy = json.loads(json.dumps(value))
    at = copy
    for part in place[:-1]:
        at = at[part]
    at[place[-1]] = new
    return copy


@pytest.mark.parametrize("kind", KINDS)
def test_a_wrong_value_anywhere_is_refused(kind: type[Strict]) -> None:
    good, tried = GOOD[kind], 0
    for place in places(good):
        at = good
        for part in place:
            at = at[part]  # type: ignore[index]
        for bad in BAD:
            text = json.dumps(put(good, place, bad))
            if type(bad) is type(at) or bad in ([], {}) or (place == ["format"] and bad == 1):
                continue  # perhaps it fits; what of it does is looked at below
            tried += 1
            refused(text, kind)
    assert tried > 100


ODD = ("", " ", "a\nb", "\x1b[31m", "\u202ea", "\x00", "\ud800", HOSTILE * 100)


@pytest.mark.parametrize("text", ODD)
def test_text_that_steers_a_terminal_or_has_no_end_fits_nowhere(text: str) -> None:
    for kind in KINDS:
        for place in places(GOOD[kind]):
            at = GOOD[kind]
            for part in place:
                at = at[part]  # type: ignore[index]
            empty = text == "" and place[-1] in ("campaign", "tool", "firmware")
            blank = text == " " and place[-1] in ("tool", "firmware")
            if isinstance(at, str) and not (empty or blank):
                refused(json.dumps(put(GOOD[kind], place, text)), kind)


@pytest.mark.parametrize("kind", KINDS)
def test_an_extra_key_is_refused_wherever_it_stands(kind: type[Strict]) -> None:
    for place in [[], *places(GOOD[kind])]:
        at: Any = GOOD[kind]
        for part in place:
            at = at[part]
        if isinstance(at, dict):
            for key in (HOSTILE, "password", "ssid", "", "\ud800", "__class__"):
                refused(json.dumps(put(GOOD[kind], [*place, key], HOSTILE)), kind)


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize(
    "text",
    [
        "",
        HOSTILE,
        f'"{HOSTILE}',
        "NaN",
        "null",
        "[]",
        "{",
        "9" * 5000,
        "[" * 200_000,
        '{"answers":' * 100_000,
        '{"a":' * 900 + "1" + "}" * 900,
        '{"format":2,"exit":0}',
        '{"exit":1e999}',
        None,
        7,
        b'{"format":1,"exit":0}',
        {"format": 1, "exit": 0},
        [HOSTILE],
    ],
    ids=lambda value: str(value)[:12],
)
def test_what_is_no_json_of_ours(kind: type[Strict], text: object) -> None:
    refused(text, kind)


@pytest.mark.parametrize("kind", KINDS)
def test_what_is_too_long(kind: type[Strict]) -> None:
    good = json.dumps(GOOD[kind])
    assert from_json(good + " " * (MOST_OCTETS - len(good)), kind, WHERE)
    refused(good + " " * (MOST_OCTETS - len(good) + 1), kind)


def test_there_is_an_end_to_every_list() -> None:
    legs = {**GOOD[Order], "legs": ["a" * 64] * (MOST_LEGS + 1)}
    refused(json.dumps(legs), Order)
    device = GOOD[SiteAccount]["devices"][0]
    refused(json.dumps({**GOOD[SiteAccount], "devices": [device] * 20_001}), SiteAccount)


def test_an_exit_code_is_a_whole_number_and_a_leg_is_one_of_them() -> None:
    # In Python true is 1, and 7.0 is 7.
    for text in ("true", "7.0", '"7"', "14", "-1", "[7]", "null"):
        refused(f'{{"exit":{text}}}', SiteAccount)
    refused('{"exit":0,"leg":3,"of":2}', SiteAccount)


def test_a_full_account_fits() -> None:
    device = DeviceAccount(
        name="a" * 100,
        state=State.RETURNED,
        direction=Direction.FORWARD,
        written_off=True,
        sent=True,
    )
    text = to_json(SiteAccount(exit=Exit.HELD, devices=(device,) * 20_000))
    assert len(text) <= MOST_OCTETS


# What a field may be made of, in the end. There is no float: nothing here is measured.
LEAVES: set[object] = {bool, int, str, Exit, State, Direction}
WORDS = {
    # Every field that is text, and how it is bounded: by a pattern, or by its length.
    ("Order", "site"): "pattern",
    ("Order", "campaign"): "pattern",
    ("Order", "legs"): "pattern",
    ("Answers", "again"): "name",
    ("Answers", "write_off"): "name",
    ("SiteLeg", "digest"): "pattern",
    ("SiteTwin", "dialect"): "name",
    ("SiteTwin", "digest"): "pattern",
    ("SiteTwin", "firmware"): "name",
    ("SitePlan", "tool"): "name",
    ("DeviceAccount", "name"): "name",
}


def leaves(annotation: Any, metadata: tuple[Any, ...]) -> list[tuple[Any, tuple[Any, ...]]]:
    """The types at the ends of an annotation, each with what bounds it."""
    origin = get_origin(annotation)
    if origin is Annotated:
        inner, *more = get_args(annotation)
        flat = tuple(
            one
            for each in more
            for one in (each.metadata if isinstance(each, FieldInfo) else [each])
        )
        return leaves(inner, metadata + flat)
    if origin is Literal:
        return [(type(value), (Literal,)) for value in get_args(annotation)]
    if origin is tuple:
        assert any(isinstance(one, MaxLen) for one in metadata), annotation
        first, ellipsis = get_args(annotation)
        assert ellipsis is Ellipsis
        return leaves(first, ())
    assert origin not in (Union, types.UnionType, dict, list, set), annotation
    return [(annotation, metadata)]


def models(of: type[BaseModel]) -> set[type[BaseModel]]:
    found = {of}
    for field in of.model_fields.values():
        for leaf, _ in leaves(field.annotation, tuple(field.metadata)):
            if isinstance(leaf, type) and issubclass(leaf, BaseModel):
                found |= models(leaf)
    return found


def test_nothing_but_names_digests_states_and_numbers_fits() -> None:
    every = set().union(*(models(kind) for kind in KINDS))
    assert {model.__name__ for model in every} == {
        *("Order", "Answers", "SitePlan", "SiteLeg", "SiteTwin", "SiteAccount", "DeviceAccount")
    }
    words: dict[tuple[str, str], str] = {}
    for model in every:
        assert model.model_config["extra"] == "forbid"
        assert model.model_config["strict"]
        for name, field in model.model_fields.items():
            for leaf, bounds in leaves(field.annotation, tuple(field.metadata)):
                if isinstance(leaf, type) and issubclass(leaf, BaseModel):
                    continue
                assert leaf in LEAVES, (model, name, leaf)
                assert leaf is not str or bounds, (model, name)
                if Literal in bounds or (isinstance(leaf, type) and issubclass(leaf, Enum)):
                    continue
                if leaf is str:
                    pattern = any(getattr(one, "pattern", None) for one in bounds)
                    assert pattern or any(isinstance(one, MaxLen) for one in bounds)
                    words[model.__name__, name] = "pattern" if pattern else "name"
                elif leaf is int:
                    kinds = {type(one) for one in bounds}
                    assert {Ge, Le} <= kinds, (model, name)
    assert words == WORDS


def test_no_field_is_called_like_a_setting_or_a_secret() -> None:
    from migrate.model.settings import Setting

    every = set().union(*(models(kind) for kind in KINDS))
    fields = {name for model in every for name in model.model_fields}
    settings_ = {part for setting in Setting for part in str(setting).replace(".", " ").split()}
    assert not fields & (
        settings_ | {"password", "secret", "address", "ssid", "host", "url", "why"}
    )
