"""What a trial on the bench has shown to be cut: longer values are refused, whatever the dialect
says."""

from __future__ import annotations

import hashlib
from typing import Any

import pytest

from migrate.model.problems import Refused
from migrate.planning.ledger import Tried
from migrate.planning.make import make_plan
from tests.model.helpers import playbook_of

from .samples import (
    CANARIES,
    NEW,
    NEW_NET,
    OLD_NET,
    OLD_WIFI,
    device,
    dialects,
    fleet,
    resolver,
    sources,
)

LAMP = device("lamp", firmware="3.1.0")
EURO = "\N{EURO SIGN}"


def tried(cut: int, **other: Any) -> Tried:
    known: dict[str, Any] = {
        "at": "2026-01-02T00:00:00+00:00",
        "dialect": "larch",
        "sha256": hashlib.sha256(b"larch.toml").hexdigest(),
        "firmware": "3.1.0",
        "via": "http",
        "together": True,
        "cut": cut,
    }
    return Tried.model_validate(known | other)


def refusals(shown: Tried, ssid: str) -> list[str]:
    change = f'[wifi]\nssid = "{ssid}"\nsecret = {{ env = "NEW_WIFI" }}\n'
    try:
        make_plan(
            fleet(LAMP),
            playbook_of(f"{change}[old]\n{OLD_NET}{OLD_WIFI}{NEW_NET}"),
            dialects(),
            resolver(),
            sources(),
            created="2026-01-03T00:00:00+00:00",
            tool="migrate 0",
            ledger=[shown],
        )
    except Refused as refused:
        problems = refused.problems
    else:
        return []
    assert {problem.device for problem in problems} == {"lamp"}
    assert all("migrate bench" in problem.remedy for problem in problems)
    told = [problem.what for problem in problems]
    assert not any(secret in words for secret in CANARIES.values() for words in told)
    return told


@pytest.mark.parametrize(
    ("ssid", "octets"),
    [("a" * 19, 19), ("a" * 20, 20), (EURO * 6, 18), (EURO * 7, 21), ("a" * 32, 32)],
)
def test_a_value_longer_than_what_was_left_of_a_text(ssid: str, octets: int) -> None:
    """In octets of UTF-8 (RFC 3629): a euro sign is three of them."""
    assert len(ssid.encode()) == octets
    words = (
        f"wifi.ssid has {octets} octets; a trial of 2026-01-02 with firmware 3.1.0 showed that a "
        "text is cut after 19"
    )
    assert refusals(tried(19), ssid) == ([words] if octets > 19 else [])


def test_the_way_back_is_held_against_it_too() -> None:
    told = refusals(tried(5), "loft")
    assert [words.partition(" has ")[0] for words in told] == [
        "wifi.secret",
        "the way back: wifi.secret",
    ]
    assert f"has {len(NEW)} octets" in told[0]


@pytest.mark.parametrize("other", [{"sha256": "0" * 64}, {"firmware": "3.1.1"}, {"cut": None}])
def test_what_was_tried_otherwise_says_nothing(other: dict[str, Any]) -> None:
    """With another dialect, or another firmware; or no text was seen to be cut."""
    assert refusals(tried(5), "a" * 20)
    assert refusals(tried(5).model_copy(update=other), "a" * 20) == []
