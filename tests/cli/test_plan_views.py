"""What a person sees of a plan and of a rehearsal: pictures without colour, on 80 columns."""

from __future__ import annotations

import io
import random
import re
from pathlib import Path
from typing import Any

import pytest
from rich.console import Console

from migrate.model.problems import Exit
from migrate.model.settings import Setting
from migrate.planning.fates import Rates
from migrate.planning.plan import Leg, Plan, PlannedDevice, Shown
from migrate.planning.rehearsal import rehearse
from migrate.planning.times import run_seconds
from migrate.planning.why import why
from migrate.views.lines import say
from migrate.views.plan import show_plan
from migrate.views.rehearsal import CLOSING, show_rehearsal
from migrate.views.why import show_why
from migrate.views.words import lasting, some, span
from tests.planning.samples import OLD_NET, WHOLE, device, plan_of

from .paper import Paper

LONG = "the lamp at the far end of the long garden wall, behind the second gate"


def seen(show: Any, *given: Any, width: int = 80, **more: Any) -> str:
    """What a view prints, on a screen of so many columns."""
    screen = Console(width=width, file=io.StringIO(), highlight=False, **more)
    show(*given, screen)
    assert isinstance(screen.file, io.StringIO)
    shown = screen.file.getvalue()
    lines = re.sub(r"\x1b\[[0-9;]*m", "", shown).splitlines()
    assert max(map(len, lines)) <= width
    assert not [line for line in lines if line != line.rstrip()]
    return shown


def flat(text: str) -> str:
    """However it was wrapped."""
    return " ".join(text.split())


def house(count: int, **more: Any) -> list[Any]:
    return [device(f"d{n:03}", n, firmware="1", **more) for n in range(count)]


def rows(shown: str) -> list[str]:
    """The rows of the picture of waves: number, bar, count."""
    return [line for line in shown.splitlines() if re.match(r" *\d+( to \d+)?  [█#]+ ", line)]


# The picture of waves


@pytest.mark.parametrize("width", [80, 120])
def test_one_row_for_each_wave_and_a_bar_as_long_as_the_wave(width: int) -> None:
    plan = plan_of([*house(30), device("plug", 90, firmware="1", feeds=("router",))])
    drawn = rows(seen(show_plan, plan, width=width))
    assert [row.count("█") for row in drawn] == [len(wave.devices) for wave in plan.waves]
    assert [int(row.split()[0]) for row in drawn] == list(range(1, len(plan.waves) + 1))
    assert " pilot " in drawn[0]
    assert " carrier " in drawn[-1]
    assert not any("pilot" in row or "carrier" in row for row in drawn[1:-1])
    for row, wave in zip(drawn, plan.waves, strict=True):
        assert f" {wave.exposure:.2f} " in row


def test_wide_waves_are_drawn_to_scale() -> None:
    plan = plan_of(house(200), WHOLE + "[pace]\nconfidence = 0.6\nstranded_at_most = 40\n")
    widest = max(len(wave.devices) for wave in plan.waves)
    shown = seen(show_plan, plan)
    drawn = rows(shown)
    assert f"(longest bar: {widest})" in shown
    longest = max(row.count("█") for row in drawn)
    assert longest < widest
    for row, wave in zip(drawn, plan.waves, strict=True):
        assert abs(row.count("█") / longest - len(wave.devices) / widest) <= 1 / longest


def test_many_waves_share_rows_if_they_are_alike() -> None:
    plan = plan_of([device(f"d{n}", n, firmware=str(n)) for n in range(90)])
    assert len(plan.waves) > 40
    first, rest = rows(seen(show_plan, plan))
    assert first.split()[:4] == ["1", "█", "1", "pilot"]
    assert rest.split()[:6] == ["2", "to", "90", "█", "1", "each"]


def test_the_last_row_ends_with_the_time_of_the_whole() -> None:
    plan = plan_of(house(12))
    whole = run_seconds(wave.seconds for wave in plan.waves)
    shown = seen(show_plan, plan)
    assert rows(shown)[-1].endswith(f"{whole.least / 60:.1f} to {whole.most / 60:.1f}")
    words = f"Expected: {span(whole.least, whole.most)}, if every gate opens at once"
    assert words in flat(shown)


def test_colour_says_nothing_that_words_do_not() -> None:
    plan = plan_of([*house(5), device("plug", 90, feeds=("router",))])
    coloured = seen(show_plan, plan, force_terminal=True, color_system="truecolor")
    assert re.sub(r"\x1b\[[0-9;]*m", "", coloured) == seen(show_plan, plan)
    assert not re.search(r"\x1b\[[0-9;]*\b(3[0-8]|4[0-8]|9[0-7])\b", coloured)


