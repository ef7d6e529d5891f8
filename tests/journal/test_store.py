"""What the journal keeps, and what it will not let happen."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Callable, Iterator
from datetime import datetime
from functools import partial
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from migrate.journal.intents import place_of
from migrate.journal.rows import UPTIME, Entry, freeze_json, thaw_json
from migrate.journal.store import Journal
from migrate.model.lifecycle import (
    TRANSITIONS,
    TURNS,
    Direction,
    Event,
    IllegalTransition,
    State,
)
from migrate.model.problems import Exit
from migrate.model.secrets import Secret, SecretRef
from migrate.model.settings import Setting
from migrate.planning.gates import Standing
from tests.journal.helpers import (
    BACK,
    FACTS,
    GIVEN,
    NAMES,
    READINGS,
    Clock,
    in_state,
    in_trouble,
    new_journal,
    path_in,
    plan,
    surveyed,
)

CANARY = "quagmire xylophone"
Place = tuple[Direction, State]
FORWARD: list[Place] = [(Direction.FORWARD, s) for s in State if s is not State.RESTORED]
BACKWARD: list[Place] = [(Direction.BACK, s) for s in State if s is not State.SETTLED]


@pytest.fixture
def journal(tmp_path: Path) -> Iterator[Journal]:
    made = surveyed(tmp_path)
    yield made
    made.close()


def steps(journal: Journal) -> list[Entry]:
    """The lines without how long a device had been up, which follows each intent."""
    found = journal.entries()
    for before, entry in pairwise(found):
        assert (entry.kind == UPTIME) == (before.kind == "intend")
    return [entry for entry in found if entry.kind != UPTIME]


def look(journal: Journal, sql: str) -> list[tuple[Any, ...]]:
    """By a second connection, as another program would see it."""
    with sqlite3.connect(f"file:{journal.path}?mode=ro", uri=True) as other:
        found = other.execute(sql).fetchall()
    other.close()
    return found


def test_a_new_journal_has_the_plan_its_facts_and_everybody_waiting(journal: Journal) -> None:
    assert journal.plan == plan()
    assert {key: journal.fact(key) for key in FACTS} == FACTS
    assert [row.name for row in journal.rows()] == [one.name for one in plan().devices]
    for row in journal.rows():
        assert row.standing == Standing(State.WAITING, Direction.FORWARD, False, 0, sent=False)
        assert row.wave == plan().wave_of(row.name)
        assert (row.sent_at, row.given, row.note) == (None, None, "")
    assert journal.entries() == []
    in_trouble(lambda: journal.fact("colour"), "has no colour")
    in_trouble(lambda: journal.row("nobody"), "knows no device nobody")


def test_an_intent_is_kept_with_what_is_given_and_when(journal: Journal) -> None:
    row = journal.intend("desk-lamp", GIVEN)
    assert row.state is State.SENDING
    assert row.given == GIVEN
    assert type(row.given[Setting.BROKER_TLS]) is bool
    assert row.sent_at is not None
    assert datetime.fromisoformat(row.sent_at).tzinfo is not None
    journal.step("desk-lamp", Event.SENT, "it said yes")
    row = journal.row("desk-lamp")
    assert (row.state, row.note, row.given) == (State.AWAY, "it said yes", GIVEN)
    assert row.changed_at is not None
    assert row.changed_at > row.sent_at  # type: ignore[operator]


def test_the_database_itself_refuses_an_intent_without_a_way_back(tmp_path: Path) -> None:
    journal = new_journal(tmp_path)
    in_trouble(lambda: journal.intend("plug", GIVEN), "no way back on disk")
    row = journal.row("plug")
    assert (row.state, row.sent_at, row.given) == (State.WAITING, None, None)
    assert journal.entries() == []
    # Also when somebody writes past this program.
    with sqlite3.connect(journal.path) as other, pytest.raises(sqlite3.IntegrityError):
        other.execute("UPDATE device SET state = 'sending' WHERE name = 'plug'")
    other.close()
    # The way back of another device does not do.
    journal.record_before("desk-lamp", READINGS, BACK)
    in_trouble(lambda: journal.intend("plug", GIVEN), "no way back on disk")
    journal.record_before("plug", READINGS, BACK)
    assert journal.intend("plug", GIVEN).state is State.SENDING
    journal.close()


def test_the_way_back_is_durable_before_the_intent_is(journal: Journal) -> None:
    # Invariant 1, seen from outside: what another connection can read is committed.
    assert look(journal, "SELECT count(*) FROM way_back") == [(3,)]
    assert look(journal, "SELECT count(*) FROM device WHERE state = 'sending'") == [(0,)]
    journal.intend("plug", GIVEN)
    assert look(journal, "SELECT name FROM device WHERE state = 'sending'") == [("plug",)]


def test_survey_and_way_back_come_back_as_they_went_in(journal: Journal) -> None:
    assert journal.survey("plug") == READINGS
    assert journal.way_back("plug") == BACK
    assert journal.survey("nobody") is None
    assert journal.way_back("nobody") is None


def test_a_second_survey_replaces_the_first_until_something_was_sent(journal: Journal) -> None:
    other = {**BACK, Setting.WIFI_SSID: "cellar"}
    journal.record_before("plug", READINGS, other)
    assert journal.way_back("plug") == other
    journal.intend("plug", GIVEN)
    journal.step("plug", Event.SENT)
    # From here on the device may have the new settings: they are not the way back.
    in_trouble(lambda: journal.record_before("plug", {"side": "new"}, GIVEN), "before the first")
    assert journal.way_back("plug") == other
    assert journal.survey("plug") == READINGS


@pytest.mark.parametrize("direction", Direction)
@pytest.mark.parametrize("state", State)
def test_every_step_that_the_table_has_not_leaves_nothing_behind(
    journal: Journal, direction: Direction, state: State
) -> None:
    """All 18 places, also the two that no lawful way leads to, and all that is not lawful there."""
    if (direction, state) in FORWARD + BACKWARD:
        in_state(journal, "plug", direction, state)
    else:  # past this program
        journal._db.execute("UPDATE device SET direction = ?, state = ?", (direction, state))
    before = contents(journal)
    unlawful = [event for event in Event if (direction, state, event) not in TRANSITIONS]
    tries: list[Callable[[], object]] = [
        *[partial(journal.step, "plug", event, "not lawful") for event in unlawful],
        *[partial(journal.step, "plug", event, took=1.0) for event in unlawful],
    ]
    if Event.INTEND in unlawful:
        tries.append(partial(journal.intend, "plug", {Setting.WIFI_SSID: "elsewhere"}))
    if direction is Direction.BACK or state not in TURNS:
        tries.append(partial(journal.turn, "plug"))
    assert tries
    for one in tries:
        with pytest.raises(IllegalTransition) as trouble:
            one()
        assert trouble.value.exit is Exit.BUG
        assert contents(journal) == before


def contents(journal: Journal) -> tuple[list[str], bytes]:
    """Everything in every table, by a second connection, and the intents beside it."""
    with sqlite3.connect(f"file:{journal.path}?mode=ro", uri=True) as other:
        found = list(other.iterdump())
    other.close()
    return found, place_of(journal.path).read_bytes()


@pytest.mark.parametrize(("direction", "state"), FORWARD + BACKWARD, ids=str)
def test_every_lawful_step_is_kept_and_told(
    tmp_path: Path, direction: Direction, state: State
) -> None:
    for number, ((way, before, event), after) in enumerate(TRANSITIONS.items()):
        if (way, before) != (direction, state):
            continue
        journal = surveyed(tmp_path / str(number))
        in_state(journal, "plug", direction, state)
        if (before, event) == (State.WAITING, Event.SENT):
            # Invariant 1: it cannot hold what it was never sent.
            with pytest.raises(IllegalTransition, match="never sent"):
                journal.step("plug", event, "words")
            journal.intend("plug", GIVEN)
            journal.step("plug", Event.UNSENT)
        row = (
            journal.intend("plug", BACK)
            if event is Event.INTEND
            else journal.step("plug", event, "words")
        )
        assert (row.direction, row.state) == (direction, after)
        last = steps(journal)[-1]
        assert (last.name, last.kind, last.before, last.after) == ("plug", event, state, after)
        assert (last.direction, last.wave) == (direction, plan().wave_of("plug"))
        journal.close()


@pytest.mark.parametrize("state", [s for _, s in FORWARD])
def test_the_turn_to_the_way_back(journal: Journal, state: State) -> None:
    in_state(journal, "plug", Direction.FORWARD, state)
    # By DESIGN.md's states: who may have been given the new settings can turn, nobody else.
    after = {
        State.SEEN: State.WAITING,
        State.SETTLED: State.WAITING,
        State.SENDING: State.AWAY,
        State.AWAY: State.AWAY,
        State.ADRIFT: State.ADRIFT,
        State.RETURNED: State.WAITING,
    }.get(state)
    if after is None:
        with pytest.raises(IllegalTransition, match=f"that is {state} .forward. cannot turn"):
            journal.turn("plug")
        return
    journal.write_off("plug")
    row = journal.turn("plug")
    assert (row.direction, row.state, row.written_off) == (Direction.BACK, after, False)
    last = journal.entries()[-1]
    assert (last.kind, last.before, last.after, last.direction) == ("turn", state, after, "back")
    with pytest.raises(IllegalTransition):
        journal.turn("plug")


def test_faults_are_remembered_through_a_retry_and_a_way_back(journal: Journal) -> None:
    in_state(journal, "plug", Direction.FORWARD, State.RETURNED)
    assert journal.row("plug").faults == 0  # its state says so itself
    journal.intend("plug", GIVEN)
    journal.step("plug", Event.SENT)
    journal.step("plug", Event.ARRIVE)
    journal.step("plug", Event.SOAK)
    assert journal.row("plug").standing == Standing(State.SETTLED, faults=1)
    assert journal.turn("plug").faults == 1  # settled: no further fault
    in_state(journal, "desk-lamp", Direction.FORWARD, State.ADRIFT)
    assert journal.turn("desk-lamp").standing == Standing(State.ADRIFT, Direction.BACK, faults=1)
    # Late is not lost: found after its deadline it counts as a return.
    in_state(journal, "attic-lamp", Direction.FORWARD, State.ADRIFT)
    journal.step("attic-lamp", Event.ARRIVE)
    journal.step("attic-lamp", Event.SOAK)
    assert journal.row("attic-lamp").faults == 0


def test_a_device_that_came_back_and_then_arrives_by_itself_was_one_journey(
    journal: Journal,
) -> None:
    in_state(journal, "plug", Direction.FORWARD, State.RETURNED)
    journal.step("plug", Event.ARRIVE)
    journal.step("plug", Event.SOAK)
    assert journal.row("plug").standing == Standing(State.SETTLED, faults=0)


def test_a_retry_on_the_way_back_is_no_evidence(journal: Journal) -> None:
    in_state(journal, "plug", Direction.BACK, State.RETURNED)
    assert journal.intend("plug", BACK).faults == 0


def test_writing_off_is_the_owners_word_and_stays(journal: Journal) -> None:
    row = journal.write_off("plug")
    assert row.written_off
    assert row.state is State.WAITING
    assert journal.standings()["plug"].written_off
    (entry,) = journal.entries()
    assert (entry.kind, entry.detail) == ("written off", "by the owner")
    journal.intend("plug", GIVEN)
    assert journal.row("plug").written_off
    in_trouble(lambda: journal.write_off("nobody"), "knows no device nobody")


def test_a_note_is_kept_once_as_long_as_it_stays_the_same(journal: Journal) -> None:
    for words in ("asleep", "asleep", "awake", "awake", "asleep"):
        journal.note("plug", words)
    assert [entry.detail for entry in journal.entries()] == ["asleep", "awake", "asleep"]
    assert {entry.kind for entry in journal.entries()} == {"note"}
    row = journal.row("plug")
    assert (row.note, row.state, row.changed_at) == ("asleep", State.WAITING, None)
    journal.intend("plug", GIVEN)
    assert journal.row("plug").note == ""  # a step begins anew


def test_entries_stand_in_the_order_of_what_happened(journal: Journal) -> None:
    journal.remark("started", "three devices")
    journal.intend("plug", GIVEN)
    journal.intend("desk-lamp", GIVEN)
    journal.step("plug", Event.UNSENT, "no route")
    journal.remark("held", "plug", wave=2)
    found = steps(journal)
    assert [(entry.name, entry.kind) for entry in found] == [
        (None, "started"),
        ("plug", "intend"),
        ("desk-lamp", "intend"),
        ("plug", "unsent"),
        (None, "held"),
    ]
    assert [entry.seq for entry in found] == sorted(entry.seq for entry in found)
    assert [entry.at for entry in found] == sorted(entry.at for entry in found)
    assert found[-1].wave == 2


def test_words_that_a_device_may_say_are_kept_somehow(journal: Journal) -> None:
    # Half a pair is legal in JSON (RFC 8259 section 8.2), and has no UTF-8.
    half = json.loads('"\\ud800 oops"')
    journal.note("plug", half)
    journal.note("plug", half)
    journal.remark("odd", half)
    journal.record_before("plug", {"settings": {"wifi.ssid": half}}, BACK)
    journal.intend("plug", GIVEN)
    journal.step("plug", Event.DECLINE, f"it declined: {half}\0\n☃")
    assert journal.survey("plug") == {"settings": {"wifi.ssid": half}}
    told = [entry.detail for entry in steps(journal)]
    assert told == ["\\ud800 oops", "\\ud800 oops", "", "it declined: \\ud800 oops\0\n☃"]


def test_bundles_as_text_and_back() -> None:
    assert thaw_json(freeze_json(GIVEN)) == GIVEN
    assert json.loads(freeze_json(GIVEN))["wifi.secret"] == {"file": "/home/owner/new.secret"}
    for text in ("", "[]", "7", '{"colour": 1}', '{"wifi.secret": {"env": "A", "file": "b"}}'):
        with pytest.raises(ValueError) as trouble:  # noqa: PT011 - several kinds, all of them one
            thaw_json(text)
        assert str(trouble.value)


def test_a_secret_in_the_clear_never_gets_in(journal: Journal) -> None:
    bundle: Any = {Setting.WIFI_SECRET: Secret(CANARY)}
    for write in (
        lambda: journal.intend("plug", bundle),
        lambda: journal.record_before("plug", READINGS, bundle),
        lambda: journal.record_before("plug", {"secret": Secret(CANARY)}, BACK),
    ):
        with pytest.raises(TypeError) as trouble:
            write()
        assert CANARY not in str(trouble.value)
    assert journal.row("plug").state is State.WAITING
    assert journal.survey("plug") == READINGS
    journal.close()
    for file in journal.path.parent.iterdir():
        assert CANARY.encode() not in file.read_bytes()


def test_reopened_it_is_the_same_journal(tmp_path: Path) -> None:
    journal = surveyed(tmp_path)
    journal.intend("plug", GIVEN)
    journal.write_off("desk-lamp")
    seen = (journal.rows(), journal.entries(), journal.plan, journal.standings())
    journal.close()
    again = Journal.open(path_in(tmp_path), Clock())
    assert (again.rows(), again.entries(), again.plan, again.standings()) == seen
    assert {name: again.survey(name) for name in NAMES} == dict.fromkeys(NAMES, READINGS)
    assert again.way_back("plug") == BACK
    again.close()


def test_references_of_every_kind_survive() -> None:
    for ref in (
        SecretRef(env="A"),
        SecretRef(file="a b"),
        SecretRef(keyring="s/u"),
        SecretRef(prompt="the attic's?"),
    ):
        assert thaw_json(freeze_json({Setting.WIFI_SECRET: ref})) == {Setting.WIFI_SECRET: ref}
