"""What can be done next with a campaign, as commands that are typed."""

from __future__ import annotations

import shlex

import pytest

from migrate.model.lifecycle import State
from migrate.model.problems import Exit

from .campaign_scenes import PLAN, Scenes, account, campaign, commands, mixed, site

S = State


def test_the_commands_for_what_there_is() -> None:
    scene = mixed().scene
    found = commands(scene)
    run = f"migrate campaign run {PLAN}"
    for command in (
        f"migrate campaign status {PLAN} --site cedar",
        f"{run} --retry cedar",
        f"{run} --again cedar/porch-light",
        f"{run} --again cedar/door-relay",
        f"{run} --write-off cedar/cellar-pump",
        f"{run} --flipped dogwood",
        f"{run} --retry gorse",
        run,
        f"migrate campaign stop {PLAN}",
        "migrate status",
        "migrate adrift",
        "migrate worker --site fir",
    ):
        assert command in found
    assert f"{run} --again cedar/cellar-pump" not in found  # it cannot hear it
    assert f"{run} --retry dogwood" not in found
    assert not any("rollback" in one for one in found)  # refused while sites are under way


def test_all_is_well_and_could_be_taken_back() -> None:
    scenes = Scenes(campaign(site("alder")))
    scenes.moved("alder")
    assert commands(scenes.scene) == [f"migrate campaign rollback {PLAN}"]


def test_once_stopped_it_can_go_on_or_back() -> None:
    scenes = Scenes(campaign(site("alder"), site("birch")))
    scenes.errand("alder", "done", account(Exit.STOPPED, [S.SETTLED, S.WAITING]))
    scenes.wanted = "stop"
    assert commands(scenes.scene) == [
        f"migrate campaign run {PLAN}",
        f"migrate campaign rollback {PLAN}",
    ]


def test_nothing_that_goes_forward_is_advised_on_the_way_back() -> None:
    """A campaign that is being taken back does not go forward any more."""
    scenes = Scenes(campaign(site("alder"), site("birch"), site("cedar")))
    scenes.moved("alder")
    scenes.held("birch", S.RETURNED)
    held = account(Exit.REFUSED, [S.SETTLED])
    scenes.errand("alder", "done", held, kind="back")
    found = commands(scenes.scene)
    assert not any(one.startswith("migrate campaign run") for one in found)
    assert f"migrate campaign rollback {PLAN} --again alder" in found
    assert f"migrate campaign rollback {PLAN} --again alder --not-flipped alder" in found
    assert f"migrate campaign rollback {PLAN} --site birch" in found
    assert f"migrate campaign rollback {PLAN}" in found


@pytest.mark.parametrize(
    "name",
    ["plug'; rm -rf ~ #", "$(reboot)", "`reboot`", 'a"b', "two words", "a/b", "--retry", "ä灯"],
)
def test_a_device_of_whatever_name_is_one_word_for_the_shell(name: str) -> None:
    """Names come from a store that others write to. As a POSIX shell reads it (shlex)."""
    scenes = Scenes(campaign(site("alder")))
    scenes.errand("alder", "done", account(Exit.HELD, {name: S.RETURNED}))
    for option in ("--again", "--write-off"):
        (command,) = [one for one in commands(scenes.scene) if option in one]
        assert shlex.split(command)[-2:] == [option, f"alder/{name}"]
