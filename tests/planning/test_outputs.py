"""What is done about outputs: the decision, and the readings it is made from.

That a restart may drop what a device switches is common practice, no source.
"""

from __future__ import annotations

from itertools import product

import pytest
from hypothesis import given
from hypothesis import strategies as st

from migrate.dialects.messages import Switched
from migrate.planning.outputs import (
    AMISS,
    AS_BEFORE,
    BEFORE,
    FOUND,
    KINDS,
    NOT_FOUND,
    NOT_SURVEYED,
    OPEN,
    OTHERWISE_SURVEYED,
    READ_BACK,
    RESTORED,
    STILL,
    SWITCHED_BEFORE,
    SWITCHED_SINCE,
    TOLD,
    UNSEEN,
    UNSURE,
    Leave,
    Line,
    Seen,
    Trip,
    Verdict,
    Wanted,
    decide,
    from_words,
    in_words,
    judge,
    told_words,
    trips,
    wanted,
)

ON, OFF = True, False
Reading = Switched | None


def seen(before: Reading, just_before: Reading, found: Reading, end: Reading) -> Seen:
    return Seen(before, Wanted(just_before), (found,), end)


# The decision

CASES: list[tuple[str, Seen, Reading, str]] = [
    ("nothing happened", seen(ON, ON, ON, ON), None, "on, as before"),
    ("off all the time", seen(OFF, OFF, OFF, OFF), None, "off, as before"),
    ("dropped by the restart", seen(ON, ON, OFF, OFF), ON, "off, was on"),
    ("switched on by the restart", seen(OFF, OFF, ON, ON), OFF, "on, was off"),
    ("a level that was lost", seen(40, 40, 0, 0), 40, "0, was 40"),
    ("full after the restart", seen(40, 40, 100, 100), 40, "100, was 40"),
    ("a person switched it off before the send", seen(ON, OFF, OFF, OFF), None, "off, as before"),
    (
        "and the restart on again",
        seen(ON, OFF, ON, ON),
        None,
        f"on, was off; not restored: {OTHERWISE_SURVEYED}",
    ),
    (
        "on for a moment when it was sent",
        seen(OFF, ON, OFF, OFF),
        None,
        f"off, was on; not restored: {OTHERWISE_SURVEYED}",
    ),
    (
        "not to be read at the survey",
        seen(None, ON, OFF, OFF),
        None,
        f"off, was on; not restored: {NOT_SURVEYED}",
    ),
    (
        "a person switched it off while it soaked",
        seen(ON, ON, ON, OFF),
        None,
        f"off, was on; not restored: {SWITCHED_SINCE}",
    ),
    ("a person switched it on after the drop", seen(ON, ON, OFF, ON), None, "on, as before"),
    (
        "a person turned the dimmer after the drop",
        seen(80, 80, 0, 20),
        None,
        f"20, was 80; not restored: {SWITCHED_SINCE}",
    ),
    (
        "not to be read when it came back",
        seen(ON, ON, None, OFF),
        None,
        f"off, was on; not restored: {NOT_FOUND}",
    ),
    (
        "not to be read just before",
        seen(ON, None, OFF, OFF),
        None,
        "off; what it was just before could not be read; on at the survey; look at it",
    ),
    (
        "never to be read before",
        seen(None, None, OFF, OFF),
        None,
        "off; what it was just before could not be read; look at it",
    ),
    ("not to be read now", seen(ON, ON, ON, None), None, "cannot be read now; was on; look at it"),
    (
        "not to be read at all",
        seen(None, None, None, None),
        None,
        "cannot be read now; could not be read before either; look at it",
    ),
    (
        "only the survey could read it",
        seen(ON, None, None, None),
        None,
        "cannot be read now; was on; look at it",
    ),
]


@pytest.mark.parametrize(("case", "one", "restore", "words"), CASES, ids=[c[0] for c in CASES])
def test_the_decision(case: str, one: Seen, restore: Reading, words: str) -> None:
    verdict = decide(one)
    assert (verdict.restore, verdict.words) == (restore, words)
    assert verdict.well is words.endswith("as before")
    assert verdict.tell is not verdict.well


DROPPED = seen(ON, ON, OFF, OFF)


