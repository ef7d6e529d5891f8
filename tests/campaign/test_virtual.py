"""Campaigns in virtual time, in small; and whether the checks would see what they are there to see.
More of it: `python -m tests.campaign.swarm 200`."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import pytest

from migrate.engine.campaign import Coordinator
from migrate.planning.campaign import turn
from migrate.planning.campaign.standing import SiteState
from migrate.virtual import campaign as virtual

from .scenario import draw
from .story import play
from .swarm import twice

SEEDS = (6, 16, 26)
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
    assert sum(ending.moved for ending in endings) > 15


def test_a_seed_is_the_same_campaign_every_time() -> None:
    assert play(SEEDS[0]).digest == play(SEEDS[0]).digest


def test_the_campaign_waits_as_soon_as_so_many_are_held() -> None:
    drawn = draw(19).fair
    held = drawn.ends()[1]
    assert len(held) > 1
    free = play(19, replace(drawn, then="nothing"))
    one = drawn.pace.model_copy(update={"wait_when_held": 1})
    waits = play(19, replace(drawn, pace=one, then="nothing"))
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
        await virtual.asyncio.sleep(3.0)
        return found

    patch.setattr(Coordinator, "_look", seldom)


def begins_anew(patch: pytest.MonkeyPatch) -> None:
    """A worker that is started again does all of its errand anew, by no journal."""
    patch.setattr("migrate.cli.site_work.SiteHome._begun", lambda self, digest: None)


@pytest.mark.parametrize(
    ("wrong", "missed", "seeds"),
    [
        (lets_everybody_go, "could be held", range(3, 20)),
        (forgets_what_comes_after, "against the order", range(20)),
        (goes_on_when_held, "are held", range(20)),
        (keeps_back_everybody, "ended with", range(6, 30)),
        (takes_over_from_the_living, "two coordinators", range(20)),
        (begins_anew, "", range(20)),
    ],
    ids=lambda one: getattr(one, "__name__", ""),
)
def test_a_wrong_one_is_found_out(
    wrong: Callable[[pytest.MonkeyPatch], None],
    missed: str,
    seeds: range,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    wrong(monkeypatch)
    assert any((found := play(seed).broken) and missed in found for seed in seeds)
