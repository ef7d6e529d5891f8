"""The report of a campaign as another reads it: by Python's own parser of HTML."""

from __future__ import annotations

import base64
import hashlib
import re
import time
from dataclasses import replace
from datetime import UTC, datetime

import pytest

from migrate.model.lifecycle import Direction, State
from migrate.model.problems import Exit
from migrate.planning.campaign.standing import Errand
from migrate.views.campaign.report import campaign_report, is_campaign_report
from migrate.views.campaign.times import times_of
from migrate.views.words import CAUTION

from .campaign_scenes import NOW, PLAN, Scenes, account, campaign, large, mixed, site
from .report.reading import Reader, read
from .test_campaign_words import hostile

S = State
HOUR = 3600


def report_of(scenes: Scenes) -> Reader:
    return read(campaign_report(scenes.scene, PLAN))


@pytest.fixture(scope="module")
def told() -> Reader:
    """A campaign with something of everything."""
    return report_of(mixed())


def test_it_needs_nothing_beside_it_and_lets_nothing_run(told: Reader) -> None:
    """Content Security Policy Level 3 (W3C): a hash of the style, and nothing else."""
    text = campaign_report(mixed().scene, PLAN)
    assert is_campaign_report(text)
    for element in ("script", "iframe", "object", "form", "img", "link"):
        assert not told.elements[element]
    assert not any(name.startswith("on") for _, name, _ in told.attributes)
    assert not [value for _, name, value in told.attributes if name in ("src", "style")]
    targets = [value for _, name, value in told.attributes if name == "href"]
    assert targets
    assert all(value.startswith("#") for value in targets)
    (policy,) = [value for _, _, value in told.attributes if "default-src" in value]
    digest = base64.b64encode(hashlib.sha256(told.style.encode()).digest()).decode()
    assert f"style-src 'sha256-{digest}'" in policy
    assert "default-src 'none'" in policy


def test_every_name_that_is_linked_is_there_once(told: Reader) -> None:
    ids = [value for _, name, value in told.attributes if name == "id"]
    assert len(ids) == len(set(ids))
    targets = {value[1:] for _, name, value in told.attributes if name == "href"}
    assert targets <= set(ids)


def test_sites_that_need_somebody_come_first(told: Reader) -> None:
    assert [words for level, words in told.headings if level < 3] == [
        "autumn change",
        "What to do now",
        "Sites that need somebody",
        "In numbers",
        "Each site over time",
        "The sites, and their devices",
        "The rule by which sites begin",
    ]
    assert told.table("First those") == [
        [
            "cedar",
            "held 1 of 6",
            "porch-light has declined, cellar-pump is adrift, door-relay has returned",
        ],
        [
            "dogwood",
            "held, before leg 2 of 2 6 of 6",
            "waits for its access point to be changed",
        ],
        [
            "gorse",
            "refused 0 of 6",
            "a file there was changed since the campaign was planned (exit code 6, CHANGED)",
        ],
        [
            "fir",
            "under way 0 of 6, worker silent for 3 min",
            "goes on by itself; what has become of it is told when its line is back",
        ],
        [
            "hazel",
            "waiting 0 of 6, worker never heard of",
            "its worker has not been heard of lately",
        ],
    ]
    assert CAUTION in told.words()


def test_the_numbers_are_those_of_the_scene(told: Reader) -> None:
    assert told.table("How many") == [
        ["waiting", "2", "12"],
        ["under way", "2", "12"],
        ["moved", "1", "6"],
        ["held", "2", "12"],
        ["refused", "1", "6"],
    ]
    assert "The one that is through took 10 min from when its worker took it." in told.words()


def test_every_device_stands_with_its_site(told: Reader) -> None:
    words = told.words("sites")
    cedar = words.partition("cedar")[2].partition("dogwood")[0]
    assert "1 device adrift cellar-pump" in cedar
    assert "2 devices waiting freezer-plug, loft-gauge" in cedar
    assert "6 devices settled" in words.partition("alder")[2]
    assert "Nothing is known yet of its devices." in words.partition("hazel")[2]


def test_when_sites_were_asked_taken_and_through(told: Reader) -> None:
    begun = datetime.fromtimestamp(NOW, UTC)
    assert f"{begun:%H:%M:%S}" == "03:00:00"
    rows = {row[0].split()[0]: row[1:] for row in told.table("When each site")}
    assert rows["alder"] == ["02:45:00", "02:45:10", "02:55:00", "10 min"]
    assert rows["birch"] == ["02:56:40", "02:56:50", "", ""]
    assert "elder" not in rows
    assert "2 of the sites have not been asked yet" in told.words()