@pytest.mark.parametrize(
    ("one", "leave", "told", "words"),
    [
        (DROPPED, "its dialect cannot", None, "off, was on; not restored: its dialect cannot"),
        (DROPPED, "", ON, "off, was on; told once to be on, and not told again"),
        (
            Seen(ON, Wanted(ON, sure=False), (OFF,), OFF),
            "",
            None,
            f"off, was on; not restored: {UNSURE}",
        ),
        (Seen(ON, Wanted(ON), (), OFF), "", None, f"off, was on; not restored: {NOT_FOUND}"),
        (
            Seen(ON, Wanted(ON), (ON, OFF), OFF),
            "",
            None,
            f"off, was on; not restored: {SWITCHED_SINCE}",
        ),
        (
            Seen(ON, Wanted(ON), (OFF,), OFF, still=(ON, OFF)),
            "",
            None,
            f"off, was on; not restored: {SWITCHED_BEFORE}",
        ),
        (
            # On, off and on again by hand, and dropped by the restart: who would know?
            Seen(ON, Wanted(ON), (OFF,), OFF, still=(ON, None, OFF, ON)),
            "",
            None,
            f"off, was on; not restored: {SWITCHED_BEFORE}",
        ),
        (
            # A person switched it off, and the restart on again.
            Seen(ON, Wanted(ON), (ON,), ON, still=(ON, OFF)),
            "",
            None,
            "on, was off before its restart; somebody may have switched it; look at it",
        ),
        (
            # Off just before; on long ago, and on again now.
            Seen(ON, Wanted(ON, sure=False), (ON,), ON, still=(OFF,)),
            "",
            None,
            "on, was off before its restart; somebody may have switched it; look at it",
        ),
    ],
)
def test_left_alone_and_told(one: Seen, leave: str, told: Reading, words: str) -> None:
    assert decide(one, leave, told) == Verdict(False, None, words)


def test_one_that_was_restored_is_told() -> None:
    verdict = decide(seen(ON, ON, OFF, ON), told=ON)
    assert verdict == Verdict(True, None, "was off after the restart, restored to on")


STATES: tuple[Reading, ...] = (ON, OFF, None)


def test_one_that_could_not_be_read_once_before_its_restart_is_restored() -> None:
    assert decide(Seen(ON, Wanted(ON), (OFF,), OFF, still=(ON, None))).restore is ON


def test_every_combination_of_readings() -> None:
    """By rules of their own, for every one of 3 to the power of 6 histories."""
    count = 0
    for before, just_before, still, first, second, end in product(STATES, repeat=6):
        one = Seen(before, Wanted(just_before), (first, second), end, (just_before, still))
        verdict = decide(one)
        count += 1
        if verdict.restore is not None:
            # Only to what it was just before and at the survey, and only if nothing changed before
            # its restart, nor since it was found.
            assert verdict.restore == just_before == before
            assert still in (just_before, None)
            assert first == second == end != just_before
            assert None not in (just_before, first, second, end)
        if verdict.restore is ON:
            assert just_before is ON
        assert verdict.well is (end is not None and end == just_before and still in (end, None))
        assert verdict.words
        assert decide(one, "a reason").restore is None
        assert decide(one, told=ON).restore is None
    assert count == 729


VALUES = st.none() | st.booleans() | st.integers(0, 10**6) | st.floats(0, 1e6)


@given(st.dictionaries(st.from_regex(r"[a-z][a-z0-9-]{0,39}", fullmatch=True), VALUES))
def test_readings_come_back_out_of_the_journal(values: dict[str, Switched | None]) -> None:
    back = from_words(in_words(values))
    assert back == values
    assert all(isinstance(back[name], bool) is isinstance(values[name], bool) for name in values)


@given(st.text(max_size=60))
def test_words_of_anybody_are_read_without_harm(text: str) -> None:
    assert (
        all(value is None or value == value for value in from_words(text).values())
        or "nan" in text.lower()
    )


def test_words_of_several() -> None:
    words = {"left": "off, was on", "right": "cannot be read now"}
    assert (
        told_words(words, only=False) == "output left off, was on; output right cannot be read now"
    )
    assert told_words({"relay": "off, was on"}, only=True) == "output off, was on"


# The journal's lines


def lines(*steps: tuple[str, str] | str) -> list[Line]:
    """A step of the life cycle has no words here."""
    return [Line(step, "") if isinstance(step, str) else Line(*step) for step in steps]


