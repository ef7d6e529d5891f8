"""What is said of a campaign: in the plan, in the status, in commands to be typed, as data."""

from __future__ import annotations

import io
import json
import re
from dataclasses import replace

import jsonschema
import pytest
from rich.console import Console
from scipy import stats

from migrate.cli.common import Screen
from migrate.engine.campaign import CampaignScene
from migrate.model.lifecycle import Direction, State
from migrate.model.problems import Exit
from migrate.planning.campaign.errands import DeviceAccount, SiteAccount
from migrate.planning.campaign.look import SiteSign
from migrate.planning.campaign.plan import CampaignPlan
from migrate.planning.campaign.standing import SiteState
from migrate.views.campaign.events import scene_json
from migrate.views.campaign.plan import show_campaign_plan
from migrate.views.campaign.status import campaign_advice, show_campaign_status
from migrate.views.campaign.words import REFUSALS, headline, row_of, rows_of
from migrate.views.status import show_advice
from migrate.views.words import CAUTION
from tests.secrecy.test_hostile_text import HOSTILE

from .campaign_scenes import (
    DEVICES,
    NOW,
    PLAN,
    Scenes,
    account,
    campaign,
    commands,
    large,
    many,
    mixed,
    site,
)

S = State


def console(width: int = 80, **how: object) -> Console:
    return Screen(file=io.StringIO(), width=width, highlight=False, **how)  # type: ignore[arg-type]


def printed(on: Console) -> str:
    assert isinstance(on.file, io.StringIO)
    return on.file.getvalue()


def status(
    scene: CampaignScene, name: str | None = None, *, width: int = 80, every: bool = False
) -> str:
    on = console(width)
    show_campaign_status(scene, on, name, every=every)
    return printed(on)


def plan_shown(plan: CampaignPlan, width: int = 80) -> str:
    on = console(width)
    show_campaign_plan(plan, on)
    return printed(on)


def flat(text: str) -> str:
    return " ".join(text.split())


def table(text: str) -> dict[str, str]:
    """The row of each site, on one line."""
    rows: dict[str, str] = {}
    name = ""
    body = text.partition("site ")[2].partition("\n\n")[0].splitlines()[1:]
    for line in body:
        if not line.startswith(" "):
            name = line.split()[0]
        rows[name] = f"{rows.get(name, '')} {line}"
    return {name: flat(row) for name, row in rows.items()}


# The plan


def test_the_plan_tells_waves_exposure_and_why() -> None:
    plan = campaign(
        site("alder"), site("birch"), site("cedar", after=("birch",)), site("dogwood", flip=True)
    )
    shown = flat(plan_shown(plan))
    assert shown.startswith(f"autumn change: 4 sites with 24 devices in {len(plan.waves)} waves")
    # The exact one-sided upper bound after one success in one trial (Clopper and Pearson 1934).
    bound = stats.beta.ppf(0.95, 1, 1)
    assert f"{bound:.2f}" in shown
    assert "alder: 6 devices; a pilot: the first with larch 2.1" in shown
    assert re.search(r"cedar: 6 devices; .* after birch", shown)
    assert "wait for somebody to change their access point" in shown
    assert "come after them: dogwood." in shown
    assert "95% sure; you accept 1 at one time" in shown
    assert flat(CAUTION) in shown


def test_owners_word_that_all_wait_is_told() -> None:
    shown = flat(plan_shown(campaign(site("alder"), wait_when_held=1)))
    assert "As soon as 1 site is held, no other begins" in shown
    assert "no other begins" not in plan_shown(campaign(site("alder")))


def test_a_plan_of_very_many_waves_is_short() -> None:
    """Each site with devices of its own kind: a pilot each."""
    plan = campaign(*[site(f"home-{n}", dialect=f"kind-{n}") for n in range(120)])
    assert len(plan.waves) == 120
    shown = plan_shown(plan)
    assert len(shown.splitlines()) < 20
    assert re.search(r"1 to 120\s+.* 1 each\s+720\s+1\.00", shown)


def test_a_plan_of_many_sites_names_few() -> None:
    shown = plan_shown(many())
    assert len(shown.splitlines()) < 60
    assert "1000 sites with 40000 devices" in shown


@pytest.mark.parametrize("width", [80, 40, 120])
def test_the_plan_fits(width: int) -> None:
    plan = campaign(site("a" * 40), site("b" * 40), site("c" * 40, after=("a" * 40,)))
    assert all(len(line) <= max(width, 44) for line in plan_shown(plan, width).splitlines())


# The status