def test_a_night_in_which_nothing_went_on_is_broken_out() -> None:
    """A site that was held in the evening and gone on with in the morning has worked for as long as
    it was worked at."""
    scenes = Scenes(campaign(site("alder")))
    held = account(Exit.HELD, [S.SETTLED, S.RETURNED])
    scenes.errand("alder", "done", held, times=(-10 * HOUR, -10 * HOUR + 5, -9.5 * HOUR))
    done = account(Exit.DONE, [S.SETTLED, S.SETTLED])
    scenes.errand("alder", "done", done, times=(-600, -595, -300))
    told = report_of(scenes)
    assert "9 h 20 min, 25 Nov 17:30:00 to 26 Nov 02:50:00: no site was under way" in told.words()
    (row,) = told.table("When each site")
    assert row == [
        "alder moved, 2 errands",
        "25 Nov 17:00:00",
        "25 Nov 17:00:05",
        "26 Nov 02:55:00",
        "35 min",
    ]
    looks = [value for tag, name, value in told.attributes if (tag, name) == ("rect", "class")]
    assert {"adrift", "settled"} <= set(looks)


def test_what_is_taken_back_is_drawn_as_such() -> None:
    scenes = Scenes(campaign(site("alder")))
    scenes.moved("alder")
    back = account(Exit.DONE, [S.RESTORED] * 6, direction=Direction.BACK)
    scenes.errand("alder", "done", back, kind="back", times=(-200, -190, -10))
    told = report_of(scenes)
    assert "back on the old side" in told.words("time")
    assert "6 devices restored" in told.words("sites")


def test_a_campaign_that_nobody_has_begun() -> None:
    told = report_of(Scenes(campaign(site("alder"))))
    assert "No site has been asked yet." in told.words("time")
    assert not told.elements["svg"]
    assert "None." in told.words("needing")


@pytest.mark.parametrize("known", [(None, None, None), (-9.0, None, None), (-9.0, -99.0, -999.0)])
def test_times_that_are_missing_or_in_no_order_are_no_mistake(
    known: tuple[float | None, float | None, float | None],
) -> None:
    """They are written by several processes, and read from a database."""
    scenes = Scenes(campaign(site("alder"), site("birch")))
    for phase in ("asked", "taken", "done", "failed"):
        scenes.errands.clear()
        told = account(Exit.DONE, [S.SETTLED]) if phase == "done" else None
        scenes.errand("alder", phase, told, times=known)
        for one in times_of(scenes.scene).stretches.get("alder", []):
            assert 0 <= one.asked <= (one.taken or one.asked)
            assert one.ended is None or one.ended >= (one.taken or one.asked)
        assert read(campaign_report(scenes.scene, PLAN)).elements["section"] == 6


def test_whatever_stands_in_the_store_is_text() -> None:
    text = campaign_report(hostile().scene, "<b>plan</b>")
    told = read(text)
    assert not told.elements["script"]
    assert not told.elements["img"]
    assert not told.elements["b"] - text.count("<summary><b>")
    assert all(char.isprintable() or char == "\n" for char in text)
    assert "<script>alert(1)</script>" in told.words("sites")


def test_a_thousand_sites_of_forty_devices() -> None:
    """At most 8 MB, and at most 5 s, which a machine that is busy with other tests has as well."""
    scenes = large()
    names = {f"home-{number}" for number in range(1000)}
    done = account(Exit.DONE, {f"lamp-{n} of the upper floor": S.SETTLED for n in range(40)})
    for number, name in enumerate(sorted(names - set(scenes.errands))):
        at = NOW - 30_000 + number * 9
        scenes.errands[name] = [Errand(name, "move", 1, "done", done, at, at + 2, at + 900)]
    scene = scenes.scene
    began = time.process_time()
    text = campaign_report(scene, PLAN)
    assert time.process_time() - began < 5
    assert len(text.encode()) < 8_000_000
    assert len(re.findall(r'<details id="site-', text)) == 1000
    assert text.count("<details open") + text.count(" open><summary") <= 25
    assert len(re.findall(r"<figure>", text)) <= 8


def test_where_all_is_done_that_is_said() -> None:
    scenes = Scenes(campaign(site("alder")))
    scenes.moved("alder")
    assert "Nothing has to be done. What you could do:" in report_of(scenes).words("now")
    assert "Nothing has to be done" not in report_of(mixed()).words("now")


def test_a_lost_store_is_told() -> None:
    assert "could not be reached" in campaign_report(replace(mixed().scene, lost=True), PLAN)
