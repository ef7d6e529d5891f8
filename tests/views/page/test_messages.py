"""What open pages are told, and that parts lead to the same picture as the whole."""

from __future__ import annotations

import json
from datetime import timedelta
from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from migrate.engine.tidings import Outcome, Tidings
from migrate.model.lifecycle import Direction, State
from migrate.model.problems import Exit, Problem
from migrate.views.ending import Advice, Ending
from migrate.views.page.messages import MEANINGS, Pictures, how, parts, waits_for

from .made import BEGUN, ROOMS, plan_of, scene_of

PLAN = plan_of()
NAMES = list(ROOMS)


def step(name: str, state: State, words: str = "", way: Direction = Direction.FORWARD) -> Tidings:
    return Tidings("device", words, name, PLAN.wave_of(name), state, way)


def test_the_whole_has_every_device_with_its_place() -> None:
    scene = scene_of(PLAN)
    whole = Pictures(scene, "a-run").whole(BEGUN)
    assert {one["name"]: whole["places"][one["place"]] for one in whole["devices"]} == ROOMS
    assert [one["state"] for one in whole["devices"]] == ["waiting"] * 4
    assert whole["standing"]["how"] == "0 of 4 devices are on the new side."
    assert whole["standing"]["parts"] == [0, 0, 0, 4]
    assert len(whole["waves"]) == len(PLAN.waves)
    assert json.loads(json.dumps(whole)) == whole


def test_a_part_has_what_changed_and_nothing_else() -> None:
    scene = scene_of(PLAN)
    pictures = Pictures(scene, "a-run")
    assert pictures.part(BEGUN)["devices"] == []
    scene.take(step("hall-lamp", State.SENDING, "on the way"), BEGUN)
    scene.take(step("hall-lamp", State.AWAY, "it said yes"), BEGUN + timedelta(seconds=1))
    part = pictures.part(BEGUN)
    (device,) = part["devices"]
    assert (device["state"], device["words"], device["moving"]) == ("away", "it said yes", True)
    assert device["since"] == (BEGUN.timestamp() + 1) * 1000
    assert [wave["words"] for wave in part["waves"]] == ["1 away"]
    assert part["remarks"] is None
    assert pictures.part(BEGUN)["devices"] == []
    scene.refresh([])
    assert pictures.part(BEGUN)["waves"] == []


def put(picture: dict[str, Any], part: dict[str, Any]) -> None:
    """What the page does with a part."""
    for kind in ("devices", "waves"):
        for one in part[kind]:
            picture[kind][one["i"]] |= one
    picture["standing"] = part["standing"]
    picture["remarks"] = part["remarks"] if part["remarks"] is not None else picture["remarks"]


NEWS = st.one_of(
    st.builds(step, st.sampled_from(NAMES), st.sampled_from(State), st.text(max_size=8)),
    st.builds(lambda w, n: Tidings("note", w, n), st.text(max_size=8), st.sampled_from(NAMES)),
    st.builds(lambda w: Tidings("wave", wave=w), st.integers(0, len(PLAN.waves) - 1)),
    st.builds(
        lambda w, words: Tidings("gate", words, wave=w),
        st.integers(0, len(PLAN.waves) - 1),
        st.sampled_from(["open", "shut by hall-lamp"]),
    ),
    st.builds(lambda w: Tidings("waiting", w), st.text(max_size=8)),
)


@given(st.lists(st.lists(NEWS, max_size=4), max_size=6))
def test_parts_lead_to_the_picture_that_the_whole_shows(batches: list[list[Tidings]]) -> None:
    scene = scene_of(PLAN)
    pictures = Pictures(scene, "a-run")
    picture = pictures.whole(BEGUN)
    for batch in batches:
        for news in batch:
            scene.take(news, BEGUN)
        put(picture, pictures.part(BEGUN))
    assert picture == pictures.whole(BEGUN)


@given(st.text())
def test_words_from_devices_turn_no_line_round(words: str) -> None:
    scene = scene_of(PLAN)
    scene.take(step("hall-lamp", State.DECLINED, words), BEGUN)
    scene.take(Tidings("note", words, "hall-lamp"), BEGUN)
    told = json.dumps(Pictures(scene, words).whole(BEGUN), ensure_ascii=False)
    # Direction controls: Unicode Standard Annex 9, section 2.
    assert not set(told) & set("\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069\u200e\u200f")
    assert told.isprintable()


def test_how_it_stands_in_a_sentence() -> None:
    scene = scene_of(PLAN)
    for name in NAMES[:2]:
        scene.take(step(name, State.SETTLED), BEGUN)
    assert how(scene) == "2 of 4 devices are on the new side."
    scene.take(step(NAMES[0], State.RESTORED, way=Direction.BACK), BEGUN)
    assert how(scene) == "1 of 4 devices is on the new side, 1 taken back."
    scene.take(step(NAMES[2], State.AWAY), BEGUN)
    scene.take(step(NAMES[3], State.ADRIFT), BEGUN)
    assert parts(scene.spots.values()) == [1, 1, 1, 1]
    assert waits_for(scene) == NAMES[2]
    scene.take(Tidings("waiting", "until 7:00"), BEGUN)
    assert waits_for(scene) == "until 7:00"


def test_who_waits_for_its_way_back_is_still_on_the_new_side() -> None:
    """docs of the life cycle: on the way back, `waiting` is on the new side."""
    scene = scene_of(PLAN)
    for name in NAMES:
        scene.take(step(name, State.SETTLED), BEGUN)
        scene.take(step(name, State.WAITING, way=Direction.BACK), BEGUN)
    assert how(scene) == "4 of 4 devices are on the new side, 0 taken back."
    assert parts(scene.spots.values()) == [4, 0, 0, 0]
    scene.take(step(NAMES[0], State.RESTORED, way=Direction.BACK), BEGUN)
    assert how(scene) == "3 of 4 devices are on the new side, 1 taken back."
    assert parts(scene.spots.values()) == [3, 0, 0, 1]


def test_what_to_do_stands_in_the_end() -> None:
    scene = scene_of(PLAN)
    pictures = Pictures(scene, "a-run")
    scene.take(step("hall-lamp", State.RETURNED, "by itself"), BEGUN)
    told = pictures.standing(BEGUN)
    assert told["ending"] is None
    assert [pictures.whole(BEGUN)["devices"][i]["name"] for i in told["faulty"]] == ["hall-lamp"]
    outcome = Outcome(Exit.HELD, "held at wave 2", ("hall-lamp has returned: by itself", "other"))
    advice = (Advice("migrate resume a-run", "goes on"),)
    scene.end(Ending(outcome, (Problem("the disk is full", "make room"),), advice), [])
    told = pictures.standing(BEGUN)["ending"]
    assert told["headline"] == "Held at wave 2"
    assert told["reasons"] == ["other"], "what stands below with its last words is not said twice"
    assert told["advice"] == [["migrate resume a-run", "goes on"]]
    assert told["problems"] == [["the disk is full", "make room"]]
    flip = Outcome(Exit.HELD, "all are told", flip=True)
    scene.end(Ending(flip), [])
    assert pictures.standing(BEGUN)["waits"] == "you to change the access point"


def test_each_state_has_its_meaning_in_words() -> None:
    assert list(MEANINGS) == list(State)
