"""What a rehearsal has in store for a fleet: rates that somebody states, and dice from outside.

A trial draws the fate of every device, of every twin group and of the broker before anything is
played. Every way of making waves then meets the same fates, so that ways are compared and not dice
(common random numbers).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal, Protocol

from migrate.planning.plan import Plan

Fate = Literal["declines", "misread", "slow", "lost"]
SLOWER = (2.0, 10.0)
"""How many times as long a slow device takes to return (common practice, no source)."""
OUTAGE_SECONDS = (5.0, 60.0)
"""How long a broker that restarts is gone (common practice, no source)."""


class Dice(Protocol):
    """Randomness from outside, seeded by whoever asks. `random.Random` is one."""

    def random(self) -> float:
        """A number in [0, 1)."""
        ...


@dataclass(frozen=True)
class Rates:
    """How often things go wrong.

    For each device that is moved: it `declines`; it is back with another setting than it was given
    (`misread`); it is `slow`; it is `lost`, on neither side for good. `group`: a whole twin group
    is wrong, and every device of it that is sent anything is lost, as when a dialect is wrong.
    `broker`: restarts of the broker, per hour. Raises ValueError for rates that cannot be.
    """

    declines: float = 0.001
    misread: float = 0.0005
    slow: float = 0.005
    lost: float = 0.001
    group: float = 0.01
    broker: float = 0.05

    def __post_init__(self) -> None:
        shares = (self.declines, self.misread, self.slow, self.lost, self.group)
        if not all(0 <= share <= 1 for share in shares):
            raise ValueError("a rate lies between 0 and 1")
        if sum(shares[:4]) > 1 + 1e-12:
            raise ValueError("the rates of one device add up to more than 1")
        if not 0 <= self.broker <= 3600:
            raise ValueError("the broker restarts between 0 and 3600 times an hour")


@dataclass(frozen=True)
class Fates:
    """What is in store in one trial. Devices by position in the plan.

    `returns`: seconds from the message until a device is seen again, if it ever is. `troubled`: the
    fate of those that have one. `outages`: begin and end of each restart of the broker, in seconds
    since the run began.
    """

    returns: Sequence[float]
    troubled: Mapping[int, Fate]
    outages: Sequence[tuple[float, float]]


class Cast:
    """The devices of a plan, as the dice need them."""

    def __init__(self, plan: Plan) -> None:
        soak = plan.pace.soak_seconds
        groups = {twin: place for place, twin in enumerate(sorted({d.twin for d in plan.devices}))}
        # A group that has returned before is known not to be wrong as a whole.
        self._doubted = [twin not in plan.shown or not plan.shown[twin].returns for twin in groups]
        self._devices = [
            (max(0.0, d.seconds.least - soak), d.seconds.most - d.seconds.least, groups[d.twin])
            for d in plan.devices
        ]

    def draw(self, rates: Rates, dice: Dice, horizon: float) -> Fates:
        """The fates of one trial; outages for the first `horizon` seconds of it.

        Every device takes two numbers from the dice, whatever becomes of it.
        """
        roll = dice.random
        wrong = [roll() < rates.group and doubted for doubted in self._doubted]
        any_wrong = any(wrong)
        ills = rates.declines + rates.misread + rates.slow + rates.lost
        returns: list[float] = []
        troubled: dict[int, Fate] = {}
        for place, (least, spread, group) in enumerate(self._devices):
            number = roll()
            seconds = least + spread * roll()
            if any_wrong and wrong[group]:
                troubled[place] = "lost"
            elif number < ills:
                fate, rest = _which(rates, number)
                troubled[place] = fate
                if fate == "slow":
                    seconds *= SLOWER[0] + (SLOWER[1] - SLOWER[0]) * rest
            returns.append(seconds)
        return Fates(returns, troubled, _outages(rates.broker, roll, horizon))


def _which(rates: Rates, number: float) -> tuple[Fate, float]:
    """The fate that a number below the sum of all rates falls on, and how far into its share."""
    table: tuple[tuple[Fate, float], ...] = (
        ("declines", rates.declines),
        ("misread", rates.misread),
        ("slow", rates.slow),
        ("lost", rates.lost),
    )
    for fate, rate in table:
        if number < rate:
            return fate, number / rate
        number -= rate
    # Only the rounding of the sum is left: it belongs to the last that can happen at all.
    return next(fate for fate, rate in reversed(table) if rate), 0.0


def _outages(
    per_hour: float, roll: Callable[[], float], horizon: float
) -> list[tuple[float, float]]:
    """Restarts as they come at a steady rate: the time between two is exponential."""
    found: list[tuple[float, float]] = []
    at = 0.0
    while per_hour:
        at -= math.log1p(-roll()) * 3600 / per_hour
        if at >= horizon:
            break
        end = at + OUTAGE_SECONDS[0] + (OUTAGE_SECONDS[1] - OUTAGE_SECONDS[0]) * roll()
        found.append((at, end))
        at = end
    return found
