"""The swarm in small, and whether it would see what it is there to see."""

from __future__ import annotations

import pytest

from .scenario import quiet
from .story import everywhere, play


@pytest.mark.parametrize("first", range(0, 120, 30))
def test_stories_end_well(first: int) -> None:
    endings = [play(seed) for seed in range(first, first + 30)]
    assert {ending.seed: ending.broken for ending in endings if ending.broken} == {}
    # Not for want of trouble.
    assert sum(sum(ending.mishaps.values()) for ending in endings) > 300
    assert sum(sum(ending.cuts.values()) for ending in endings) > 20


def test_a_seed_is_the_same_story_every_time() -> None:
    assert [play(seed).digest for seed in range(8)] == [play(seed).digest for seed in range(8)]


@pytest.mark.long
@pytest.mark.parametrize("via", ["http", "mqtt"])
def test_every_single_step_of_a_run_can_be_its_last(via: str) -> None:
    """Cut off at step n, for every n that there is; the next process goes on. More of this, with
    larger houses: `python -m tests.swarm 50 --everywhere`."""
    seed = next(
        seed
        for seed in range(1000)
        if {one.via for one in quiet(seed).devices} == {via}
        and len(quiet(seed).devices) == 2
        and play(seed, quiet(seed)).taken_back
    )
    endings = list(everywhere(seed))
    assert [ending.broken for ending in endings if ending.broken] == []
    assert sum(sum(ending.cuts.values()) for ending in endings) == len(endings) > 100