SURVEYED = {"relay": ON}
SENT = ((BEFORE, "relay on"), "intend", "sent")
ARRIVED = ((FOUND, "relay off"), "arrive", "soak")


def test_one_sending_from_its_lines() -> None:
    more = ((TOLD, "relay on"), (READ_BACK, "relay on"), (RESTORED, "words"))
    (trip,) = trips(lines(*SENT, *ARRIVED, *more))
    assert trip.before == {"relay": True}
    assert (trip.found, trip.after) == (
        [{"relay": False}],
        [{"relay": False}, {"relay": True}],
    )
    assert trip.told == {"relay": True}
    assert (trip.kind, trip.words, trip.ended, trip.unseen) == (RESTORED, "words", True, False)


@pytest.mark.parametrize("end", ["unsent", "decline"])
def test_a_sending_that_changed_nothing_does_not_count(end: str) -> None:
    assert trips(lines((BEFORE, "relay on"), "intend", end)) == []
    before = trips(lines(*SENT, *ARRIVED, (AMISS, "off")))
    assert trips(lines(*SENT, *ARRIVED, (AMISS, "off"), (BEFORE, "relay off"), "intend", end)) == (
        before
    )


@pytest.mark.parametrize("end", ["unsent", "decline"])
def test_a_sending_that_arrived_after_all_counts(end: str) -> None:
    steps = ((BEFORE, "relay on"), "intend", end, (FOUND, "relay off"), "arrive")
    (trip,) = trips(lines(*steps))
    assert (trip.before, trip.found) == ({"relay": True}, [{"relay": False}])


@pytest.mark.parametrize("more", [(UNSEEN, "another process"), (STILL, "relay off")])
def test_what_is_known_of_one_that_arrived_after_all_counts(more: tuple[str, str]) -> None:
    """It seemed unchanged, and then holds what it was sent."""
    steps = ((BEFORE, "relay on"), "intend", "unsent")
    late = (more, "sent") if more[0] == UNSEEN else ("sent", more)
    (trip,) = past = trips(lines(*steps, *late, *ARRIVED))
    assert (trip.unseen, trip.still) == (
        (True, []) if late[0] == more else (False, [{"relay": OFF}])
    )
    assert judge(past, SURVEYED, {"relay": False}, Leave())["relay"].restore is None


def test_readings_before_a_sending_that_never_came_do_not_count() -> None:
    assert trips(lines((BEFORE, "relay on"))) == []
    (trip,) = trips(lines((BEFORE, "relay on"), (BEFORE, "relay off"), "intend", "sent"))
    assert trip.before == {"relay": False}


def test_an_intent_whose_readings_are_lost_is_a_sending_all_the_same() -> None:
    (trip,) = trips(lines("intend", "sent"))
    assert trip.before == {}
    verdict = judge([trip], SURVEYED, {"relay": False}, Leave())["relay"]
    assert (verdict.well, verdict.restore) == (False, None)


def test_found_anew_it_is_looked_at_anew() -> None:
    (trip,) = trips(lines(*SENT, "come back", (AMISS, "off"), (FOUND, "relay off"), "arrive"))
    assert not trip.ended
    (trip,) = trips(lines(*SENT, *ARRIVED, (OPEN, "not read")))
    assert not trip.ended
    assert trip.words == "not read"


def test_one_that_was_unseen_for_long_is_left_alone() -> None:
    assert (
        judge(trips(lines(*SENT, *ARRIVED)), SURVEYED, {"relay": False}, Leave())["relay"].restore
        is ON
    )
    unseen = (UNSEEN, "not read for too long")
    for steps in ((*SENT, unseen, *ARRIVED), (*SENT, *ARRIVED, unseen)):
        past = trips(lines(*steps))
        assert past[0].unseen
        verdict = judge(past, SURVEYED, {"relay": False}, Leave())["relay"]
        assert verdict == Verdict(False, None, f"off, was on; not restored: {UNSURE}")


def test_one_that_changed_before_its_restart_is_left_alone() -> None:
    past = trips(lines(*SENT, (STILL, "relay off"), *ARRIVED))
    verdict = judge(past, SURVEYED, {"relay": False}, Leave())["relay"]
    assert verdict == Verdict(False, None, f"off, was on; not restored: {SWITCHED_BEFORE}")