def test_bars_where_the_character_set_has_no_blocks() -> None:
    class Ascii(io.StringIO):
        encoding = "ascii"

    screen = Console(width=80, file=Ascii(), highlight=False)
    show_plan(plan_of(house(5)), screen)
    shown = screen.file.getvalue()  # type: ignore[attr-defined]
    assert shown.isascii()
    assert len(rows(shown)) == len(plan_of(house(5)).waves)


def test_long_names_fit() -> None:
    fleet = [
        device(
            f"{LONG} {n}", n, place=LONG, load=LONG, feeds=(LONG,) if not n else (), topic=f"t{n}"
        )
        for n in range(3)
    ]
    plan = plan_of([*fleet, device(LONG, 9, topic="t9", wakes_seconds=30.0)])
    for width in (80, 120):
        shown = seen(show_plan, plan, width=width)
        assert len(rows(shown)) == 4
        seen(show_why, why([*fleet, device(LONG, 9)], plan, LONG), plan, width=width)


@pytest.mark.parametrize("width", [20, 40, 80])
def test_words_are_wrapped_and_never_cut(width: int) -> None:
    path = "/a/path/longer/than/a/line/of/forty/characters/home.plan.json"
    screen = Console(width=width, file=io.StringIO(), highlight=False)
    say(screen, f"is frozen, as you see,  to {path} and nowhere else", indent=2, hang=2)
    assert isinstance(screen.file, io.StringIO)
    first, *others = lines = screen.file.getvalue().splitlines()
    assert first.startswith("  is")
    assert all(line.startswith("    ") for line in others)
    assert [line for line in lines if path in line]
    assert all(line == line.rstrip() for line in lines)
    assert all(len(line) <= width for line in lines if path not in line)
    assert flat(" ".join(lines)) == f"is frozen, as you see, to {path} and nowhere else"


def test_lines_are_as_wide_as_what_stands_in_them() -> None:
    # Two columns for each of these characters: East Asian Width (Unicode UAX #11).
    screen = Console(width=20, file=io.StringIO(), highlight=False)
    say(screen, "\u5009\u5eab " * 8)
    assert isinstance(screen.file, io.StringIO)
    assert screen.file.getvalue().splitlines() == [" ".join(["\u5009\u5eab"] * 4)] * 2


def test_a_bundle_says_what_empty_values_mean() -> None:
    plan = plan_of(house(3))
    bundle = {Setting.SPARE_SSID: "", Setting.ADDRESS: "", Setting.BROKER_USERNAME: ""}
    devices = tuple(changed_device(one, bundle) for one in plan.devices)
    told = flat(seen(show_plan, changed(plan, devices=devices)))
    assert "wifi.spare.ssid (emptied)" in told
    assert "addressing.address (empty: it asks DHCP)" in told
    assert "broker.username (none)" in told


def changed_device(one: PlannedDevice, bundle: dict[Setting, Any]) -> PlannedDevice:
    return one.model_copy(update={"bundle": bundle})


# What else is said of a plan


def changed(plan: Plan, **fields: Any) -> Plan:
    return plan.model_copy(update=fields)


def test_how_near_to_the_fewest_waves() -> None:
    plan = plan_of(house(5))
    none, some_ = changed(plan, fewest_waves=0), changed(plan, fewest_waves=4)
    assert "has fewer than" not in seen(show_plan, none)
    words = f"{len(plan.waves)} waves; no plan within the rules has fewer than 4."
    assert words in flat(seen(show_plan, some_))
    best = changed(plan, fewest_waves=len(plan.waves))
    assert f"{len(plan.waves)} waves: the fewest that the rules allow." in seen(show_plan, best)


def test_what_was_counted() -> None:
    shown = (
        Shown(dialect="larch", firmware="1", returns=20, faults=0),
        Shown(dialect="rowan", firmware="2", returns=1, faults=2),
    )
    told = flat(seen(show_plan, changed(plan_of(house(3)), evidence=shown)))
    assert "Counted from earlier runs and the bench: larch 1, 20 returns, no fault." in told
    assert "rowan 2, 1 return, 2 faults." in told
    assert "Counted" not in seen(show_plan, changed(plan_of(house(3)), evidence=()))


def test_a_leg() -> None:
    leg = Leg(
        number=1,
        of=2,
        what="the spare network",
        argument=("Before it, all are reached.", "After it, all are reached."),
        owner="put the second network on air",
    )
    told = flat(seen(show_plan, changed(plan_of(house(3)), leg=leg)))
    assert "Leg 1 of 2: the spare network Before it, all are reached. After it, all" in told
    assert "Before this leg begins, you: put the second network on air" in told
    assert "Leg 1" not in seen(show_plan, plan_of(house(3)))


