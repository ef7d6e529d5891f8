"""Campaigns in virtual time, in small; and whether the checks would see what they are there to see.
More of it: `python -m tests.campaign.swarm 200`."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from dataclasses import replace

import pytest

from migrate.cli import site_work
from migrate.engine.campaign import Coordinator
from migrate.journal.rows import Row
from migrate.model.lifecycle import State
from migrate.planning.campaign import turn
from migrate.planning.campaign.errands import DeviceAccount
from migrate.planning.campaign.standing import SiteState
from migrate.virtual import campaign as virtual

from .scenario import draw
from .story import play
from .swarm import twice

SEEDS = (17, 29)
"""With kills of workers and coordinators, cut lines, a held and a refused site, and a way back."""


def test_campaigns_end_well_and_as_without_kills_and_cut_lines() -> None:
    endings = [twice(seed) for seed in SEEDS]
    assert {ending.seed: ending.broken for ending in endings if ending.broken} == {}
    counts = {what for ending in endings for what in ending.counts}
    # Not for want of trouble.
    assert {
        "coordinator killed",
        "line cut",
        "worker killed",
        "owner lets a site go on",
        "came to the same without kills and cut lines",
        "campaigns taken back",
    } <= counts
    assert any(what.startswith("worker killed: after") for what in counts)
    assert sum(ending.moved for ending in endings) > 10


def test_a_seed_is_the_same_campaign_every_time() -> None:
    assert play(7).digest == play(7).digest


def test_the_campaign_waits_as_soon_as_so_many_are_held() -> None:
    drawn = draw(36).fair
    held = drawn.ends()[1]
    assert len(held) > 1
    free = play(36, replace(drawn, then="nothing"))
    one = drawn.pace.model_copy(update={"wait_when_held": 1})
    waits = play(36, replace(drawn, pace=one, then="nothing"))
    assert (free.broken, waits.broken) == ("", "")
    assert waits.moved < free.moved
    assert len(waits.first[1]) >= 1


def lets_everybody_go(patch: pytest.MonkeyPatch) -> None:
    """No matter what the sites count for together."""
    patch.setattr(turn, "fits", lambda total, accepted: True)


def forgets_what_comes_after(patch: pytest.MonkeyPatch) -> None:
    """A site goes before what it comes after."""
    patch.setattr(turn, "_after_words", lambda site, standings: "")


def goes_on_when_held(patch: pytest.MonkeyPatch) -> None:
    """Whatever the owner said of held sites."""
    patch.setattr(turn, "_stands_in_the_way", lambda standing: False)


def keeps_back_everybody(patch: pytest.MonkeyPatch) -> None:
    """A held site ends it for all, though nobody said so."""
    judge = turn.next_turn

    def waits(plan: object, standings: dict[str, object], heard: object) -> turn.Turn:
        held = any(one.state is SiteState.HELD for one in standings.values())  # type: ignore[attr-defined]
        return turn.Turn((), 0.0, {}) if held else judge(plan, standings, heard)  # type: ignore[arg-type]

    patch.setattr("migrate.engine.campaign.next_turn", waits)


def takes_over_from_the_living(patch: pytest.MonkeyPatch) -> None:
    """Two coordinators at once."""

    def anybody(self: virtual.VirtualStore, who: str) -> None:
        self.coordinator = who

    patch.setattr(virtual.VirtualStore, "_claim", anybody)
    look = Coordinator._look

    async def seldom(self: Coordinator) -> object:
        found = await look(self)
        await asyncio.sleep(3.0)
        return found

    patch.setattr(Coordinator, "_look", seldom)


def says_that_all_is_well(patch: pytest.MonkeyPatch) -> None:
    """A worker tells of each device that it has settled."""
    device = site_work._device

    def settled(row: Row) -> DeviceAccount:
        return device(row).model_copy(update={"state": State.SETTLED})

    patch.setattr(site_work, "_device", settled)


@pytest.mark.parametrize(
    ("wrong", "missed", "seed"),
    [
        (lets_everybody_go, "could be held", 3),
        (forgets_what_comes_after, "against the order", 0),
        (goes_on_when_held, "are held", 20),
        (keeps_back_everybody, "ended with", 16),
        (takes_over_from_the_living, "two coordinators", 30),
        (says_that_all_is_well, "the account says", 16),
    ],
    ids=lambda one: getattr(one, "__name__", ""),
)
def test_a_wrong_one_is_found_out(
    wrong: Callable[[pytest.MonkeyPatch], None],
    missed: str,
    seed: int,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    wrong(monkeypatch)
    assert missed in play(seed).broken
