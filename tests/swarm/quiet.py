"""Stories in which devices have quiet hours, some of which begin or end while they are told."""

from __future__ import annotations

from dataclasses import replace
from random import Random

from .invariants import Broken, Invariants, Seen
from .scenario import Scenario, draw
from .story import Story

SPANS = ("23:50-00:01", "00:00-00:02", "00:01-00:03", "00:02-00:05", "00:04-00:20", "00:06-00:08")
"""Stories begin at midnight, UTC, and last minutes."""


def draw_quiet(seed: int) -> Scenario:
    """The house of a seed, in which some devices have quiet hours."""
    random, drawn = Random(f"quiet {seed}"), draw(seed)  # noqa: S311
    likely = random.choice([0.3, 0.6, 1.0])
    devices = tuple(
        replace(one, quiet=tuple(random.sample(SPANS, random.choice([1, 1, 2]))))
        if random.random() < likely
        else one
        for one in drawn.devices
    )
    return replace(drawn, devices=devices)


class QuietInvariants(Invariants):
    """As always; and nobody is told to go in its quiet hours."""

    def _may_go(self, name: str, now: Seen, fresh: dict[str, Seen]) -> None:
        if now.direction == "forward" and self._is_quiet(name):
            raise Broken(f"q: {name} is told at {self.house.now():%H:%M}, in its quiet hours")
        super()._may_go(name, now, fresh)

    def _is_quiet(self, name: str) -> bool:
        """By the text of the spans: the first minute is in it, the last is not."""
        clock = f"{self.house.now():%H:%M}"
        for span in self.drawn[name].quiet:
            first, last = span.split("-")
            inside = first <= clock < last if first < last else clock >= first or clock < last
            if inside:
                self.house.chance.count("quiet: was looked at in its hours")
                return True
        return False

    def committed(self) -> None:
        before = self.last_remark
        super().committed()
        (last,) = self._all("SELECT MAX(seq) FROM event WHERE kind = 'quiet hours'")
        self.last_remark = last[0] or 0
        if self.last_remark != before:
            self.house.chance.count("quiet: hours were waited for")

    last_remark = 0


class QuietStory(Story):
    """Some have quiet hours."""

    watched_by = QuietInvariants
