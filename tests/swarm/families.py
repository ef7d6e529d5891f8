"""The families of stories: who draws a seed's scenario, and what kind of story it is.

The seeds of one family say nothing about those of another, and those of `plain` stay what they are.
"""

from __future__ import annotations

from collections.abc import Callable

from .scenario import Scenario, draw
from .story import Story
from .sleepers import SleeperStory, draw_sleepers
from .switchover import SwitchoverStory, draw_switchover

Family = tuple[Callable[[int], Scenario], type[Story]]

FAMILIES: dict[str, Family] = {
    "plain": (draw, Story),
    "sleepers": (draw_sleepers, SleeperStory),
    "switchover": (draw_switchover, SwitchoverStory),
}
