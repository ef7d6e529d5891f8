"""Exposure against the reference library and the published values."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from migrate.planning.exposure import Evidence, exposure, fits, rate, upper_bound

CONFIDENCES = (0.501, 0.8, 0.9, 0.95, 0.99, 0.999999)
TRIALS = (1, 2, 3, 10, 30, 59, 299, 10_000)


@pytest.mark.parametrize("confidence", CONFIDENCES)
@pytest.mark.parametrize("trials", TRIALS)
def test_the_bound_is_that_of_the_reference_library(trials: int, confidence: float) -> None:
    # Source: Clopper and Pearson 1934, by scipy.stats.beta.ppf(c, f + 1, n - f).
    few = [0, 1, 2, 3, 5, 10, 25, 50]
    for faults in {f for f in [*few, trials // 2, trials - 2, trials - 1] if 0 <= f < trials}:
        if trials == 10_000 and faults > 50:
            continue  # thousands of terms each; a few of them below
        expected = float(stats.beta.ppf(confidence, faults + 1, trials - faults))
        assert upper_bound(trials, faults, confidence) == pytest.approx(expected, rel=1e-8)


@pytest.mark.parametrize(("trials", "faults"), [(7, 2), (20, 0), (40, 39), (100, 7)])
def test_the_bound_is_that_of_the_binomial_test(trials: int, faults: int) -> None:
    # Source: scipy.stats.binomtest, exact one-sided interval.
    test = stats.binomtest(faults, trials, alternative="less")
    high = test.proportion_ci(confidence_level=0.95, method="exact").high
    assert upper_bound(trials, faults, 0.95) == pytest.approx(high, rel=1e-9)


@pytest.mark.parametrize(
    ("trials", "bound"), [(1, 0.95), (10, 0.2589), (30, 0.0950), (59, 0.0495), (299, 0.00997)]
)
def test_published_values_without_a_fault(trials: int, bound: float) -> None:
    # Source: CHECKS.md (Clopper and Pearson 1934).
    assert upper_bound(trials, 0, 0.95) == pytest.approx(bound, abs=5e-5)


@pytest.mark.parametrize("trials", [31, 100, 1000])
def test_the_rule_of_three(trials: int) -> None:
    # Source: Hanley and Lippman-Hand 1983, JAMA 249: close to 3/n for n > 30.
    assert upper_bound(trials, 0, 0.95) == pytest.approx(3 / trials, rel=0.05)


def test_without_trials_and_with_faults_alone_anything_may_fail() -> None:
    assert upper_bound(0, 0, 0.95) == 1.0
    assert upper_bound(1, 1, 0.95) == 1.0
    assert upper_bound(10_000, 10_000, 0.95) == 1.0
    assert rate(Evidence(), 0.95) == 1.0


def test_many_faults_stay_exact_and_below_one() -> None:
    for faults in (5_000, 9_999):
        expected = float(stats.beta.ppf(0.95, faults + 1, 10_000 - faults))
        bound = upper_bound(10_000, faults, 0.95)
        assert faults / 10_000 < bound < 1.0
        # Compared by the rest to 1, where the digits are.
        assert 1 - bound == pytest.approx(1 - expected, rel=1e-6)


@settings(max_examples=50, deadline=None)
@given(st.integers(1, 200), st.data())
def test_more_returns_narrow_it_and_more_faults_or_confidence_widen_it(
    trials: int, data: st.DataObject
) -> None:
    faults = data.draw(st.integers(0, trials))
    confidence = data.draw(st.floats(0.5, 0.99, exclude_min=True))
    bound = upper_bound(trials, faults, confidence)
    assert 0 < bound <= 1
    assert bound >= faults / trials
    if faults < trials:
        assert upper_bound(trials + 1, faults, confidence) < bound
        assert upper_bound(trials, faults + 1, confidence) > bound
        assert upper_bound(trials, faults, (confidence + 1) / 2) > bound


@settings(max_examples=50, deadline=None)
@given(st.integers(1, 2_000), st.floats(0.55, 0.99), st.data())
def test_at_the_bound_the_observation_has_the_probability_that_is_left(
    trials: int, confidence: float, data: st.DataObject
) -> None:
    # Source: the definition, P(X <= f | n, p) = 1 - c, by scipy.stats.binom.cdf.
    faults = data.draw(st.integers(0, min(trials - 1, 40)))
    bound = upper_bound(trials, faults, confidence)
    assert stats.binom.cdf(faults, trials, bound) == pytest.approx(1 - confidence, rel=1e-6)


@pytest.mark.parametrize(
    ("trials", "faults", "confidence"),
    [(-1, 0, 0.95), (3, 4, 0.95), (3, -1, 0.95), (3, 0, 0.0), (3, 0, 1.0), (3, 0, float("nan"))],
)
def test_counts_that_cannot_be_are_refused(trials: int, faults: int, confidence: float) -> None:
    with pytest.raises(ValueError, match="confidence between 0 and 1"):
        upper_bound(trials, faults, confidence)


def test_each_device_counts_the_bound_of_its_own_twins() -> None:
    twins = [("larch", "1"), ("larch", "1"), ("larch", "2"), ("rowan", "1")]
    evidence = {("larch", "1"): Evidence(10), ("rowan", "1"): Evidence(8, 2)}
    # Source: the table above for 10 of 10, scipy for 2 of 10; a group without evidence counts 1.
    expected = 2 * 0.258866 + 1 + float(stats.beta.ppf(0.95, 3, 8))
    assert exposure(twins, evidence, 0.95) == pytest.approx(expected, rel=1e-5)
    assert exposure([], evidence, 0.95) == 0


def test_evidence_adds_up() -> None:
    assert Evidence(1, 2).plus(returns=3).plus(faults=4) == Evidence(4, 6)


def test_fitting_forgives_binary_fractions_and_nothing_more() -> None:
    assert fits(sum([0.1] * 10), 1)
    assert fits(1 + 1e-12, 1)
    assert not fits(1 + 1e-6, 1)
