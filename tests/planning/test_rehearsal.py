"""Rehearsals: the numbers that come out are those that probability theory has for what went in, and
the gates in them are the real ones."""

from __future__ import annotations

import math
import random
from collections import Counter
from itertools import accumulate
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from migrate.model.lifecycle import State
from migrate.model.playbook import Deadline, Pace
from migrate.planning import rehearsal
from migrate.planning.exposure import Evidence
from migrate.planning.fates import OUTAGE_SECONDS, SLOWER, Cast, Rates
from migrate.planning.gates import Standing, admit
from migrate.planning.plan import Plan, Seconds, Shown
from migrate.planning.rehearsal import Result, rehearse
from migrate.planning.times import run_seconds
from tests.planning.samples import all_waiting, device, fleets, paces, plan_of
from tests.planning.test_gates import WIDE, plan_for, planned

NONE = Rates(0, 0, 0, 0, 0, 0)
SURE = 0.001
"""Tests of a distribution fail by chance this often; seeds are fixed, so they do not."""


def only(**rates: float) -> Rates:
    """These rates, and nothing else that goes wrong."""
    kinds = ("declines", "misread", "slow", "lost", "group", "broker")
    return Rates(**(dict.fromkeys(kinds, 0.0) | rates))


def dice(seed: int = 1) -> random.Random:
    return random.Random(seed)  # noqa: S311 - the same every time, no secret


def house(count: int = 40, **more: Any) -> Plan:
    return plan_of([device(f"d{n:03}", n, **more) for n in range(count)])


def by_way(plan: Plan, rates: Rates, times: int, seed: int = 1) -> dict[str, Result]:
    return {one.way: one for one in rehearse(plan, rates, times, dice(seed))}


def fits_distribution(found: Counter[int], expected: dict[int, float], times: int) -> None:
    """Pearson's chi-square; cells with fewer than 5 expected are put together (common practice)."""
    rare = {cell for cell, share in expected.items() if share * times < 5}
    cells = [cell for cell in expected if cell not in rare]
    observed = [found[cell] for cell in cells]
    wanted = [expected[cell] * times for cell in cells]
    observed.append(times - sum(observed))
    wanted.append(times - sum(wanted))
    assert stats.chisquare(observed, wanted).pvalue > SURE


# What theory has


@pytest.mark.parametrize("lost", [0.01, 0.1])
def test_all_at_once_opens_as_many_as_the_binomial_distribution(lost: float) -> None:
    """Source: scipy.stats.binom."""
    times, plan = 3000, house(40)
    trials = by_way(plan, only(lost=lost), times)["all at once"].trials
    expected = {k: float(stats.binom.pmf(k, 40, lost)) for k in range(41)}
    fits_distribution(Counter(trial.opened for trial in trials), expected, times)
    assert all((t.stopped_at is None) == (t.opened == 0) for t in trials)


def test_one_by_one_opens_one_at_most() -> None:
    """P(stop) = 1 - (1 - q)^n; the place of the stop is geometric (source: scipy.stats.geom)."""
    times, lost = 3000, 0.02
    result = by_way(house(40), only(lost=lost), times)["one by one"]
    assert {trial.opened for trial in result.trials} == {0, 1}
    stopped = sum(trial.stopped_at is not None for trial in result.trials)
    assert stats.binomtest(stopped, times, 1 - (1 - lost) ** 40).pvalue > SURE
    expected = {place: float(stats.geom.pmf(place + 1, lost)) for place in range(40)}
    fits_distribution(Counter(result.stops()), expected, times)


def test_where_the_plan_stops() -> None:
    """Wave k stops it if none of those before and one of its own is lost."""
    times, lost, plan = 3000, 0.02, house(60)
    sizes = [len(wave.devices) for wave in plan.waves]
    before = [0, *accumulate(sizes)]
    expected = {
        wave: (1 - lost) ** before[wave] * (1 - (1 - lost) ** size)
        for wave, size in enumerate(sizes)
    }
    result = by_way(plan, only(lost=lost), times)["this plan"]
    fits_distribution(Counter(result.stops()), expected, times)
    assert result.finished == pytest.approx((1 - lost) ** 60, abs=0.03)