def test_the_whole_in_one_sentence() -> None:
    scenes = mixed()
    assert headline(scenes.scene) == (
        "8 sites: 2 waiting, 2 under way, 1 moved, 2 held, 1 refused; "
        "9 of 48 devices on the new side"
    )
    scenes.wanted = "stop"
    assert headline(scenes.scene).endswith("; the campaign is stopped")


def test_every_site_of_few_is_told_and_first_those_that_need_somebody() -> None:
    shown = status(mixed().scene, width=200)
    rows = table(shown)
    assert list(rows) == ["cedar", "dogwood", "gorse", "fir", "hazel", "birch", "elder", "alder"]
    assert rows["cedar"] == (
        "cedar held 1/6 heard 4 s ago porch-light has declined, cellar-pump is adrift, door-relay "
        "has returned"
    )
    assert rows["dogwood"] == (
        "dogwood held, before leg 2 of 2 6/6 heard 4 s ago waits for its access point to be changed"
    )
    assert "exit code 6, CHANGED" in rows["gorse"]
    assert "silent for 3 min" in rows["fir"]
    assert "never heard of" in rows["hazel"]
    assert rows["birch"] == "birch under way 2/6 heard 4 s ago"
    assert "comes after cedar, which is held" in rows["elder"]
    assert rows["alder"] == "alder moved 6/6 heard 4 s ago"
    assert flat(CAUTION) in flat(shown)


def test_no_caution_where_nothing_is_adrift() -> None:
    scenes = Scenes(campaign(site("alder")))
    scenes.moved("alder")
    assert flat(CAUTION) not in flat(status(scenes.scene))


def test_a_campaign_that_nobody_has_begun() -> None:
    scenes = Scenes(campaign(site("alder"), site("birch")))
    shown = status(scenes.scene)
    assert "2 waiting; 0 of 12 devices on the new side" in flat(shown)
    assert table(shown)["alder"] == "alder waiting 0/6 heard 4 s ago"
    assert commands(scenes.scene) == [f"migrate campaign run {PLAN}"]
    assert "Nothing is known yet of its 6 devices." in status(scenes.scene, "alder")


def test_of_a_thousand_sites_those_are_listed_of_which_there_is_something_to_tell() -> None:
    scene = large().scene
    shown = status(scene)
    rows = shown.splitlines()
    listed = [line.split()[0] for line in rows if re.match(r"home-\d+ ", line)]
    assert len(listed) == 55
    assert listed[:5] == ["home-7", "home-107", "home-207", "home-307", "home-407"]
    assert "Not listed: 450 waiting, 495 moved. All of them: --all" in flat(shown)
    assert "450 waiting: 50 sites are under way, and no more go at once" in flat(shown)
    every = status(scene, every=True)
    assert len(re.findall(r"^home-\d+ ", every, re.MULTILINE)) == 1000
    assert "Not listed" not in every


def test_a_thousand_that_are_all_amiss_do_not_race_by() -> None:
    scenes = Scenes(many(200, 2))
    for one in scenes.plan.sites:
        scenes.held(one.name, S.ADRIFT, S.WAITING)
    shown = status(scenes.scene)
    assert len(re.findall(r"^home-\d+ ", shown, re.MULTILINE)) == 60
    assert "Not listed: 140 held" in shown
    assert len(campaign_advice(scenes.scene, PLAN)) < 20


def test_one_that_waits_for_its_worker_is_listed_among_many() -> None:
    scenes = Scenes(many(100, 2))
    first = scenes.scene.plan.waves[0].sites[0]
    scenes.silent(first, 300)
    assert f"{first} " in status(scenes.scene)
    assert "silent for 5 min" in status(scenes.scene)


def test_each_device_of_one_site() -> None:
    scenes = mixed()
    shown = status(scenes.scene, "cedar")
    assert [line.split() for line in shown.splitlines() if re.match(r"[a-z-]+  ", line)] == [
        ["device", "state"],
        ["porch-light", "declined"],
        ["cellar-pump", "adrift"],
        ["door-relay", "returned"],
        ["hall-lamp", "settled"],
        ["freezer-plug", "waiting"],
        ["loft-gauge", "waiting"],
    ]
    assert flat(CAUTION) in flat(shown)


def test_devices_of_a_site_under_way_are_as_its_worker_tells_now() -> None:
    scenes = mixed()
    assert "hall-lamp     settled" in status(scenes.scene, "birch")
    # Told of another errand, it says nothing of this one.
    scenes.signs["birch"] = replace(scenes.signs["birch"], doing="birch/move/7")
    assert "Nothing is known yet" in status(scenes.scene, "birch")