def test_sleepers_and_quiet_hours_are_named() -> None:
    fleet = [
        *house(2),
        device("gauge", 5, wakes_seconds=600.0),
        device("nursery-lamp", 6, quiet=("19:00-07:00",)),
    ]
    told = seen(show_plan, plan_of(fleet))
    assert "told when they wake (every 10 min): gauge." in flat(told)
    assert "Quiet hours 19:00-07:00, in which nothing is sent to: nursery-lamp." in flat(told)
    assert {"sleeper", "quiet"} <= {word for row in rows(told) for word in row.split()}


def test_what_a_lost_secret_keeps_on_the_new_side() -> None:
    lost = WHOLE.replace(f"[old]\n{OLD_NET}", f"[old]\n{OLD_NET}no_way_back = ['d000']\n")
    lost = re.sub(r"wifi = \{ ssid = \"attic\".*\n", 'wifi = { ssid = "attic" }\n', lost)
    told = flat(seen(show_plan, plan_of(house(1), lost)))
    assert "wifi.secret NOT KNOWN, accepted by name" in told
    assert "it keeps the new side's wifi.ssid, wifi.secret," in told
    assert "it keeps" not in flat(seen(show_plan, plan_of(house(1))))


@pytest.mark.parametrize(
    ("seconds", "words"),
    [(0, "0 s"), (89, "89 s"), (90, "2 min"), (840, "14 min"), (5400, "1 h 30 min"), (7200, "2 h")],
)
def test_times_in_words(seconds: float, words: str) -> None:
    assert lasting(seconds) == words


def test_spans_and_lists_in_words() -> None:
    assert span(840, 1320) == "14 min to 22 min"
    assert span(841, 842) == "14 min"
    assert some(["a", "b"]) == "a, b"
    assert some(["a", "b", "c"], 2) == "a, b and 1 more"


# --why


def test_why_is_told_and_nothing_is_written(paper: Paper) -> None:
    ended = paper.plan("--why", "hall-plug")
    assert ended.code == Exit.DONE, ended.all
    assert "hall-plug: wave 2 of 2" in ended.out
    assert "Wave 1: the pilot (desk-lamp) goes alone." in ended.out
    assert "whole 1 of the exposure" in flat(ended.out)
    assert not paper.plan_file.exists()


def test_why_leaves_an_older_plan_alone(paper: Paper) -> None:
    assert paper.plan().code == Exit.DONE
    before = paper.plan_file.read_bytes()
    assert paper.plan("--why", "desk-lamp").code == Exit.DONE
    assert paper.plan_file.read_bytes() == before


@pytest.mark.parametrize(
    ("name", "words"), [("desk-lanp", "did you mean desk-lamp?"), ("x", "see")]
)
def test_why_of_nobody(paper: Paper, name: str, words: str) -> None:
    ended = paper.plan("--why", name)
    assert ended.code == Exit.BAD_FILE
    assert f"there is no device {name!r}" in ended.err
    assert words in ended.err
    assert ended.out == ""


def test_why_of_a_hostile_name_is_harmless(paper: Paper) -> None:
    ended = paper.plan("--why", "\x1b[31m[bold]lamp")
    assert ended.code == Exit.BAD_FILE  # paper.checked: nothing steers the terminal


def test_why_in_sentences() -> None:
    fleet = [
        *house(6),
        device("stair-1", 20, firmware="1", cover="stairs", reach="ladder"),
        device("stair-2", 21, firmware="1", cover="stairs", reach="ladder"),
        device("plug", 22, firmware="1", feeds=("router", "stair-1")),
        device("lonely", 23, dialect="sedge", firmware="9", reach="tools"),
        device("easy", 24, dialect="sedge", firmware="9"),
    ]
    plan = plan_of(fleet)

    def told(name: str) -> str:
        return flat(seen(show_why, why(fleet, plan, name), plan))

    assert "It is the pilot" in told("d000")
    assert "nothing delicate on it" in told("d000")
    plug = told("plug")
    assert "It feeds router, stair-1: its restart cuts others off. It goes alone" in plug
    assert f"({len(fleet) - 1} devices before it)" in plug
    lonely = told("lonely")
    assert "a twin that is easier to reach, such as easy, has to be back before it" in lonely
    later = max(("stair-1", "stair-2"), key=plan.wave_of)
    assert "No other device of its cover (stairs) is in this wave." in told(later)
    assert re.search(r"you accept 1\.", told(later))
    assert "What would move it" in told(later)


