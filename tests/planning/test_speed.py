"""Large fleets: steps are counted, since seconds depend on who else uses the machine."""

from __future__ import annotations

import math
import random
from typing import Any

import pytest

from migrate.model.fleet import Device, Reach
from migrate.model.playbook import Pace
from migrate.planning import line, waves
from migrate.planning.gates import admit
from migrate.planning.waves import make_waves
from tests.planning.samples import all_waiting, device, plan_of


class Steps:
    """Counts calls of a function that stand for one step each."""

    def __init__(self) -> None:
        self.taken = 0

    def counting(self, function: Any) -> Any:
        def counted(*given: Any) -> Any:
            self.taken += 1
            return function(*given)

        return counted


@pytest.fixture
def steps(monkeypatch: pytest.MonkeyPatch) -> Steps:
    counter = Steps()
    for room in (line, waves):
        for name in ("heappush", "heappop", "rate"):
            monkeypatch.setattr(room, name, counter.counting(getattr(room, name)))
    return counter


def realistic(count: int) -> list[Device]:
    """Three families in a few versions, a third in covers of two or three, some hard to reach."""
    rng = random.Random(7)  # noqa: S311 - the same fleet every time, no secret
    return [
        device(
            f"d{number}",
            number,
            dialect=rng.choice(("larch", "rowan", "sedge")),
            firmware=str(rng.randrange(4)),
            reach=rng.choice((Reach.TABLE, Reach.TABLE, Reach.LADDER, Reach.TOOLS)),
            cover=f"c{rng.randrange(1 + count // 8)}" if rng.random() < 0.33 else None,
            load="a heater" if rng.random() < 0.2 else None,
        )
        for number in range(count)
    ]


@pytest.mark.parametrize("count", [100, 1_000, 5_000])
@pytest.mark.parametrize("pace", [Pace(), Pace(stranded_at_most=3, confidence=0.9)], ids=str)
def test_waves_take_about_n_log_n_steps(steps: Steps, count: int, pace: Pace) -> None:
    made = make_waves(realistic(count), pace)
    assert sum(len(wave.names) for wave in made) == count
    assert steps.taken < 3 * count * math.log2(count)


@pytest.mark.parametrize(
    "fleet",
    [
        pytest.param([device(f"d{n}", n, firmware=str(n)) for n in range(2_000)], id="no twins"),
        pytest.param([device(f"d{n}", n, cover="one") for n in range(2_000)], id="one cover"),
        pytest.param([device(f"d{n}", n, cover=str(n // 2)) for n in range(2_000)], id="pairs"),
        pytest.param(
            [device(f"d{n}", n, firmware=str(max(0, n - 1_000))) for n in range(2_000)],
            id="half without twins",
        ),
    ],
)
def test_odd_fleets_take_no_more(steps: Steps, fleet: list[Device]) -> None:
    # The plain way takes a step for every waiting device in every wave: here two million.
    made = make_waves(fleet, Pace(stranded_at_most=2))
    assert sum(len(wave.names) for wave in made) == len(fleet)
    assert steps.taken < 3 * len(fleet) * math.log2(len(fleet))


def test_a_long_chain_of_carriers(steps: Steps) -> None:
    chain = [device(f"p{n:04}", n, feeds=(f"p{n + 1:04}",)) for n in range(999)]
    chain.append(device("p0999", 999, feeds=("router",)))
    made = make_waves(chain, Pace())
    assert [wave.names[0] for wave in made] == [f"p{n:04}" for n in reversed(range(1_000))]
    assert steps.taken < 3 * 1_000 * math.log2(1_000)


def test_a_gate_looks_at_each_device_a_few_times(monkeypatch: pytest.MonkeyPatch) -> None:
    looks = Steps()
    rank = Reach.rank.fget  # type: ignore[attr-defined]
    monkeypatch.setattr(Reach, "rank", property(looks.counting(rank)))
    plan = plan_of(realistic(200))
    where = all_waiting(plan)
    looks.taken = 0
    admit(plan, where, [name for wave in plan.waves for name in wave.devices])
    assert looks.taken < 5 * 200
