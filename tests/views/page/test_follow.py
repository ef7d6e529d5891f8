"""A page that follows another process by its journal sees what that process told its own."""

from __future__ import annotations

from contextlib import closing
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from migrate.engine.tidings import Tidings
from migrate.journal.look import looked_into
from migrate.journal.store import ALL_TOLD, Journal
from migrate.model.lifecycle import Direction, Event, State
from migrate.model.problems import Exit, JournalTrouble
from migrate.views.page.follow import Lines, ending_of, follow, recall
from migrate.views.scene import Scene

from .made import BEGUN, plan_of

PLAN = plan_of()
LAMP = PLAN.waves[0].devices[0]


class Clock:
    """Every look at it is a second later."""

    def __init__(self) -> None:
        self.at = BEGUN

    def __call__(self) -> datetime:
        self.at += timedelta(seconds=1)
        return self.at


@pytest.fixture
def journal(tmp_path: Path) -> Journal:
    return Journal.create(tmp_path / "run" / "journal.sqlite3", PLAN, Clock(), {"fleet": "f"})


def send(journal: Journal, name: str) -> None:
    device = PLAN.device(name)
    journal.record_before(name, {}, device.way_back)
    journal.intend(name, device.bundle)
    journal.step(name, Event.SENT, "it said yes")


def test_what_is_written_is_seen(journal: Journal) -> None:
    with looked_into(journal.path, Clock()) as looked:
        scene = Scene.of(looked.plan, looked.rows(), BEGUN)
        seen = 0

        def look() -> None:
            nonlocal seen
            new = looked.entries(after=seen)
            assert new, "the other process has written"
            seen = new[-1].seq
            follow(scene, Lines(new, looked.rows()))

        journal.remark("admitted", "1 of 1", 0)
        send(journal, LAMP)
        look()
        assert (scene.wave, scene.spots[LAMP].state) == (0, State.AWAY)
        assert scene.spots[LAMP].words == "it said yes"
        journal.note(LAMP, "it takes its time")
        journal.step(LAMP, Event.EXPIRE, "on neither side")
        journal.remark("gate shut", LAMP, 0)
        look()
        assert scene.waves[0].gate == f"shut by {LAMP}"
        assert [one.name for one in scene.faulty] == [LAMP]
        assert "it takes its time" in [one.words for one in scene.remarks]
        journal.write_off(LAMP)
        look()
        assert scene.faulty == []
        journal.remark("quiet hours", "waiting until 7:00", 1)
        look()
        assert scene.waiting == "waiting until 7:00"
        journal.turn(LAMP)
        look()
        assert scene.direction is Direction.BACK
    with pytest.raises(JournalTrouble):
        looked.rows()


def test_who_comes_later_hears_of_gates_and_remarks(journal: Journal) -> None:
    journal.remark("admitted", "1 of 1", 0)
    send(journal, LAMP)
    journal.step(LAMP, Event.ARRIVE, "there")
    journal.step(LAMP, Event.SOAK, "well")
    journal.note(LAMP, "a remark")
    journal.remark("gate open", "wave 1", 0)
    scene = Scene.of(PLAN, journal.rows(), BEGUN)
    recall(scene, journal.entries())
    assert scene.waves[0].gate == "open"
    assert scene.wave is None, "nothing is under way in this process yet"
    assert [one.words for one in scene.remarks] == ["a remark"]
    assert scene.waves[0].took is None, "a run may have lain still between"
    recall(scene, journal.entries(), under_way=True)
    assert scene.wave == 0


@pytest.mark.parametrize(
    ("kind", "wave", "exit_", "words"),
    [
        ("held", 1, Exit.HELD, "held at wave 2"),
        ("stopped", None, Exit.STOPPED, "stopped"),
        ("finished", None, Exit.DONE, "done"),
        (ALL_TOLD, 0, Exit.HELD, "may be changed now"),
    ],
)
def test_how_it_ended(journal: Journal, kind: str, wave: int, exit_: Exit, words: str) -> None:
    send(journal, LAMP)
    assert ending_of(journal.entries(), journal.rows()) is None
    journal.remark(kind, "", wave)
    ending = ending_of(journal.entries(), journal.rows())
    assert ending is not None
    assert ending.outcome.exit is exit_
    assert words in ending.outcome.headline
    assert ending.outcome.flip == (kind == ALL_TOLD)
    journal.write_off(LAMP)  # what the owner says does not begin it anew
    assert ending_of(journal.entries(), journal.rows()) is not None
    journal.remark("admitted", "1 of 1", 0)
    assert ending_of(journal.entries(), journal.rows()) is None


def test_a_piece_of_news_ends_the_end(journal: Journal) -> None:
    journal.remark("held", "", 0)
    scene = Scene.of(PLAN, journal.rows(), BEGUN)
    ending = ending_of(journal.entries(), journal.rows())
    assert ending is not None
    scene.end(ending, journal.rows())
    scene.take(Tidings("wave", wave=0), BEGUN)
    assert scene.ending is None


