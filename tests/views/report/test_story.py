"""The story of a run, worked out from its lines alone: whatever they are, it adds up."""

from __future__ import annotations

from collections import Counter
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from migrate.journal.replay import replay
from migrate.journal.rows import Entry
from migrate.model.lifecycle import TRANSITIONS, Direction, Event, State
from migrate.model.settings import FrozenBundle
from migrate.views.report import report
from migrate.views.report.axis import APART, Axis
from migrate.views.report.faults import faults_of, run_of
from migrate.views.report.figures import exposure_of
from migrate.views.report.story import Story, side_of, story_of

from .journals import plan_for
from .lawful import Earlier, lines
from .reading import read

PLAN = plan_for(7)
FLEET = len(PLAN.devices)
LINES = lines(PLAN)


def at(seconds: float, day: int = 1) -> str:
    minutes, rest = divmod(seconds, 60)
    return f"2026-01-{day:02d}T12:{int(minutes):02d}:{rest:06.3f}+00:00"


def of_run(seconds: float, kind: str, words: str = "", day: int = 1) -> Entry:
    return Entry(0, at(seconds, day), None, 0, None, kind, None, None, words)


def step(seconds: float, event: Event, was: State, name: str = "lamp-0", day: int = 1) -> Entry:
    after = TRANSITIONS[Direction.FORWARD, was, event]
    wave = PLAN.wave_of(name)
    return Entry(0, at(seconds, day), name, wave, "forward", event, was, after, "words")


def moved(seconds: float, name: str = "lamp-0") -> list[Entry]:
    """Ten seconds away, twenty to soak."""
    return [
        step(seconds, Event.INTEND, State.WAITING, name),
        step(seconds + 1, Event.SENT, State.SENDING, name),
        step(seconds + 11, Event.ARRIVE, State.AWAY, name),
        step(seconds + 31, Event.SOAK, State.SEEN, name),
    ]


def spans_of(story: Story, name: str) -> list[tuple[str, float, float]]:
    (life,) = [life for life in story.lives if life.name == name]
    return [(str(span.state), span.since, span.until) for span in life.spans]


@settings(max_examples=100, deadline=None)
@given(LINES)
def test_spans_follow_each_other_and_counts_add_up(entries: list[Entry]) -> None:
    story = story_of(PLAN, entries)
    # Where devices stand by the journal's own replay, which shares no code with the story.
    rows = {row.name: row for row in replay(PLAN, entries, _ways_back())}
    assert [life.name for life in story.lives] == [device.name for device in PLAN.devices]
    for life in story.lives:
        assert life.spans[0].since == 0
        assert life.spans[-1].until == story.length
        assert all(before.until == after.since for before, after in pairwise(life.spans))
        assert all(span.since <= span.until for span in life.spans)
        last, row = life.spans[-1], rows[life.name]
        assert (last.direction, last.state) == (row.direction, row.state)
    assert {one.old + one.between + one.new for one in story.counts} == {FLEET}
    assert min(min(one.old, one.between, one.new) for one in story.counts) >= 0
    assert all(before.at < after.at for before, after in pairwise(story.counts))
    ends = Counter(side_of(row.direction, row.state) for row in rows.values())
    end = story.counts[-1]
    assert (end.old, end.between, end.new) == (ends["old"], ends["between"], ends["new"])
    # At any other moment as well: as many as there are spans there.
    for one in story.counts:
        here = Counter(
            [s.side for s in life.spans if s.since <= one.at][-1] for life in story.lives
        )
        assert (one.old, one.between, one.new) == (here["old"], here["between"], here["new"])


@settings(max_examples=100, deadline=None)
@given(LINES)
def test_time_runs_forward_and_pauses_do_not_overlap(entries: list[Entry]) -> None:
    story = story_of(PLAN, entries)
    assert all(before <= after for before, after in pairwise(story.times))
    assert all(p.since <= p.until <= story.length for p in story.pauses)
    assert all(before.until <= after.since for before, after in pairwise(story.pauses))
    assert 0 <= story.worked <= story.length
    assert all(0 <= band.since <= band.until <= story.length for band in story.bands)
    axis = Axis(story)
    moments = sorted({0.0, story.length, *story.times, *(p.until for p in story.pauses)})
    places = [axis.x(moment) for moment in moments]
    assert all(-1e-6 <= before <= after + 1e-6 for before, after in pairwise([*places, 100.0]))
    assert story.length == 0 or abs(axis.x(story.length) - 100) < 0.01
    assert all(after.left >= before.right - 1e-6 for before, after in pairwise(axis.breaks))
    ticks = axis.ticks()
    assert all(after.x - before.x >= APART - 1e-6 for before, after in pairwise(ticks))


