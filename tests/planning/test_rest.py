"""The rest of a plan after a stop, and what is known when it is planned."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from migrate.model.lifecycle import Direction, State
from migrate.model.problems import Refused
from migrate.planning.gates import Standing
from migrate.planning.plan import Plan
from migrate.planning.rest import rest_of
from tests.planning.samples import device, plan_of

BACK = Direction.BACK
LAMPS = [device(f"lamp-{number}", number, firmware="3.1.0") for number in range(1, 6)]


def plan() -> Plan:
    return plan_of(LAMPS)


def standing(plan: Plan, *known: Standing) -> dict[str, Standing]:
    rest = [Standing()] * (len(plan.devices) - len(known))
    return {one.name: how for one, how in zip(plan.devices, [*known, *rest], strict=True)}


def test_those_that_moved_and_those_written_off_are_left_out() -> None:
    old = plan()
    rest = rest_of(
        old,
        standing(
            old,
            Standing(State.SETTLED),
            Standing(State.ADRIFT, written_off=True),
            Standing(State.RETURNED, faults=1),
            Standing(State.RESTORED, BACK),
        ),
    )
    assert rest.names == ("lamp-3", "lamp-4", "lamp-5")
    assert rest.left_out == {"lamp-1": "is on the new side", "lamp-2": "was written off"}


@pytest.mark.parametrize(
    ("how", "words", "remedy"),
    [
        (Standing(State.ADRIFT), "adrift", "--write-off lamp-1"),
        (Standing(State.AWAY), "is away", "migrate resume"),
        (Standing(State.SENDING), "is sending", "migrate resume"),
        (Standing(State.SEEN), "is seen", "migrate resume"),
        (Standing(State.RETURNED, BACK), "on its way back", "migrate rollback"),
        (Standing(State.AWAY, BACK), "on its way back", "migrate rollback"),
    ],
)
def test_an_open_fate_is_no_ground_for_a_second_plan(
    how: Standing, words: str, remedy: str
) -> None:
    old = plan()
    with pytest.raises(Refused) as trouble:
        rest_of(old, standing(old, how))
    (problem,) = trouble.value.problems
    assert problem.device == "lamp-1"
    assert words in problem.what
    assert remedy in problem.remedy


def test_every_open_fate_is_told_at_once() -> None:
    old = plan()
    with pytest.raises(Refused) as trouble:
        rest_of(old, standing(old, *[Standing(State.AWAY)] * 3))
    assert len(trouble.value.problems) == 3


def test_nothing_left() -> None:
    old = plan()
    with pytest.raises(Refused, match="nothing is left"):
        rest_of(old, standing(old, *[Standing(State.SETTLED)] * 5))


@given(
    st.lists(
        st.builds(
            Standing,
            st.sampled_from(State),
            st.sampled_from(Direction),
            st.booleans(),
            st.integers(0, 2),
        ),
        min_size=5,
        max_size=5,
    )
)
def test_nobody_is_forgotten_and_nobody_planned_twice(how: list[Standing]) -> None:
    old = plan()
    where = standing(old, *how)
    try:
        rest = rest_of(old, where)
    except Refused as refused:
        named = {problem.device for problem in refused.problems}
        assert named <= set(where) | {""}
        return
    assert sorted([*rest.names, *rest.left_out]) == sorted(where)
    for name in rest.names:
        # It has the settings that it had before, or said no to others: nothing is on its way to it.
        assert not where[name].away
        assert not where[name].written_off