def seen(journal: Journal, scene: Scene, after: int = 0) -> int:
    """Take in what is new, as a page does that follows; the number of the last line."""
    lines = journal.entries(after=after)
    follow(scene, Lines(lines, journal.rows()))
    if ending := ending_of(journal.entries(), journal.rows()):
        scene.end(ending, journal.rows())
    return lines[-1].seq


def test_work_that_goes_on_is_not_told_as_ended(journal: Journal) -> None:
    scene = Scene.of(PLAN, journal.rows(), BEGUN)
    journal.remark("admitted", "1 of 1", 0)
    send(journal, LAMP)
    journal.step(LAMP, Event.EXPIRE, "on neither side")
    journal.remark("gate shut", LAMP, 0)
    journal.remark("held", LAMP, 0)
    last = seen(journal, scene)
    assert scene.ending is not None
    # The next process follows up what is missing before it admits anybody.
    journal.step(LAMP, Event.COME_BACK, "found after all")
    last = seen(journal, scene, last)
    assert scene.ending is None
    journal.remark("admitted", "1 of 1", 0)
    last = seen(journal, scene, last)
    assert scene.waves[0].gate == "", "it is to be judged anew"
    journal.remark("quiet hours", "waiting until 7:00", 0)
    last = seen(journal, scene, last)
    assert scene.waiting == "waiting until 7:00"
    journal.remark("admitted", "1 of 1", 0)
    seen(journal, scene, last)
    assert scene.waiting == ""


def test_the_way_back_waits_for_no_quiet_hours(journal: Journal) -> None:
    scene = Scene.of(PLAN, journal.rows(), BEGUN)
    send(journal, LAMP)
    journal.step(LAMP, Event.ARRIVE, "there")
    journal.turn(LAMP)
    journal.remark("quiet hours", "the way back does not wait for the quiet hours of it", 0)
    last = seen(journal, scene)
    assert scene.waiting == ""
    assert "does not wait" in scene.remarks[-1].words
    journal.remark("back", "0 of 1", 0)
    last = seen(journal, scene, last)
    assert scene.ending is not None
    assert scene.ending.outcome.headline == "the way back stopped at wave 1"
    journal.remark("back", "1 of 1", 0)
    assert ending_of(journal.entries(), journal.rows()) is None, "the next wave follows"


def test_a_gate_that_sent_the_fleet_back_leaves_its_owner_to_decide(journal: Journal) -> None:
    journal.remark("gate shut", LAMP, 0)
    journal.remark("back", "1 of 1", 0)
    journal.remark("rolled back", "1 device")
    ending = ending_of(journal.entries(), journal.rows())
    assert ending is not None
    assert ending.outcome.exit is Exit.HELD
    journal.remark("held", LAMP, 0)
    journal.remark("rolled back", "1 device")
    ending = ending_of(journal.entries(), journal.rows())
    assert ending is not None
    assert ending.outcome.done


def test_an_access_point_that_was_not_changed(journal: Journal) -> None:
    send(journal, LAMP)
    journal.step(LAMP, Event.ARRIVE, "there")
    journal.remark(ALL_TOLD, "", 0)
    scene = Scene.of(PLAN, journal.rows(), BEGUN)
    last = seen(journal, scene)
    journal.flip()
    last = seen(journal, scene, last)
    assert scene.ending is None, "nobody is asked to change it any more"
    journal.unflip("hall-lamp answers")
    journal.step(LAMP, Event.LOSE, "the access point has not been changed")
    seen(journal, scene, last)
    assert scene.ending is not None
    assert "do not change the access point" in scene.ending.outcome.headline
    assert scene.ending.outcome.reasons == ("hall-lamp answers",)


def test_looking_changes_nothing(journal: Journal) -> None:
    send(journal, LAMP)
    with closing(journal):
        before = octets(journal.path.parent)
        with looked_into(journal.path, Clock()) as looked:
            assert looked.row(LAMP).state is State.AWAY
            with pytest.raises(JournalTrouble):
                looked.note(LAMP, "no")
        assert octets(journal.path.parent) == before
        journal.note(LAMP, "the one at work is not held up")


def test_what_cannot_be_looked_into_is_told(tmp_path: Path) -> None:
    for octets_ in (b"", b"no journal" * 1000):
        path = tmp_path / "journal.sqlite3"
        path.write_bytes(octets_)
        with pytest.raises(JournalTrouble), looked_into(path, Clock()):
            pass
        assert path.read_bytes() == octets_
    with pytest.raises(JournalTrouble), looked_into(tmp_path / "none", Clock()):
        pass


def octets(folder: Path) -> dict[str, bytes]:
    """What is on disk, but for the index of the log, which is memory shared by processes."""
    return {p.name: p.read_bytes() for p in folder.iterdir() if not p.name.endswith("-shm")}
