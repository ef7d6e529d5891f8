"""Stories in which a carrier cuts the power of what it feeds while it restarts: of another device,
of the access point, or of the broker."""

from __future__ import annotations

from dataclasses import replace
from random import Random

from .scenario import Scenario, draw
from .story import Story


def draw_carriers(seed: int) -> Scenario:
    """The house of a seed, in which the last device feeds something."""
    random, drawn = Random(f"carriers {seed}"), draw(seed)  # noqa: S311
    *others, last = drawn.devices
    things = ["access-point", "broker", *(one.name for one in others)]
    fed = tuple(random.sample(things, random.choice([1, 1, 2]) if len(things) > 1 else 1))
    carrier = replace(last, feeds=fed, reach="table", cover="")
    return replace(drawn, devices=(*(replace(one, feeds=()) for one in others), carrier))


class CarrierStory(Story):
    """What hangs on a carrier goes off with it."""

    def _build(self) -> None:
        super()._build()
        for one in self.scenario.devices:
            if one.feeds:
                unit = self.house.units[one.name]
                unit.when_down = lambda seconds, fed=one.feeds: self._off(fed, seconds)  # type: ignore[misc]

    def _off(self, fed: tuple[str, ...], seconds: float) -> None:
        for what in fed:
            self.chance.count(f"carrier: {what.partition('-')[0]} goes off with it")
            if what == "access-point":
                for side in {id(net): s for s, net in self.house.networks.items()}.values():
                    self.house.blackout(side, seconds)
            elif what == "broker":
                for broker in {id(one): one for one in self.house.brokers.values()}.values():
                    broker.restart(self.house, seconds)
            else:
                self.house.units[what].power_cut(seconds)