@settings(max_examples=40, deadline=None)
@given(LINES, st.integers(0, 59), st.sampled_from(("", "never", "2026-01-01", "9999-12-31T23")))
def test_there_is_a_report_of_every_journal(entries: list[Entry], index: int, time: str) -> None:
    """Also of one in which a time cannot be read."""
    if index < len(entries):
        entries[index] = Entry(**{**vars(entries[index]), "at": time})
    html = report(Earlier(PLAN, entries).as_journal(), "one")
    page = read(html)
    assert len(page.table("Where every device stands")) == FLEET
    for level, after in pairwise([level for level, _ in page.headings]):
        assert after <= level + 1


def _ways_back() -> dict[str, FrozenBundle]:  # what was given back is no part of a story
    return {device.name: device.way_back for device in PLAN.devices}


def test_a_device_that_moves() -> None:
    entries = [of_run(0, "admitted", "1 of 1, exposure 1.000"), *moved(2), of_run(33, "gate open")]
    story = story_of(PLAN, entries)
    assert spans_of(story, "lamp-0") == [
        ("waiting", 0, 2),
        ("sending", 2, 3),
        ("away", 3, 13),
        ("seen", 13, 33),
        ("settled", 33, 33),
    ]
    assert [(one.at, one.old, one.between, one.new) for one in story.counts] == [
        (0, FLEET, 0, 0),
        (2, FLEET - 1, 1, 0),
        (13, FLEET - 1, 0, 1),
    ]
    (band,) = story.bands
    assert (band.wave, band.since, band.until, band.how) == (0, 0, 33, "open")
    assert story.pauses == ()
    assert story.worked == story.length == 33


def test_a_hold_overnight_is_a_pause_and_squeezes_nothing() -> None:
    entries = [
        *moved(0),
        of_run(40, "gate shut", "lamp-1"),
        of_run(40, "held", "lamp-1"),
        Entry(0, at(0, 2), "lamp-1", 1, "forward", "written off", "waiting", "waiting", "by"),
        *[Entry(**{**vars(one), "at": one.at.replace("-01T", "-02T")}) for one in moved(100)],
    ]
    story = story_of(PLAN, [*entries[:7], *_renamed(entries[7:], "lamp-2")])
    day = 24 * 3600
    # The owner's own line in it does not end it; the first step of the next process does.
    assert [(p.reason, p.since, p.until) for p in story.pauses] == [
        ("held", 40, day),
        ("held", day, day + 100),
    ]
    axis = Axis(story)
    assert [one.label for one in axis.breaks] == ["a", "b"]
    assert axis.x(40) - axis.x(0) > 40
    assert axis.x(story.length) - axis.x(day + 100) > 30
    assert [tick.date for tick in axis.ticks() if tick.date] == ["1 Jan", "2 Jan"]


def _renamed(entries: list[Entry], name: str) -> list[Entry]:
    return [Entry(**{**vars(e), "name": name, "wave": PLAN.wave_of(name)}) for e in entries]


def test_a_clock_that_was_set_back_is_a_pause_of_unknown_length() -> None:
    entries = [*moved(600), of_run(640, "stopped"), *_renamed(moved(60), "lamp-1")]
    story = story_of(PLAN, entries)
    (pause,) = story.pauses
    assert (pause.reason, pause.since, pause.until) == ("clock", 40, 40)
    assert (pause.began.minute, pause.ended.minute) == (10, 1)
    assert spans_of(story, "lamp-1")[1:] == [
        ("sending", 40, 41),
        ("away", 41, 51),
        ("seen", 51, 71),
        ("settled", 71, 71),
    ]
    (one,) = Axis(story).breaks
    assert one.right > one.left


def test_a_clock_that_is_corrected_a_little_is_no_pause() -> None:
    entries = [step(10, Event.INTEND, State.WAITING), step(9.5, Event.SENT, State.SENDING)]
    story = story_of(PLAN, entries)
    assert story.pauses == ()
    assert story.times == (0, 0)


