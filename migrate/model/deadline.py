"""How long to wait for a device: the estimator of RFC 6298 over the returns seen in this run."""

from __future__ import annotations

from dataclasses import dataclass

ALPHA, BETA, K = 1 / 8, 1 / 4, 4
"""Gains and multiplier of RFC 6298 section 2."""


@dataclass(frozen=True)
class Estimate:
    """Smoothed return time and its variation, in seconds (RFC 6298: SRTT and RTTVAR)."""

    smoothed: float
    variation: float

    @staticmethod
    def first(sample: float) -> Estimate:
        """Section 2.2: SRTT = R, RTTVAR = R/2."""
        return Estimate(sample, sample / 2)

    def after(self, sample: float) -> Estimate:
        """Section 2.3: RTTVAR first, from the old SRTT, then SRTT."""
        variation = (1 - BETA) * self.variation + BETA * abs(self.smoothed - sample)
        return Estimate((1 - ALPHA) * self.smoothed + ALPHA * sample, variation)

    @property
    def timeout(self) -> float:
        """SRTT + 4 RTTVAR, in seconds."""
        return self.smoothed + K * self.variation


def deadline(estimate: Estimate | None, least: float, most: float) -> float:
    """Seconds to wait for a device: the estimate clamped to [least, most]; most without one."""
    return most if estimate is None else min(most, max(least, estimate.timeout))