def test_written_off_and_on_the_way_back_are_told() -> None:
    scenes = Scenes(campaign(site("alder")))
    scenes.moved("alder", off=["cellar-pump"])
    assert row_of(scenes.scene, "alder").words == "1 written off (cellar-pump)"
    assert row_of(scenes.scene, "alder").there == 5
    assert "cellar-pump   adrift, written off" in status(scenes.scene, "alder")
    scenes.under_way("alder", S.RESTORED, S.AWAY, *[S.WAITING] * 4, kind="back")
    shown = status(scenes.scene, "alder")
    assert "alder: under way, on its way back" in shown
    assert "hall-lamp     restored\n" in shown
    assert "porch-light   away, on its way back" in shown


def test_an_errand_that_was_turned_away_leaves_what_is_known() -> None:
    """Its account names no device; the one before does."""
    scenes = Scenes(campaign(site("alder")))
    scenes.held("alder", *[S.SETTLED] * 5, S.RETURNED)
    scenes.errand("alder", "done", account(Exit.SECRET))
    row = row_of(scenes.scene, "alder")
    assert (row.state, row.there, row.total) == ("held", 5, 6)
    assert "a secret is missing there" in row.words
    assert f"migrate campaign run {PLAN} --again alder/door-relay" in commands(scenes.scene)


@pytest.mark.parametrize(("phase", "told"), [("failed", None), ("done", None)])
def test_an_errand_of_which_nobody_knows_how_it_ended(phase: str, told: None) -> None:
    scenes = Scenes(campaign(site("alder")))
    scenes.held("alder", S.RETURNED)
    scenes.errand("alder", phase, told)  # type: ignore[arg-type]
    assert "its worker made a mistake" in row_of(scenes.scene, "alder").words
    assert f"migrate campaign run {PLAN} --retry alder" in commands(scenes.scene)


def test_an_empty_account() -> None:
    scenes = Scenes(campaign(site("alder")))
    scenes.errand("alder", "done", SiteAccount(exit=Exit.HELD, began=True))
    row = row_of(scenes.scene, "alder")
    assert (row.there, row.total) == (0, 6)
    assert row.words == "its run is held there, and none of its devices has a fault"
    assert "Nothing is known yet of its 6 devices." in status(scenes.scene, "alder")
    assert status(scenes.scene)


@pytest.mark.parametrize("code", [one for one in Exit if one not in (Exit.DONE, Exit.HELD)])
def test_whatever_an_errand_ended_with_is_told_in_words(code: Exit) -> None:
    scenes = Scenes(campaign(site("alder")))
    scenes.errand("alder", "done", account(code, [S.SETTLED, S.AWAY]))
    words = row_of(scenes.scene, "alder").words
    assert REFUSALS.get(code, "it ended otherwise than it should") in words


def test_a_leg_that_has_not_begun_has_brought_no_device_to_its_goal() -> None:
    """At the access point the devices are settled by the leg before."""
    scenes = Scenes(campaign(site("alder", legs=2, flip=True)))
    scenes.held("alder", *[S.SETTLED] * 6, flip=True, leg=2, of=2)
    row = row_of(scenes.scene, "alder")
    assert (row.leg, row.last_leg) == ("before leg 2 of 2", False)
    assert "0 of 6 devices on the new side" in headline(scenes.scene)
    scenes.under_way("alder", *[S.SETTLED] * 2)
    key = scenes.errands["alder"][-1].key
    first = account(Exit.DONE, [S.SETTLED] * 2, leg=1, of=2)
    scenes.signs["alder"] = SiteSign(NOW, "0.1.0", key, first)
    assert row_of(scenes.scene, "alder").leg == "leg 1 of 2"
    assert "0 of 6 devices on the new side" in headline(scenes.scene)


def test_on_the_way_back_those_count_that_are_on_the_old_side() -> None:
    scenes = Scenes(campaign(site("alder"), site("birch"), site("cedar")))
    scenes.moved("alder", "birch")
    back = account(Exit.DONE, [S.RESTORED] * 6, direction=Direction.BACK)
    scenes.errand("alder", "done", back, kind="back")
    told = headline(scenes.scene)
    assert told == ("3 sites: 1 waiting, 1 moved, 1 back; 12 of 18 devices on the old side")


def test_a_lost_store_is_told() -> None:
    shown = flat(status(replace(mixed().scene, lost=True)))
    assert "The store is not reached; sites that are under way go on by themselves." in shown
    assert "as it was last seen" in shown


