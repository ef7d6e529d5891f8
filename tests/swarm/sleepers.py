"""Stories in which some devices sleep: reached for a short while each time they wake, over HTTP by
asking, over MQTT by their presence."""

from __future__ import annotations

from dataclasses import replace
from random import Random

from .invariants import Broken, Invariants, Seen
from .scenario import Scenario, draw
from .story import Story


def draw_sleepers(seed: int) -> Scenario:
    """The house of a seed, in which some sleep."""
    random, drawn = Random(f"sleepers {seed}"), draw(seed)  # noqa: S311
    likely = random.choice([0.2, 0.5, 1.0])
    devices = tuple(
        replace(
            one,
            wakes=random.choice([20.0, 40.0]),
            # Longer than between two looks, or nobody would meet it awake (manuals of the tool).
            awake=random.uniform(5.0, 10.0),
            cleanly=random.random() < 0.5,
            age=random.uniform(0.0, 5.0),  # its uptime counts from its last wake (manuals)
        )
        if not one.feeds and random.random() < likely
        else one
        for one in drawn.devices
    )
    return replace(drawn, devices=devices)


class SleeperInvariants(Invariants):
    """As always; and what is asked of a sleeper beside it."""

    def _moved(self, name: str, was: Seen, now: Seen, fresh: dict[str, Seen]) -> None:
        unit = self.house.units[name]
        lost = now.state == "adrift" and was.state == "away"
        if lost and unit.wakes_seconds is not None and now.sent_at is not None:
            self._waited_for_its_wakes(name, unit.wakes_seconds)
        super()._moved(name, was, now, fresh)

    def _waited_for_its_wakes(self, name: str, period: float) -> None:
        """Nobody is given up that could not have been met since: it is looked for over one and a
        half of its periods beside the least deadline."""
        since = self.house.loop.time() - self.left.get(name, 0.0)
        if since < self.scenario.least + 1.5 * period - 1e-3:
            raise Broken(f"z: {name} is given up after {since:.1f} s, and wakes every {period:g} s")

    def __init__(self, *args: object) -> None:
        super().__init__(*args)  # type: ignore[arg-type]
        self.left: dict[str, float] = {}

    def committed(self) -> None:
        before = dict(self.seen)
        super().committed()
        for name, row in self.seen.items():
            if row.state == "away" and before[name].state != "away":
                self.left[name] = self.house.loop.time()


class SleeperStory(Story):
    """Some devices sleep."""

    watched_by = SleeperInvariants
