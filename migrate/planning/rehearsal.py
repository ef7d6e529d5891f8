"""Rehearsing a plan: play it many times on paper, against devices that fail at stated rates.

A trial first draws the fate of every device, of every twin group and of the brokers. Every way of
making waves is then played with the same fates, so that ways are compared and not dice (common
random numbers). A gate that sees a fault holds, as in a real run, and the trial ends there.

Nothing is learned here about real devices: what comes out follows from the rates that went in.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal, Protocol

from migrate.model.playbook import Pace
from migrate.planning.plan import Plan

Fate = Literal["well", "declines", "stale", "slow", "lost"]
BROKER_RESTART_SECONDS = (5.0, 30.0)
"""How long a broker that restarts is gone (common practice, no source)."""


class Dice(Protocol):
    """Randomness from outside, seeded by whoever asks. `random.Random` is one."""

    def random(self) -> float:
        """A number in [0, 1)."""
        ...

    def uniform(self, a: float, b: float) -> float:
        """A number between a and b."""
        ...


@dataclass(frozen=True)
class Rates:
    """How often things go wrong: for each device moved, but `family` for each twin group (all of
    it is lost alike, as when a dialect is wrong) and `broker` for each wave."""

    declines: float = 0.005
    stale: float = 0.002
    slow: float = 0.01
    lost: float = 0.005
    family: float = 0.01
    broker: float = 0.01

    def __post_init__(self) -> None:
        rates = (self.declines, self.stale, self.slow, self.lost, self.family, self.broker)
        if any(not 0 <= rate <= 1 for rate in rates):
            raise ValueError("a rate lies between 0 and 1")
        if sum(rates[:4]) > 1:
            raise ValueError("the rates of one device add up to more than 1")


@dataclass(frozen=True)
class Away:
    """Seconds that a family is usually away when it restarts: least and most."""

    least: float
    most: float


@dataclass(frozen=True)
class Trial:
    """One playing of one way. `opened` counts devices that somebody has to open by hand;
    `stopped_at` is the wave (from 0) whose gate held, None if the way was played to its end."""

    seconds: float
    moved: int
    opened: int
    stopped_at: int | None


@dataclass
class Result:
    """All trials of one way."""

    way: str
    waves: int
    trials: list[Trial] = field(default_factory=list)

    @property
    def finished(self) -> float:
        """Share of trials that were played to the end."""
        return sum(trial.stopped_at is None for trial in self.trials) / len(self.trials)

    @property
    def opened_mean(self) -> float:
        """Devices to be opened by hand, on average."""
        return sum(trial.opened for trial in self.trials) / len(self.trials)

    def opened(self, share: float) -> int:
        """No more than this many devices were to be opened in this share of the trials."""
        return int(_quantile([trial.opened for trial in self.trials], share))

    def seconds(self, share: float) -> float | None:
        """Seconds within which this share of the finished trials was done; None if none was."""
        done = [trial.seconds for trial in self.trials if trial.stopped_at is None]
        return _quantile(done, share) if done else None

    def stops(self) -> dict[int, int]:
        """How many trials stopped at each wave (from 0)."""
        stopped = Counter(t.stopped_at for t in self.trials if t.stopped_at is not None)
        return dict(sorted(stopped.items()))


def rehearse(
    plan: Plan, away: Mapping[str, Away], rates: Rates, times: int, dice: Dice
) -> list[Result]:
    """Play the plan and the other ways `times` times. `away` is by dialect name.

    The other ways: everything at once, one device after the other, and tenths of the fleet, each
    in the plan's order.
    """
    order = [name for wave in plan.waves for name in wave.devices]
    ways = {
        "this plan": [list(wave.devices) for wave in plan.waves],
        "all at once": [order],
        "one by one": [[name] for name in order],
        "tenths": _tenths(order),
    }
    results = [Result(way, len(waves)) for way, waves in ways.items()]
    for _ in range(times):
        fates = _Fates.draw(plan, away, rates, dice, len(order))
        for result, waves in zip(results, ways.values(), strict=True):
            result.trials.append(_play(plan, waves, fates))
    return results


@dataclass(frozen=True)
class _Fates:
    """What is in store in one trial."""

    fate: Mapping[str, Fate]
    away: Mapping[str, float]
    broker: Sequence[float]

    @staticmethod
    def draw(plan: Plan, away: Mapping[str, Away], rates: Rates, dice: Dice, waves: int) -> _Fates:
        twins = sorted({device.twin for device in plan.devices})
        wrong = {twin for twin in twins if dice.random() < rates.family}
        fate: dict[str, Fate] = {}
        seconds: dict[str, float] = {}
        for device in plan.devices:
            known = away[device.dialect]
            drawn = _draw(rates, dice.random())
            fate[device.name] = "lost" if device.twin in wrong else drawn
            seconds[device.name] = dice.uniform(known.least, known.most)
        # One entry for each wave of the way with the most waves, so that all ways share them.
        broker = [
            dice.uniform(*BROKER_RESTART_SECONDS) if dice.random() < rates.broker else 0.0
            for _ in range(waves)
        ]
        return _Fates(fate, seconds, broker)


def _draw(rates: Rates, number: float) -> Fate:
    table: tuple[tuple[Fate, float], ...] = (
        ("declines", rates.declines),
        ("stale", rates.stale),
        ("slow", rates.slow),
        ("lost", rates.lost),
    )
    for fate, rate in table:
        if number < rate:
            return fate
        number -= rate
    return "well"


def _play(plan: Plan, waves: Sequence[Sequence[str]], fates: _Fates) -> Trial:
    seconds, moved, opened = 0.0, 0, 0
    for index, names in enumerate(waves):
        took, well = 0.0, 0
        for name in names:
            fate = fates.fate[name]
            took = max(took, _takes(plan, fate, fates.away[name]))
            well += fate == "well"
            opened += fate == "lost"
        if any(plan.device(name).via == "mqtt" for name in names):
            took += fates.broker[index]
        seconds, moved = seconds + took, moved + well
        if well < len(names):
            return Trial(seconds, moved, opened, index)
    return Trial(seconds, moved, opened, None)


def _takes(plan: Plan, fate: Fate, away: float) -> float:
    """Seconds until the gate knows what became of a device."""
    pace: Pace = plan.pace
    if fate == "well":
        return away + pace.look_seconds + pace.soak_seconds
    if fate == "declines":
        return pace.reply_seconds
    return pace.deadline_seconds.most


def _tenths(order: Sequence[str]) -> list[list[str]]:
    width = max(1, math.ceil(len(order) / 10))
    return [list(order[start : start + width]) for start in range(0, len(order), width)]


def _quantile(values: Sequence[float], share: float) -> float:
    """The smallest value that at least this share of the values does not exceed."""
    ordered = sorted(values)
    return ordered[max(0, math.ceil(share * len(ordered)) - 1)]
