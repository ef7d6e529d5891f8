"""The estimator of RFC 6298 section 2, by hand."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from migrate.model.deadline import Estimate, deadline


def test_worked_example() -> None:
    # RFC 6298 section 2, samples R = 8 s, 12 s, 4 s. All numbers are exact in binary.
    # (2.2)  R = 8:  SRTT = 8            RTTVAR = 8/2 = 4                   RTO = 8 + 4*4 = 24
    # (2.3)  R = 12: RTTVAR = 3/4*4 + 1/4*|8 - 12| = 3 + 1 = 4
    #                SRTT   = 7/8*8 + 1/8*12 = 7 + 1.5 = 8.5               RTO = 8.5 + 16 = 24.5
    # (2.3)  R = 4:  RTTVAR = 3/4*4 + 1/4*|8.5 - 4| = 3 + 1.125 = 4.125
    #                SRTT   = 7/8*8.5 + 1/8*4 = 7.4375 + 0.5 = 7.9375
    #                                                              RTO = 7.9375 + 16.5 = 24.4375
    # Had SRTT been taken first, |7.9375 - 4| would have given RTTVAR = 3.984375.
    estimate = Estimate.first(8.0)
    assert (estimate.smoothed, estimate.variation, estimate.timeout) == (8.0, 4.0, 24.0)
    estimate = estimate.after(12.0)
    assert (estimate.smoothed, estimate.variation, estimate.timeout) == (8.5, 4.0, 24.5)
    estimate = estimate.after(4.0)
    assert (estimate.smoothed, estimate.variation) == (7.9375, 4.125)
    assert estimate.timeout == 24.4375


def test_equal_samples_close_in_on_the_sample() -> None:
    # RTTVAR shrinks by 3/4 a step: after n further samples it is R/2 * 0.75^n.
    estimate = Estimate.first(10.0)
    for _ in range(20):
        estimate = estimate.after(10.0)
    assert estimate.smoothed == 10.0
    assert estimate.variation == pytest.approx(5 * 0.75**20)


def test_clamping() -> None:
    quick, slow = Estimate.first(1.0), Estimate.first(100.0)
    assert deadline(quick, 30, 180) == 30
    assert deadline(slow, 30, 180) == 180
    assert deadline(Estimate.first(20.0), 30, 180) == 60
    assert deadline(None, 30, 180) == 180


@given(st.lists(st.floats(0, 1e5), min_size=1), st.floats(0, 500), st.floats(500, 1000))
def test_a_deadline_stays_within_its_bounds(
    samples: list[float], least: float, most: float
) -> None:
    estimate = Estimate.first(samples[0])
    for sample in samples[1:]:
        estimate = estimate.after(sample)
    assert least <= deadline(estimate, least, most) <= most
    # A weighted mean never leaves the range of its samples (but for rounding).
    assert min(samples) - 1e-6 <= estimate.smoothed <= max(samples) + 1e-6
    assert estimate.timeout >= estimate.smoothed