def test_ways_meet_the_same_fates() -> None:
    """Common random numbers: all of them stop at the first device that is lost, in plan order."""
    plan = house(60)
    order = [name for wave in plan.waves for name in wave.devices]
    ways = by_way(plan, only(lost=0.02), 300)
    for one, mine, tenth, all_ in zip(
        *(ways[w].trials for w in ("one by one", "this plan", "tenths", "all at once")), strict=True
    ):
        if one.stopped_at is None:
            assert mine.stopped_at is tenth.stopped_at is all_.stopped_at is None
            assert mine.settled == tenth.settled == all_.settled == 60
            continue
        assert mine.stopped_at == plan.wave_of(order[one.stopped_at])
        assert tenth.stopped_at == one.stopped_at // 6
        assert all_.stopped_at == 0
        assert 1 <= mine.opened <= all_.opened


def test_the_same_seed_gives_the_same() -> None:
    plan = house(20)
    assert by_way(plan, Rates(), 50) == by_way(plan, Rates(), 50)
    harsh = Rates(lost=0.1)
    assert by_way(plan, harsh, 50)["this plan"] != by_way(plan, harsh, 50, seed=2)["this plan"]


# The gates


@settings(max_examples=60, deadline=None)
@given(fleets(25), paces(), st.integers(0, 10_000), st.booleans())
def test_it_goes_as_a_run_would_that_asks_the_gate_every_time(
    fleet: Any, pace: Pace, seed: int, wide: bool
) -> None:
    """Played again by asking `admit` with what really happened, as the conductor does; also for
    plans whose waves are wider than the gates let out."""
    made = plan_for(fleet, pace)
    if wide:
        plain = tuple(n for w in made.waves for n in w.devices if not made.device(n).feeds)
        last = [w.devices for w in made.waves if made.device(w.devices[0]).feeds]
        made = planned(fleet, pace, [w for w in (plain, *last) if w])
    rates = Rates(0.02, 0.02, 0, 0.02, 0.1, 0)
    mine = rehearse(made, rates, 3, dice(seed))[0]
    again, cast = dice(seed), Cast(made)
    for trial in mine.trials:
        fates = cast.draw(rates, again, 0)
        states = all_waiting(made)
        stopped = None
        for number, wave in enumerate(made.waves):
            while ready := [n for n in wave.devices if states[n].state is State.WAITING]:
                admitted = admit(made, states, ready).admitted
                for name in admitted:
                    fate = fates.troubled.get([d.name for d in made.devices].index(name))
                    ends = {
                        "declines": State.DECLINED,
                        "misread": State.SEEN,
                        "lost": State.ADRIFT,
                        None: State.SETTLED,
                    }
                    states[name] = Standing(ends[fate])
                if not admitted or any(not states[name].well for name in admitted):
                    stopped = number
                    break
            if stopped is not None:
                break
        ended = Counter(standing.state for standing in states.values())
        assert trial.stopped_at == stopped
        assert trial.settled == ended[State.SETTLED]
        assert trial.opened == ended[State.ADRIFT]
        assert trial.unproven == ended[State.SEEN]
        assert trial.left == ended[State.WAITING] + ended[State.DECLINED]


def test_a_wave_wider_than_its_exposure_is_let_out_in_parts() -> None:
    fleet = tuple(device(f"d{n}", n) for n in range(8))
    plan = planned(fleet, Pace(), [tuple(d.name for d in fleet)])
    mine = rehearse(plan, NONE, 1, dice())[0]
    assert (mine.waves, mine.widest) == (1, 2)  # the same bounds as in how-waves-are-sized.md
    assert mine.trials[0].settled == 8


def test_a_plan_that_its_own_gates_hold_goes_no_further() -> None:
    fleet = (device("main", 1, feeds=("branch",)), device("branch", 2, feeds=("router",)))
    plan = planned(fleet, WIDE, [("main",), ("branch",)])
    trial = rehearse(plan, NONE, 1, dice())[0].trials[0]
    assert (trial.stopped_at, trial.settled, trial.left, trial.seconds) == (0, 0, 2, 0)


def test_the_gates_are_asked_once_and_not_in_every_trial(monkeypatch: pytest.MonkeyPatch) -> None:
    calls: list[int] = []

    def counted(*given: Any) -> Any:
        calls.append(1)
        return admit(*given)

    monkeypatch.setattr(rehearsal, "admit", counted)
    plan = house(40)
    rehearse(plan, Rates(), 50, dice())
    assert len(calls) == len(plan.waves)


# What was shown before


