"""Stories of sleepers, of quiet hours and of carriers, in small; and that their checks bite."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from migrate.engine import awake, ground, journey, soak
from migrate.model.lifecycle import Event

from .families import FAMILIES
from .story import Ending, play

FOUND = {"sleepers": (8, 47, 58, 71)}
"""Seeds that found something: a sleeper that was restarted at every wake without an end, and one
that was on the new network when it woke, and had not restarted."""


def told(family: str, seed: int) -> Ending:
    draw, kind = FAMILIES[family]
    return play(seed, draw(seed), kind)


@pytest.mark.parametrize(
    ("family", "happened"),
    [
        ("sleepers", ""),
        ("quiet", "quiet: hours were waited for"),
        ("carriers", "carrier: broker goes off with it"),
    ],
)
def test_stories_end_well(family: str, happened: str) -> None:
    endings = [told(family, seed) for seed in (*range(16), *FOUND.get(family, ()))]
    assert {ending.seed: ending.broken for ending in endings if ending.broken} == {}
    assert any(happened in ending.mishaps for ending in endings) or not happened
    assert sum(ending.moved + ending.taken_back for ending in endings) > 20


def knows_no_hours(patch: pytest.MonkeyPatch) -> None:
    """Devices are told at any time."""
    patch.setattr(ground.Ground, "quiet", lambda self, member: False)


def is_impatient(patch: pytest.MonkeyPatch) -> None:
    """A sleeper is given up before it can have woken."""
    patch.setattr(journey, "until_awake", lambda period: 0.0)
    patch.setattr(awake, "until_awake", lambda period: 0.0)


def soaks_none(patch: pytest.MonkeyPatch) -> None:
    """A sleeper that is met once has soaked."""

    async def at_once(*_: object) -> soak.Soaked:
        return Event.SOAK, "well"

    patch.setattr(journey, "soak_asleep", at_once)


@pytest.mark.parametrize(
    ("family", "wrong", "missed"),
    [
        ("quiet", knows_no_hours, "q:"),
        ("sleepers", is_impatient, "z:"),
        ("sleepers", soaks_none, "6:"),
    ],
    ids=lambda one: getattr(one, "__name__", ""),
)
def test_a_wrong_engine_is_found_out(
    family: str,
    wrong: Callable[[pytest.MonkeyPatch], None],
    missed: str,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    wrong(monkeypatch)
    assert any(told(family, seed).broken.startswith(missed) for seed in range(200))