# Over several sendings

ONE: tuple[tuple[str, str] | str, ...] = (*SENT, *ARRIVED, (AMISS, "output off, was on"))


@pytest.mark.parametrize(
    ("case", "steps", "now", "want"),
    [
        ("dropped, and off still", ONE, "off", Wanted(ON)),
        ("dropped, and switched on by a person", ONE, "on", Wanted(ON)),
        (
            "as it was, and switched off by a person later",
            (*SENT, (FOUND, "relay on"), "arrive", "soak", (AS_BEFORE, "relay on")),
            "off",
            Wanted(OFF),
        ),
        (
            "restored, and switched off by a person later",
            (*SENT, *ARRIVED, (TOLD, "relay on"), (READ_BACK, "relay on"), (RESTORED, "")),
            "off",
            Wanted(OFF),
        ),
        (
            "dropped, and another process goes on",
            (*ONE, (UNSEEN, "another process")),
            "off",
            Wanted(ON, sure=False),
        ),
        (
            "dropped, and away unseen for long",
            (*SENT, (UNSEEN, "too long"), *ARRIVED, (AMISS, "")),
            "off",
            Wanted(ON, sure=False),
        ),
        (
            "as it was, and off when another process goes on",
            (*SENT, (FOUND, "relay on"), (AS_BEFORE, "relay on"), (UNSEEN, "another process")),
            "off",
            Wanted(OFF),
        ),
        (
            "switched off by a person before its restart",
            (*SENT, (STILL, "relay off"), *ARRIVED, (AMISS, "")),
            "off",
            Wanted(ON, sure=False),
        ),
        ("nobody saw it in between", (*SENT, "expire"), "off", Wanted(ON, sure=False)),
        ("nobody saw it, and it is on", (*SENT, "expire"), "on", Wanted(ON)),
        (
            "not to be read in between",
            (*SENT, (FOUND, "relay unreadable"), "arrive"),
            "off",
            Wanted(ON, sure=False),
        ),
        ("not to be read now", ONE, "unreadable", Wanted(None)),
    ],
)
def test_a_loss_does_not_become_the_rule(
    case: str, steps: tuple[tuple[str, str] | str, ...], now: str, want: Wanted
) -> None:
    past = trips(lines(*steps, "turn", (BEFORE, f"relay {now}"), "intend", "sent"))
    assert len(past) == 2
    assert wanted(past) == {"relay": want}


def test_dropped_forward_and_taken_back_it_is_restored_on_the_way_back() -> None:
    back = ((BEFORE, "relay off"), "intend", "sent", (FOUND, "relay off"), "arrive", "soak")
    past = trips(lines(*SENT, *ARRIVED, "turn", *back))
    assert judge(past, SURVEYED, {"relay": False}, Leave())["relay"].restore is ON
    # By another process: it was off just before, and stays so. That it was on is told.
    past = trips(lines(*SENT, *ARRIVED, (AMISS, ""), "turn", (UNSEEN, "another process"), *back))
    verdict = judge(past, SURVEYED, {"relay": False}, Leave())["relay"]
    assert verdict == Verdict(False, None, f"off, was on; not restored: {UNSURE}")


# Several outputs


def test_each_output_is_judged_by_itself() -> None:
    past = [
        Trip(
            {"left": True, "right": True, "fan": 40.0, "lamp": False},
            found=[{"left": False, "right": False, "fan": 40.0, "lamp": None}],
        )
    ]
    now = {"left": False, "right": False, "fan": 0.0, "lamp": None}
    surveyed = dict(past[0].before)
    verdicts = judge(past, surveyed, now, Leave(by_name={"right": "its dialect cannot"}))
    assert {name: one.restore for name, one in verdicts.items()} == {
        "left": True,
        "right": None,
        "fan": None,
        "lamp": None,
    }
    assert verdicts["right"].words == "off, was on; not restored: its dialect cannot"
    assert verdicts["fan"].words == f"0, was 40; not restored: {SWITCHED_SINCE}"
    whole = judge(past, surveyed, now, Leave("the owner says no"))
    assert all(one.restore is None for one in whole.values())


def test_the_kinds_are_told_apart_from_the_steps_of_the_life_cycle() -> None:
    assert all(kind.startswith("outputs ") for kind in KINDS)
    assert len(set(KINDS)) == 10