def test_a_group_that_has_returned_before_is_not_wrong_as_a_whole() -> None:
    plan = house(30, firmware="1")
    pilot = by_way(plan, only(group=1), 5)["this plan"].trials
    assert {(trial.stopped_at, trial.opened, trial.left) for trial in pilot} == {(0, 1, 29)}
    assert {t.opened for t in by_way(plan, only(group=1), 5)["all at once"].trials} == {30}
    shown = (Shown(dialect="larch", firmware="1", returns=1, faults=0),)
    proved = plan.model_copy(update={"evidence": shown})
    assert proved.shown == {("larch", "1"): Evidence(1)}
    assert by_way(proved, only(group=1), 5)["all at once"].finished == 1


def test_wrong_groups_come_as_often_as_stated() -> None:
    plan = plan_of([device(f"d{n}", n, firmware=str(n)) for n in range(10)])
    trials = by_way(plan, only(group=0.1), 2000)["all at once"].trials
    expected = {k: float(stats.binom.pmf(k, 10, 0.1)) for k in range(11)}
    fits_distribution(Counter(trial.opened for trial in trials), expected, 2000)


# What becomes of a device


def alone(**more: Any) -> Plan:
    """One device that takes 10 to 20 seconds, with a deadline of 40 and a soak of 5."""
    fleet = (device("lamp", 1, **more),)
    pace = Pace(soak_seconds=5, deadline_seconds=Deadline(least=30, most=40), reply_seconds=3)
    plan = planned(fleet, pace, [("lamp",)])
    one = plan.devices[0].model_copy(update={"seconds": Seconds(least=15, most=25)})
    return plan.model_copy(update={"devices": (one,)})


@pytest.mark.parametrize(
    ("rate", "ends"),
    [
        ("declines", {"left": 1}),
        ("misread", {"unproven": 1}),
        ("lost", {"opened": 1}),
    ],
)
def test_fates(rate: str, ends: dict[str, int]) -> None:
    (trial,) = rehearse(alone(), only(**{rate: 1.0}), 1, dice())[0].trials
    assert trial.stopped_at == 0
    wanted = {"settled": 0, "opened": 0, "unproven": 0, "left": 0} | ends
    assert {key: getattr(trial, key) for key in wanted} == wanted
    if rate == "declines":
        assert trial.seconds == 3  # the reply
    elif rate == "lost":
        assert trial.seconds == 40  # its deadline: no return has been seen
    else:
        assert 10 + 40 <= trial.seconds <= 20 + 40  # looked at for as long again


def test_a_slow_device_settles_or_is_late_but_is_never_opened() -> None:
    trials = rehearse(alone(), only(slow=1), 4000, dice())[0].trials
    assert {(trial.opened, trial.left) for trial in trials} == {(0, 0)}
    late = [trial for trial in trials if trial.unproven]
    assert {trial.stopped_at for trial in late} == {0}
    assert {trial.seconds for trial in late} == {40}
    # 10 to 20 s, 2 to 10 times as long: no more than 40 s. Monte Carlo, with scipy.stats.uniform.
    low, high = SLOWER
    rng = stats.uniform.rvs(size=(2, 200_000), random_state=5)
    share = float((((10 + 10 * rng[0]) * (low + (high - low) * rng[1])) <= 40).mean())
    assert stats.binomtest(4000 - len(late), 4000, share).pvalue > SURE
    assert all(25 <= t.seconds <= 45 for t in trials if not t.unproven)


def test_time_is_uniform_over_the_range_of_the_plan() -> None:
    """Source: scipy.stats.kstest."""
    result = rehearse(alone(), NONE, 2000, dice())[0]
    assert stats.kstest(result.done_seconds(), stats.uniform(15, 10).cdf).pvalue > SURE
    assert result.seconds(0.5) == pytest.approx(20, abs=0.5)
    assert result.seconds(0.05) == pytest.approx(15.5, abs=0.3)


@settings(max_examples=20, deadline=None)
@given(fleets(30), st.integers(0, 1000))
def test_without_faults_the_time_lies_within_what_the_plan_expects(fleet: Any, seed: int) -> None:
    plan = plan_of(without_circles(fleet))
    expected = run_seconds(wave.seconds for wave in plan.waves)
    mine = rehearse(plan, NONE, 3, dice(seed))[0]
    assert mine.finished == 1
    for trial in mine.trials:
        assert expected.least - 1e-6 <= trial.seconds <= expected.most + 1e-6
        assert trial.settled == len(plan.devices)


def without_circles(fleet: Any) -> list[Any]:
    """Without carriers: whether one is refused is not the question here."""
    return [one.model_copy(update={"feeds": ()}) for one in fleet]