@pytest.mark.parametrize(
    ("kind", "words", "reason"),
    [
        ("held", "lamp-1", "held"),
        ("stopped", "on the owner's word", "stopped"),
        ("finished", "", "over"),
        ("rolled back", "1 device", "over"),
        ("all told", "the access point may be changed now", "access point"),
        ("quiet hours", "waiting until 06:00", "quiet hours"),
        ("quiet hours", "the way back does not wait for the quiet hours of lamp-1", None),
        ("gate open", "wave 1", None),
    ],
)
def test_why_nobody_was_at_work(kind: str, words: str, reason: str | None) -> None:
    story = story_of(PLAN, [*moved(0), of_run(40, kind, words), *_renamed(moved(90), "lamp-1")])
    assert [pause.reason for pause in story.pauses] == ([reason] if reason else [])


def test_lines_that_are_further_apart_than_a_process_waits() -> None:
    """After a crash nothing says that nobody was at work; but no process waits as long."""
    pace = PLAN.pace
    usual = pace.deadline_seconds.most + pace.soak_seconds
    assert usual < 1200
    entries = [step(0, Event.INTEND, State.WAITING), step(20 * 60, Event.SENT, State.SENDING)]
    (pause,) = story_of(PLAN, entries).pauses
    assert pause.reason == "no line"
    entries[1] = step(usual, Event.SENT, State.SENDING)
    assert story_of(PLAN, entries).pauses == ()


def test_every_state_is_on_some_side_in_each_direction() -> None:
    """As the life cycle says in words: one that said no or came back is where it came from."""
    forward = {state: side_of(Direction.FORWARD, state) for state in State}
    back = {state: side_of(Direction.BACK, state) for state in State}
    assert {s for s, side in forward.items() if side == "new"} == {
        *(State.SEEN, State.SETTLED, State.RESTORED)
    }
    assert {s for s, side in back.items() if side == "new"} == {
        *(State.WAITING, State.DECLINED, State.RETURNED)
    }
    assert {s for s, side in back.items() if side == "between"} == {
        *(State.SENDING, State.AWAY, State.ADRIFT)
    }


def test_a_fault_is_told_as_a_story() -> None:
    entries = [
        *moved(0)[:2],
        step(200, Event.EXPIRE, State.AWAY),
        of_run(200, "gate shut", "lamp-0"),
        of_run(200, "held", "lamp-0"),
        Entry(0, at(300), "lamp-0", 0, "forward", "note", "adrift", "adrift", "still on neither"),
        Entry(0, at(400), "lamp-0", 0, "forward", "note", "adrift", "adrift", "still nothing"),
        step(500, Event.ARRIVE, State.ADRIFT),
        step(520, Event.SOAK, State.SEEN),
    ]
    story = story_of(PLAN, entries)
    rows = {row.name: row for row in replay(PLAN, entries, {})}
    (fault,) = faults_of(PLAN, entries, rows, story)
    assert (fault.name, fault.ended, fault.over) == ("lamp-0", "settled", True)
    assert [part.head for part in fault.chapters] == [
        "on neither side when its time was up",
        "looked for again",
        "it came after all",
        "it has settled",
    ]
    assert fault.chapters[1].words == "still nothing"  # of words that follow each other the last
    # A gate that shuts and the hold that follows are told once.
    assert [part.head for part in run_of(entries, story)] == ["gate shut at wave 1"]


def test_what_befalls_a_device_on_its_way_back_is_no_fault_of_its_wave() -> None:
    """Exposure was accepted for the way there. A way back that went wrong is a story of its own."""
    name, wave = "lamp-0", PLAN.wave_of("lamp-0")

    def back(seconds: float, kind: str, was: State, after: State) -> Entry:
        return Entry(0, at(seconds), name, wave, "back", kind, was, after, "words")

    entries = [
        of_run(0, "admitted", "1 of 1, exposure 1.000"),
        *moved(0),
        back(100, "turn", State.SETTLED, State.WAITING),
        back(101, "intend", State.WAITING, State.SENDING),
        back(102, "sent", State.SENDING, State.AWAY),
        back(400, "expire", State.AWAY, State.ADRIFT),
    ]
    story = story_of(PLAN, entries)
    rows = {row.name: row for row in replay(PLAN, entries, _ways_back())}
    met = exposure_of(PLAN, entries, rows, story)[wave]
    assert (met.late, met.declined, met.adrift, met.highest) == (0, 0, 1, 1.0)
    (fault,) = faults_of(PLAN, entries, rows, story)
    assert fault.ended == "adrift, on its way back"
    assert [one.direction for one in story.bands] == [Direction.FORWARD, Direction.BACK]
