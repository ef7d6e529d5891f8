"""Exposure: how many devices one wave could strand, at the owner's confidence.

After n returns and f faults among twins, the fault rate is at most the exact one-sided upper bound
of Clopper and Pearson (1934). A wave is narrow enough when the bounds of its devices add up to no
more than the number of devices that the owner is prepared to go and open.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import lru_cache

Twin = tuple[str, str]
"""Dialect and firmware version: devices that can be expected to act alike."""


@dataclass(frozen=True)
class Evidence:
    """What a twin group has shown: moves that came back, and moves that did not."""

    returns: int = 0
    faults: int = 0

    def plus(self, returns: int = 0, faults: int = 0) -> Evidence:
        """More of it."""
        return Evidence(self.returns + returns, self.faults + faults)


@lru_cache(maxsize=65536)
def upper_bound(trials: int, faults: int, confidence: float) -> float:
    """Largest fault rate that leaves the observation a probability of 1 - confidence.

    Solves P(X <= faults | trials, p) = 1 - confidence for p; for no faults that is
    1 - (1 - confidence)^(1/trials). Without trials it is 1. Raises ValueError for counts that
    cannot be.
    """
    if trials < 0 or not 0 <= faults <= trials or not 0 < confidence < 1:
        raise ValueError("needs 0 <= faults <= trials and a confidence between 0 and 1")
    if faults == trials:
        return 1.0
    if faults == 0:
        return -math.expm1(math.log1p(-confidence) / trials)
    low, high = faults / trials, 1.0
    while True:
        middle = (low + high) / 2
        if middle in (low, high):
            return high
        if _at_most(faults, trials, middle) > 1 - confidence:
            low = middle
        else:
            high = middle


def _at_most(faults: int, trials: int, rate: float) -> float:
    """P(X <= faults) for the binomial distribution, in logarithms so that large counts work."""
    log_rate, log_rest = math.log(rate), math.log1p(-rate)
    whole = math.lgamma(trials + 1)
    return math.fsum(
        math.exp(
            whole
            - math.lgamma(k + 1)
            - math.lgamma(trials - k + 1)
            + k * log_rate
            + (trials - k) * log_rest
        )
        for k in range(faults + 1)
    )


def exposure(twins: Iterable[Twin], evidence: Mapping[Twin, Evidence], confidence: float) -> float:
    """Devices that a wave of these twins could strand: each counts its group's upper bound."""
    counts = Counter(twins)
    return math.fsum(
        count * rate(evidence.get(twin, Evidence()), confidence) for twin, count in counts.items()
    )


def rate(evidence: Evidence, confidence: float) -> float:
    """The upper bound of a group's fault rate."""
    return upper_bound(evidence.returns + evidence.faults, evidence.faults, confidence)


def fits(total: float, accepted: int) -> bool:
    """Whether an exposure is accepted; the tolerance is for sums of binary fractions alone."""
    return total <= accepted + 1e-9