def test_deadlines_follow_the_returns_seen() -> None:
    """RFC 6298: after returns of 10 s each, the deadline nears 10 s and is held at `least`."""
    fleet = tuple(device(f"d{n:02}", n) for n in range(30))
    pace = Pace(soak_seconds=0, deadline_seconds=Deadline(least=12, most=500))
    plan = planned(fleet, pace, [(one.name,) for one in fleet])
    same = tuple(
        one.model_copy(update={"seconds": Seconds(least=10, most=10)}) for one in plan.devices
    )
    plan = plan.model_copy(update={"devices": same})
    for trial in rehearse(plan, only(lost=0.05), 50, dice())[0].trials:
        if trial.stopped_at is not None and trial.stopped_at > 15:
            assert trial.seconds == pytest.approx(10 * trial.stopped_at + 12)
        elif trial.stopped_at == 0:
            assert trial.seconds == 500
        elif trial.stopped_at == 1:
            assert trial.seconds == pytest.approx(10 + 10 + 4 * 5)  # R + K * R/2


# The broker


def test_restarts_of_the_broker_come_at_a_steady_rate() -> None:
    """Source: scipy.stats.expon; from the end of one to the begin of the next."""
    fates = Cast(alone()).draw(only(broker=2), dice(), 4_000_000)
    begins, ends = zip(*fates.outages, strict=True)
    gaps = [begin - end for begin, end in zip(begins[1:], ends, strict=False)]
    assert len(gaps) > 1500
    assert stats.kstest(gaps, stats.expon(scale=1800).cdf).pvalue > SURE
    low, high = OUTAGE_SECONDS
    lengths = [end - begin for begin, end in fates.outages]
    assert stats.kstest(lengths, stats.uniform(low, high - low).cdf).pvalue > SURE


@pytest.mark.parametrize("via", ["http", "mqtt"])
def test_a_broker_that_restarts_delays_what_is_moved_over_it(via: str) -> None:
    often = only(broker=60)
    trials = rehearse(alone(via=via), often, 500, dice())[0].trials
    times = [trial.seconds for trial in trials if trial.stopped_at is None]
    if via == "http":
        assert max(times) <= 25
    else:
        assert max(times) > 30
    # On neither side for too long while the broker was gone: late, but nothing to open.
    assert {trial.opened for trial in trials} == {0}


# Figures and limits


def test_tenths() -> None:
    ways = by_way(house(33), NONE, 1)
    assert (ways["tenths"].waves, ways["tenths"].widest) == (9, 4)
    assert by_way(house(3), NONE, 1)["tenths"].waves == 3
    assert ways["all at once"].widest == 33


def test_covers_that_are_broken_are_counted() -> None:
    plan = plan_of([device(f"d{n}", n, cover=f"c{n % 3}") for n in range(12)])
    ways = by_way(plan, NONE, 1)
    assert ways["this plan"].together == ways["one by one"].together == 0
    assert ways["all at once"].together == 3


@settings(max_examples=30, deadline=None)
@given(fleets(30), st.integers(0, 1000))
def test_every_device_is_counted_once(fleet: Any, seed: int) -> None:
    plan = plan_for(fleet)
    rates = Rates(0.05, 0.05, 0.1, 0.05, 0.1, 30)
    for result in rehearse(plan, rates, 5, dice(seed)):
        for trial in result.trials:
            parts = (trial.settled, trial.opened, trial.unproven, trial.left)
            assert min(parts) >= 0
            assert sum(parts) == len(plan.devices)
            assert math.isfinite(trial.seconds)
            assert (trial.stopped_at is None) == (trial.settled == len(plan.devices))


@pytest.mark.parametrize(
    "wrong",
    [
        {"lost": -0.1},
        {"slow": 1.1},
        {"group": 2.0},
        {"lost": 0.6, "declines": 0.6},
        {"broker": -1.0},
        {"broker": math.nan},
        {"lost": math.nan},
    ],
)
def test_rates_that_cannot_be(wrong: dict[str, float]) -> None:
    with pytest.raises(ValueError, match=r"rate|broker"):
        Rates(**wrong)


def test_quantiles_are_values_that_were_seen() -> None:
    result = Result("w", 1, 1, 0)
    result.trials = [rehearsal.Trial(s, 0, o, 0, 0, None) for s, o in ((1, 0), (2, 0), (9, 3))]
    assert [result.seconds(share) for share in (0, 0.33, 0.34, 0.5, 0.95, 1)] == [1, 1, 2, 2, 9, 9]
    assert (result.opened(0.5), result.opened(0.95), result.opened_mean) == (0, 3, 1)