def test_why_where_all_go_at_once() -> None:
    plan = changed(plan_of(house(2)), leg=Leg(together=True))
    found = why(house(2), plan, "d001")
    assert (found.barriers, found.moves) == ((), ())
    told = flat(seen(show_why, found, plan))
    assert "all devices go at the same moment" in told
    assert "moves it" not in told


# Rehearsals


@pytest.fixture
def planned(paper: Paper) -> Path:
    assert paper.plan().code == Exit.DONE
    return paper.plan_file


def test_rehearse_needs_the_plan_alone(paper: Paper, planned: Path) -> None:
    paper.fleet.unlink()
    paper.playbook.unlink()
    paper.env.clear()
    ended = paper.cli("rehearse", planned, "--times", "50")
    assert ended.code == Exit.DONE, ended.all
    assert "New access point: rehearsed 50 times on paper, seed 1" in ended.out
    assert flat(CLOSING) in flat(ended.out)
    for way in ("this plan", "all at once", "one by one", "tenths"):
        assert len(re.findall(rf"^ *{way} ", ended.out, re.MULTILINE)) == 2  # table and picture
    again = paper.cli("rehearse", planned, "--times", "50")
    assert again.out == ended.out
    other = paper.cli("rehearse", planned, "--times", "50", "--seed", "2", "--lost", "0.3")
    assert other.out != ended.out
    assert "30% do not return" in flat(other.out)


def test_rehearse_where_all_is_sure(paper: Paper, planned: Path) -> None:
    none = [f"--{rate}=0" for rate in ("declines", "misread", "slow", "lost", "group", "broker")]
    ended = paper.cli("rehearse", planned, "--times", "20", *none)
    assert ended.code == Exit.DONE
    assert re.search(r"this plan +2 +1 +0 +100% +0\.00 +0 +0 +0\.0 ", ended.out)
    lost = paper.cli("rehearse", planned, "--times", "20", *none, "--lost=1")
    assert "This plan was never played to its end." in lost.out
    assert re.search(r"this plan +2 +1 +0 +0% +1\.00 +1 +1 +1\.0 +-", lost.out)
    assert re.search(r"wave 1 +█+ 100%", lost.out)


@pytest.mark.parametrize(
    "wrong",
    [("--lost", "2"), ("--times", "0"), ("--lost", "0.6", "--slow", "0.6"), ("--lost", "x")],
)
def test_rates_that_cannot_be(paper: Paper, planned: Path, wrong: tuple[str, ...]) -> None:
    ended = paper.cli("rehearse", planned, *wrong)
    assert ended.code == Exit.USAGE
    assert wrong[0] in ended.err


def test_rehearse_of_what_is_no_plan(paper: Paper, planned: Path) -> None:
    assert paper.cli("rehearse", paper.fleet).code == Exit.BAD_FILE
    assert paper.cli("rehearse", paper.folder / "none.json").code == Exit.BAD_FILE
    paper.edit(planned, "New access point", "Old access point")
    assert paper.cli("rehearse", planned).code == Exit.CHANGED


@pytest.mark.parametrize("width", [80, 120])
@pytest.mark.parametrize("count", [1, 2, 150])
def test_rehearsals_fit_the_screen(width: int, count: int) -> None:
    plan = plan_of(house(count))
    rates = Rates()
    results = rehearse(plan, rates, 30, random.Random(1))  # noqa: S311 - no secret
    shown = seen(show_rehearsal, plan, rates, results, 1, width=width)
    assert "…" not in shown  # nothing was cut off
    told = [float(share) for share in re.findall(r"█ ([\d.]+)%$", shown, re.MULTILINE)]
    stops = shown.partition("Where this plan stops")[2].partition("How long")[0]
    shares = [float(share) for share in re.findall(r" ([\d.]+)%$", stops, re.MULTILINE)]
    assert sum(shares) == pytest.approx(100, abs=2)
    assert told


def test_what_is_not_played_is_said() -> None:
    plan = changed(plan_of([device("lamp", 1, quiet=("19:00-07:00",))]), on_fault="roll-back-all")
    results = rehearse(plan, Rates(), 5, random.Random(1))  # noqa: S311 - no secret
    told = flat(seen(show_rehearsal, plan, Rates(), results, 1))
    assert "Quiet hours are not played" in told
    assert "The way back, which this plan takes at a fault, is not played." in told
    one_step = Leg(number=2, of=3, what="all at once", together=True)
    told = flat(seen(show_rehearsal, changed(plan, leg=one_step), Rates(), results, 1))
    assert "Leg 2 of 3: all at once" in told
    assert "the other ways are not open to it" in told
