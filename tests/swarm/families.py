"""The families of stories: who draws a seed's scenario, and what kind of story it is.

The seeds of one family say nothing about those of another, and those of `plain` stay what they are.
"""

from __future__ import annotations

from collections.abc import Callable

from .carriers import CarrierStory, draw_carriers
from .quiet import QuietStory, draw_quiet
from .scenario import Scenario, draw
from .sleepers import SleeperStory, draw_sleepers
from .story import Story
from .switchover import SwitchoverStory, draw_switchover

Family = tuple[Callable[[int], Scenario], type[Story]]

FAMILIES: dict[str, Family] = {
    "plain": (draw, Story),
    "carriers": (draw_carriers, CarrierStory),
    "quiet": (draw_quiet, QuietStory),
    "sleepers": (draw_sleepers, SleeperStory),
    "switchover": (draw_switchover, SwitchoverStory),
}
