"""Group words that are a device's own, against every topic of every device filled in."""

from __future__ import annotations

from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from migrate.dialects.parts import fill
from migrate.model.mqtt import matches
from migrate.model.problems import Problem
from migrate.planning.refusals.groups import Owners, group_topics, own_topics
from tests.planning.samples import device, dialects, own_dialect, plan_of, refused


def change(word: str) -> str:
    return f"[group]\ntopic = '{word}'\n"


def only(problems: tuple[Problem, ...]) -> Problem:
    assert len(problems) == 1, [str(problem) for problem in problems]
    return problems[0]


def test_a_group_word_that_is_a_devices_own() -> None:
    fleet = [device("desk", 1, topic="house"), device("shelf", 2, topic="shelf")]
    problem = only(refused(fleet, change("house")))
    assert problem.device == "desk"
    assert problem.what == (
        "the group 'house' of larch listens to larch/house/patch, which is the write topic of "
        "desk: what is meant for one would reach all"
    )
    assert (problem.where, problem.key) == ("playbook.toml", "group.topic")
    plan_of(fleet, change("mill"))


def test_families_with_a_first_level_of_their_own_do_not_meet() -> None:
    own = own_dialect(
        "own",
        "rowan",
        lambda data: [
            data["settings"].pop(one) for one in list(data["settings"]) if one.startswith("group.")
        ],
    )
    fleet = (device("desk", 1), device("plug", 2, dialect="own", topic="house"))
    assert list(Owners(fleet, {**dialects(), **own}).of("larch/house/patch")) == []
    assert len(list(Owners(fleet, {**dialects(), **own}).of("rowan/house/call"))) == 1


def other(**topics: str) -> Any:
    def talk(data: dict[str, Any]) -> None:
        data["presence"]["topic"] = topics.get("presence", "other/{topic}/presence")
        for part in ("write", "read"):
            data[part]["mqtt"] = {
                "topic": topics.get("topic", f"other/{{topic}}/{part}"),
                "reply": topics.get("reply", f"other/{{topic}}/{part}-reply"),
            }

    return own_dialect("other", "larch", talk)


def test_topics_of_another_family_count_as_well() -> None:
    fleet = [device("desk", 1), device("odd", 2, dialect="other", topic="patch")]
    for key, words in (
        ("topic", "the write topic of odd"),
        ("reply", "the reply topic (write) of odd"),
        ("presence", "the presence topic of odd"),
    ):
        own = other(**{key: "larch/house/{topic}"})
        problem = only(refused(fleet, change("house"), own=own))
        assert problem.device == "odd"
        assert words in problem.what
        plan_of(fleet, change("mill"), own=own)


def test_topics_by_mac_and_by_name() -> None:
    fleet = [device("desk", 1), device("patch", 2, dialect="other", topic="x")]
    own = other(presence="larch/house/{name}")
    assert only(refused(fleet, change("house"), own=own)).device == "patch"
    # A family that is told by MAC has no place for a group word, and nothing is known of it.
    assert group_topics(other(topic="other/{mac}")["other"], "house") == []


def test_nobody_without_a_topic_is_asked() -> None:
    plan_of([device("desk", 1, topic=None), device("shelf", 2)], change("desk"))


words = st.sampled_from(["a", "b", "house", "patch", "show", "x/y", "presence"])
templates = st.sampled_from(
    ["larch/{topic}/patch", "larch/house/{topic}", "{topic}/{topic}/patch", "larch/{name}/show"]
)


@given(st.lists(words, min_size=1, max_size=4, unique=True), words, st.lists(templates, max_size=4))
def test_against_every_topic_of_every_device(topics: list[str], word: str, odd: list[str]) -> None:
    names = dict(zip(("topic", "reply", "presence"), odd, strict=False))
    own = {**dialects(), **other(**names)}
    fleet = tuple(
        device(f"d{n}" if n else "house", n, dialect=("larch", "other")[n % 2], topic=topic)
        for n, topic in enumerate(topics)
    )
    owners = Owners(fleet, own)
    for group in group_topics(own["larch"], word):
        plainly = {
            one.name
            for one in fleet
            for template in own_topics(own[one.dialect])
            if matches(fill(template, one), group)
        }
        assert {one.name for one, _ in owners.of(group)} == plainly


def test_a_device_is_told_once_for_all_its_topics() -> None:
    fleet = [device(f"d{n}", n, topic=f"t{n}") for n in range(5)]
    assert [one.device for one in refused(fleet, change("t3"))] == ["d3"]
