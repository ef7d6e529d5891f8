"""The life cycle: the table is complete, closed, and leads where the design says."""

from __future__ import annotations

from collections.abc import Iterable
from itertools import product

import pytest

from migrate.model.lifecycle import (
    FAULTS,
    GOAL,
    TRANSITIONS,
    TURNS,
    UNRESOLVED,
    Direction,
    Event,
    IllegalTransition,
    State,
    step,
)
from migrate.model.problems import Exit

EVERY = list(product(Direction, State, Event))


@pytest.mark.parametrize(("direction", "state", "event"), EVERY)
def test_every_triple_is_in_the_table_or_raises(
    direction: Direction, state: State, event: Event
) -> None:
    if (direction, state, event) in TRANSITIONS:
        assert step(direction, state, event) is TRANSITIONS[direction, state, event]
    else:
        with pytest.raises(IllegalTransition) as trouble:
            step(direction, state, event)
        assert trouble.value.exit is Exit.BUG
        for word in (state, direction, event):
            assert word in str(trouble.value)


def _after(direction: Direction, events: Iterable[Event], state: State = State.WAITING) -> State:
    for event in events:
        state = step(direction, state, event)
    return state


# The journeys of the design's vocabulary, not read off the table.
@pytest.mark.parametrize(
    ("events", "end"),
    [
        (["intend", "sent", "arrive", "soak"], State.SETTLED),
        (["intend", "decline"], State.DECLINED),
        (["intend", "unsent"], State.WAITING),
        (["intend", "sent", "come back"], State.RETURNED),
        (["intend", "sent", "expire"], State.ADRIFT),
        (["intend", "sent", "expire", "arrive", "soak"], State.SETTLED),  # late, still recognised
        (["intend", "sent", "arrive", "lose", "come back"], State.RETURNED),
        (["intend", "decline", "intend", "sent", "arrive", "soak"], State.SETTLED),
        (["arrive", "soak"], State.SETTLED),  # already there
    ],
)
def test_journeys(events: list[str], end: State) -> None:
    named = [Event(event) for event in events]
    assert _after(Direction.FORWARD, named) is end
    back = State.RESTORED if end is State.SETTLED else end
    assert _after(Direction.BACK, named) is back


def _edges(direction: Direction) -> set[tuple[State, State]]:
    return {(start, end) for (way, start, _), end in TRANSITIONS.items() if way is direction}


def _reachable(direction: Direction, starts: Iterable[State]) -> set[State]:
    reached = set(starts)
    while True:
        more = {end for start, end in _edges(direction) if start in reached} - reached
        if not more:
            return reached
        reached |= more


def test_every_state_can_be_reached() -> None:
    forward = _reachable(Direction.FORWARD, {State.WAITING})
    assert forward == set(State) - {State.RESTORED}
    back = _reachable(Direction.BACK, {TURNS[state] for state in forward if state in TURNS})
    assert back == set(State) - {State.SETTLED}


def test_no_unresolved_or_faulty_state_is_a_dead_end() -> None:
    for direction in Direction:
        for state in UNRESOLVED | FAULTS | {State.WAITING}:
            assert GOAL[direction] in _reachable(direction, {state}), (direction, state)


def test_the_goal_is_an_end_and_the_only_one() -> None:
    for direction in Direction:
        starts = {start for start, _ in _edges(direction)}
        ends = {end for _, end in _edges(direction)}
        assert ends - starts == {GOAL[direction]}


def test_only_a_soak_settles() -> None:
    # Invariant 6: nothing counts as back before it stayed well for the soak.
    for (direction, state, event), end in TRANSITIONS.items():
        if end is GOAL[direction]:
            assert (state, event) == (State.SEEN, Event.SOAK)


def test_nothing_is_away_without_an_intent_on_disk() -> None:
    # Invariant 1: away is reached only over sending, sending only by an intent. The journal lets a
    # device that waits come there only if an intent of it is on disk (tests/journal).
    for (_, state, event), end in TRANSITIONS.items():
        if end is State.SENDING:
            assert event is Event.INTEND
        if end is State.AWAY:
            assert state in (State.SENDING, State.SEEN, State.WAITING)


def test_what_is_being_sent_is_never_sent_again() -> None:
    # Invariant 5: no second bundle to a device of which nobody knows what it has.
    for direction in Direction:
        for state in UNRESOLVED | {State.ADRIFT}:
            assert (direction, state, Event.INTEND) not in TRANSITIONS


def test_a_rollback_takes_over_what_may_have_the_new_settings() -> None:
    # Never given the new settings, or certainly without them: nothing to take back. One that came
    # back may hold them still, as where it came back by a spare network.
    stayed = {State.WAITING, State.DECLINED, State.RESTORED}
    assert set(TURNS) == set(State) - stayed
    for state, taken_over in TURNS.items():
        # What is unknown stays unknown: it must be looked for before it is sent anything.
        unknown = state in {State.SENDING, State.AWAY, State.ADRIFT}
        may_send = (Direction.BACK, taken_over, Event.INTEND) in TRANSITIONS
        assert unknown != may_send


def test_a_device_is_told_of_by_what_it_did() -> None:
    # "is declined" would be read as that somebody declined the device.
    told = [State(state).told for state in ("declined", "returned", "adrift", "settled")]
    assert told == ["has declined", "has returned", "is adrift", "has settled"]