# Words that mean no good


def hostile() -> Scenes:
    """What a store could hold if nobody had looked at it."""
    scenes = Scenes(campaign(site("alder"), site("birch")))
    wicked = tuple(
        DeviceAccount.model_construct(
            name=text, state=S.RETURNED, direction=Direction.FORWARD, written_off=False, sent=True
        )
        for text in HOSTILE.values()
    )
    told = SiteAccount.model_construct(
        format=1, exit=Exit.HELD, leg=1, of=1, flip=False, began=True, devices=wicked
    )
    scenes.errand("alder", "done", told)
    scenes.plan = scenes.plan.model_copy(update={"title": HOSTILE["colours"]})
    return scenes


@pytest.mark.parametrize("terminal", [True, False])
def test_no_name_steers_a_terminal(terminal: bool) -> None:
    scene = hostile().scene
    on = console(80, force_terminal=terminal, color_system=None)
    show_campaign_plan(scene.plan, on)
    show_campaign_status(scene, on)
    show_campaign_status(scene, on, "alder")
    show_advice(campaign_advice(scene, PLAN), on)
    shown = re.sub(r"\x1b\[[0-9;]*m", "", printed(on)) if terminal else printed(on)
    assert all(char.isprintable() or char == "\n" for char in shown)
    assert not re.search(r"^FORGED", shown, re.MULTILINE)


def test_it_reads_without_colour_and_no_line_ends_in_blanks(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """https://no-color.org, an informal standard."""
    monkeypatch.setenv("NO_COLOR", "1")
    on = console(80, force_terminal=True)
    show_campaign_status(mixed().scene, on)
    assert not re.search(r"\x1b\[[0-9;]*3[0-7]", printed(on))
    for line in status(mixed().scene).splitlines():
        assert line == line.rstrip()
        assert len(line) <= 80


# As data


def test_json_for_programs() -> None:
    """RFC 8259 text; the types are stated in JSON Schema 2020-12."""
    told = json.loads(json.dumps(scene_json(mixed().scene)))
    number, text, flag = {"type": "integer"}, {"type": "string"}, {"type": "boolean"}
    maybe = {"type": ["string", "null"], "pattern": r"^2026-11-2\dT\d\d:\d\d:\d\dZ$"}
    one = {
        "site": text,
        "state": {"enum": [str(state) for state in SiteState]},
        "back": flag,
        "needs_owner": flag,
        "there": number,
        "devices": number,
        "attempts": number,
        "leg": {"type": ["integer", "null"]},
        "legs": number,
        "flip": flag,
        "exit": {"type": ["integer", "null"]},
        "worker_heard": flag,
        "worker_silent_seconds": {"type": ["number", "null"]},
        "asked_at": maybe,
        "taken_at": maybe,
        "ended_at": maybe,
        "kept": text,
        "words": text,
    }
    schema = {
        "properties": {
            "at": {"const": "2026-11-26T03:00:00Z"},
            "wanted": {"enum": ["run", "stop"]},
            "sites": {
                "items": {
                    "properties": one,
                    "required": list(one),
                    "additionalProperties": False,
                }
            },
        },
        "required": ["title", "digest", "at", "wanted", "back", "lost", "sites"],
    }
    jsonschema.Draft202012Validator(schema).validate(told)
    assert [one["site"] for one in told["sites"]] == [s.name for s in mixed().plan.sites]
    assert told["states"]["held"] == 2
    assert (told["there"], told["devices"]) == (9, 48)
    cedar = next(one for one in told["sites"] if one["site"] == "cedar")
    assert (cedar["state"], cedar["there"], cedar["exit"]) == ("held", 1, 7)
    hazel = next(one for one in told["sites"] if one["site"] == "hazel")
    assert hazel["worker_silent_seconds"] is None


def test_json_of_one_site_has_its_devices() -> None:
    told = scene_json(mixed().scene, "cedar")
    (cedar,) = told["sites"]
    assert [one["name"] for one in cedar["device"]] == list(DEVICES)
    assert cedar["device"][2] == {
        "name": "cellar-pump",
        "state": "adrift",
        "direction": "forward",
        "written_off": False,
        "sent": True,
    }
    assert told["devices"] == 48


def test_hostile_names_are_ascii_as_json() -> None:
    text = json.dumps(scene_json(hostile().scene, "alder"))
    assert text.isascii()
    assert text.isprintable()


def test_rows_are_those_of_the_plan() -> None:
    scene = mixed().scene
    assert {row.name for row in rows_of(scene)} == {one.name for one in scene.plan.sites}
