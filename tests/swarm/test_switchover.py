"""Stories of one access point that changes its passphrase, in small; and that the checks bite."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from migrate.engine import proof, switchover
from migrate.model.lifecycle import State

from .families import FAMILIES
from .story import Ending, play

DRAW, KIND = FAMILIES["switchover"]
FOUND = (4, 71, 109, 139, 205, 751, 1839, 2931)
"""Seeds that found something: an owner's word that could not be taken back by what the devices
showed, one that was believed of a device which had come back before, one left with no way on."""


def told(seed: int) -> Ending:
    return play(seed, DRAW(seed), KIND)


def test_stories_of_one_access_point_end_well() -> None:
    endings = [told(seed) for seed in (*range(40), *FOUND)]
    assert {ending.seed: ending.broken for ending in endings if ending.broken} == {}
    owner = {what for ending in endings for what in ending.mishaps if what.startswith("owner: ")}
    # Every habit has had its say.
    assert {
        "owner: changes it when told",
        "owner: changes it late",
        "owner: changes it unasked",
        "owner: changes it back",
        "owner: says so, and it is not true",
    } <= owner
    assert sum(ending.moved for ending in endings) > 80


def asks_too_soon(patch: pytest.MonkeyPatch) -> None:
    """Whoever is left behind, the access point is to be changed."""
    patch.setattr(switchover, "GONE", frozenset(State))


def believes_the_owner(patch: pytest.MonkeyPatch) -> None:
    """Whoever answers after the owner's word counts as come across."""
    patch.setattr(proof.Proof, "_must_restart", lambda self, there: False)


def tells_all_the_same(patch: pytest.MonkeyPatch) -> None:
    """Devices are told after the access point was said to be changed."""

    async def forward(self: switchover.Switchover, again: object) -> object:
        return await self._tell_all(frozenset())

    patch.setattr(switchover.Switchover, "forward", forward)


def is_soon_content(patch: pytest.MonkeyPatch) -> None:
    """Done is said of devices that are not."""
    patch.setattr(switchover, "arrived_for_good", lambda row: True)


@pytest.mark.parametrize(
    ("wrong", "missed"),
    [
        (asks_too_soon, "s: to be changed now"),
        (believes_the_owner, "counts as arrived"),
        (tells_all_the_same, "after the access point was said"),
        (is_soon_content, "said to be done"),
    ],
    ids=lambda one: getattr(one, "__name__", ""),
)
def test_a_wrong_engine_is_found_out(
    wrong: Callable[[pytest.MonkeyPatch], None], missed: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    wrong(monkeypatch)
    assert any(missed in told(seed).broken for seed in range(200))
