"""The picture in a terminal: what is in it, that it fits, and how it gets onto the screen."""

from __future__ import annotations

import io
import os
import pty
import re
import select
import termios
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from rich.console import Console

from migrate.cli.stream import Lines
from migrate.engine.tidings import Tidings
from migrate.model.lifecycle import Direction, State
from migrate.planning.plan import Leg, Plan
from migrate.views.progress import progress
from migrate.views.scene import Scene
from migrate.views.terminal.cells import cut, strip, wrapped
from migrate.views.terminal.frame import Frame
from migrate.views.terminal.live import LiveProgress
from migrate.views.terminal.plain import LineProgress
from tests.planning.samples import device, plan_of

from .scenes import BEGUN, Told, after, in_waves, plan_with, rows_of
from .screen import Screen

S = State
SIZES = [(80, 24), (200, 50), (40, 15), (20, 6), (12, 3), (5, 2), (1, 1), (80, 5), (300, 12)]
WIDE = "ложе-Ⅷ-灯" + "灯" * 20
"""A name with characters that take two cells."""
ODD = f"{WIDE}\u202e\x1b[31m{'x' * 60}"
"""Words with some that would steer a terminal."""


def picture(told: Told, at: float, width: int = 80, height: int = 24) -> list[str]:
    return [line.plain for line in Frame(told.scene).lines(after(at), width, height)]


def flat(told: Told, at: float, width: int = 80, height: int = 24) -> str:
    return " ".join(" ".join(picture(told, at, width, height)).split())


def large(devices: int = 2000, waves: int = 50) -> Plan:
    """Large, without the time that planning takes."""
    one = plan_of([device("d0", 0)])
    names = [f"room-{n // 10}-lamp-{n % 10}" for n in range(devices)]
    first = one.devices[0]
    copies = tuple(first.model_copy(update={"name": n, "place": "a room"}) for n in names)
    each = -(-devices // waves)
    sizes = [min(each, devices - n) for n in range(0, devices, each)]
    return in_waves(one.model_copy(update={"devices": copies}), sizes, (40, 60))


LARGE = large()


# That it fits


@given(
    st.sampled_from(SIZES),
    st.lists(st.tuples(st.integers(0, 99), st.sampled_from(State)), max_size=40),
    st.sampled_from(Direction),
    st.integers(0, 5),
    st.sampled_from(["", "waiting until 07:00 for the quiet hours of a lamp" * 3]),
    st.booleans(),
)
@settings(max_examples=150, deadline=None)
def test_it_always_fits(
    size: tuple[int, int],
    steps: list[tuple[int, State]],
    direction: Direction,
    wave: int,
    waits: str,
    last: bool,
) -> None:
    plan = ODD_PLAN
    told = Told(plan)
    if wave:
        told.wave(wave, 0, direction)
    for number, state in steps:
        name = plan.devices[number % len(plan.devices)].name
        told.device(name, state, 1, ODD, direction=direction)
    if waits:
        told.tell(Tidings("waiting", waits), 2)
    width, height = size
    lines = Frame(told.scene).lines(after(100000), width, height, last=last)
    assert 1 <= len(lines) <= max(1, height - 1)
    for line in lines:
        assert line.cell_len <= max(1, width - 1)
        assert line.plain.isprintable() or not line.plain


def _odd_plan() -> Plan:
    devices = [device(f"{n} {WIDE}", n, place=WIDE[:n] or "x") for n in range(40)]
    return in_waves(plan_of(devices), (1, 4, 10, 20, 5), (10, 20)).model_copy(
        update={"title": ODD * 3, "leg": Leg(number=1, of=2, what=ODD)}
    )


ODD_PLAN = _odd_plan()


@pytest.mark.parametrize("at", [1, 2, 31, 49, 50])
@pytest.mark.parametrize(("width", "height"), [(80, 24), (40, 15), (200, 50)])
def test_no_device_of_many_is_left_out(at: int, width: int, height: int) -> None:
    told = Told(LARGE)
    told.wave(at, 0)
    for name in LARGE.waves[at - 1].devices[:20]:
        told.device(name, S.AWAY, 1)
    lines = picture(told, 2, width, height)
    assert len(lines) < height
    assert sum(line.startswith(f"> wave {at} ") for line in lines) == 1
    rows = [line for line in lines if re.match(r"[> ] waves? \d", line)]
    numbers = [int(n) for row in rows for n in re.findall(r"(\d+) (?:waiting|away)", row)]
    assert sum(numbers) == 2000
    (others,) = re.findall(r"and (\d+) others", "\n".join(lines)) or ["0"]
    named = sum(line.startswith("  room-") for line in lines)
    assert named + int(others) == len(LARGE.waves[at - 1].devices)


def test_rows_keep_their_places_within_a_wave() -> None:
    """So that one can look away and find a device again."""
    told = Told(plan_with(1, 4))
    told.wave(2, 0)
    seen = []
    for at, name in enumerate(("b2", "b0", "b3", "b1")):
        told.device(name, S.AWAY, at)
        seen.append([line.split()[0] for line in picture(told, at) if re.match(r"  b\d ", line)])
    assert seen == [["b0", "b1", "b2", "b3"]] * 4


# What it says


def test_the_parts_of_a_run_that_goes_well() -> None:
    told = Told(plan_with(1, 3, 2, place="study"))
    told.whole_wave(1, 0, 12)
    told.wave(2, 12)
    told.device("b0", S.AWAY, 13, "it said yes")
    told.device("b1", S.SEEN, 20, "at 192.0.2.9 (new side) after 7.0 s")
    told.device("b2", S.SENDING, 21)
    lines = [line for line in picture(told, 25) if line]
    assert lines == [
        "change",
        "1 of 6 devices settled; about 70 s to 80 s left, if no gate holds",
        "  wave 1  █    1 settled",
        "> wave 2  ▒▒▒  1 sending, 1 away, 1 seen",
        "  wave 3  ░░   2 waiting",
        "now in wave 2:",
        "  b0  study  away 12 s    it said yes",
        "  b1  study  seen 5 s     at 192.0.2.9 (new side) after 7.0 s",
        "  b2  study  sending 4 s",
        "waits for 1 device to answer, 1 to come back, 1 to stay well; b0 the longest,",
        "12 s",
    ]


def test_a_fault_is_always_to_be_seen_with_its_words() -> None:
    told = Told(LARGE)
    told.wave(30, 0)
    for name in LARGE.waves[29].devices[1:]:
        told.device(name, S.AWAY, 1)
    lost = LARGE.waves[29].devices[0]
    told.device(lost, S.RETURNED, 2, "at 192.0.2.7, restarted, with its former settings")
    for width, height in ((80, 24), (40, 15), (200, 50)):
        shown = "\n".join(picture(told, 5, width, height))
        assert "not where they should be:" in shown
        assert f"  {lost[:10]}" in shown
        assert "returned 3 s" in shown
        assert "at 192.0.2.7, restarted" in shown
        assert "time left depends on what you decide" in " ".join(shown.split())


def test_many_faults_are_counted() -> None:
    told = Told(LARGE)
    told.wave(30, 0)
    for name in LARGE.waves[29].devices:
        told.device(name, S.ADRIFT, 1, "on neither side")
    shown = flat(told, 5)
    number = len(LARGE.waves[29].devices)
    named = len(re.findall(r"room-\S+ a room adrift", shown))
    (others,) = re.findall(r"and (\d+) others: \d+ adrift", shown)
    assert named + int(others) == number
    assert named >= 3


def test_written_off_is_no_fault() -> None:
    plan = plan_with(2, 1)
    rows = [replace(row, written_off=row.name == "a0", state=S.ADRIFT) for row in rows_of(plan)[:1]]
    told = Told(plan, [*rows, *rows_of(plan)[1:]])
    shown = flat(told, 1)
    assert "0 of 3 devices settled, 1 written off" in shown
    assert "not where" not in shown


def test_on_the_way_back() -> None:
    told = Told(plan_with(1, 2))
    told.whole_wave(1, 0, 1)
    told.whole_wave(2, 1, 1)
    told.wave(2, 9, Direction.BACK)
    told.device("b0", S.RESTORED, 10, direction=Direction.BACK)
    told.device("b1", S.AWAY, 10, direction=Direction.BACK)
    shown = flat(told, 12)
    assert "way back: 1 away, 1 settled, 1 restored" in shown
    assert "< wave 2" in shown
    assert "left" not in shown.partition("wave 1")[0]
    assert "waits for b1 to come back, 2 s so far" in shown


def test_while_devices_are_read() -> None:
    fleet = [device("lamp", 1), device("gauge", 2, wakes_seconds=600.0), device("plug", 3)]
    told = Told(plan_of(fleet))
    told.tell(Tidings("waiting", "reading 3 devices; nothing is changed"), 0)
    shown = flat(told, 1)
    assert "not read yet:" in shown
    assert "gauge somewhere sleeps, and wakes every 10 min" in shown
    assert "lamp somewhere" in shown
    told.tell(Tidings("survey", "found", "lamp"), 2)
    told.tell(Tidings("survey", "no answer at 192.0.2.4", "plug"), 2)
    shown = flat(told, 3)
    assert "not as they must be: plug somewhere no answer at 192.0.2.4" in shown
    assert "reading 3 devices; nothing is changed; 1 read so far, 1 not as they must be" in shown
    assert "lamp somewhere" not in shown


def test_a_long_list_does_not_race_by_while_devices_are_read() -> None:
    told = Told(LARGE)
    told.tell(Tidings("waiting", "reading 2000 devices; nothing is changed"), 0)
    told.tell(Tidings("survey", "found", LARGE.devices[0].name), 1)
    assert "not read yet" not in flat(told, 2)
    assert "1 read so far" in flat(told, 2)


def test_quiet_hours_sleepers_and_those_still_looked_for() -> None:
    plan = plan_of(
        [device("lamp", 1, quiet=("19:00-07:00",)), device("gauge", 2, wakes_seconds=9.0)]
    )
    told = Told(in_waves(plan, (2,), (10, 20)))
    assert "if no gate holds, quiet hours not counted" in flat(told, 0)
    told.wave(1, 0)
    assert "waits for 1 device to wake" in flat(told, 1)
    told.tell(Tidings("waiting", "waiting until 07:00: lamp"), 2)
    assert flat(told, 3).endswith("waiting until 07:00: lamp")
    told.tell(Tidings("waiting"), 9)
    told.device("lamp", S.ADRIFT, 10)
    assert flat(told, 11).endswith("still looks for lamp")
    told.gate(1, 12, "shut by lamp")
    shown = flat(told, 13)
    assert "1 waiting, 1 adrift; gate shut" in shown
    assert "still looks" not in shown


def test_all_in_one_step() -> None:
    plan = plan_with(4)
    told = Told(plan.model_copy(update={"leg": Leg(number=1, of=1, together=True)}))
    told.wave(1, 0)
    for number in range(4):
        told.device(f"a{number}", S.AWAY, 1, "it said yes")
    told.tell(Tidings("waiting", "until 4 devices are gone"), 2)
    shown = flat(told, 3)
    assert "0 of 4 devices settled > wave 1" in shown  # and no time: it is up to the owner
    assert shown.endswith("until 4 devices are gone")


def test_the_last_picture_leaves_what_is_told_below_it() -> None:
    told = Told(plan_with(1, 2))
    told.wave(1, 0)
    told.device("a0", S.RETURNED, 1, "restarted")
    lines = [line.plain for line in Frame(told.scene).lines(after(2), 80, 24, last=True) if line]
    assert lines == [
        "change",
        "0 of 3 devices settled",
        "> wave 1  !   1 returned",
        "  wave 2  ░░  2 waiting",
    ]


def test_a_character_set_without_blocks() -> None:
    told = Told(plan_with(1, 3, 2))
    told.whole_wave(1, 0, 12)
    told.wave(2, 12)
    told.device("b0", S.AWAY, 13)
    lines = [line.plain for line in Frame(told.scene, plain=True).lines(after(14), 80, 24)]
    assert "".join(lines).isascii()
    assert "> wave 2  +..  2 waiting, 1 away" in lines


@given(st.lists(st.integers(0, 3000), min_size=4, max_size=4), st.integers(4, 24))
@settings(max_examples=100, deadline=None)
def test_a_strip_has_its_length_and_shows_the_few(numbers: list[int], length: int) -> None:
    drawn = strip(numbers, length, plain=True, back=False).plain
    assert len(drawn) == (length if sum(numbers) else 0)
    assert {"#+!.".index(mark) for mark in drawn} == {n for n, one in enumerate(numbers) if one}


@given(st.text(max_size=60), st.integers(1, 30), st.integers(1, 3))
@settings(max_examples=100, deadline=None)
def test_words_are_cut_to_their_room(words: str, room: int, rows: int) -> None:
    assert Console().measure(cut(words, room)).maximum <= room or not cut(words, room)
    lines = wrapped(words, room, rows)
    assert len(lines) <= rows
    if " ".join(lines) != " ".join(wrapped(words, 10_000, 1)):
        assert any(".." in line or len(line) == room for line in lines)


# How it gets onto the screen


def console_on(screen: Screen, **more: object) -> Console:
    return Console(
        file=screen,
        width=screen.width,
        height=screen.height,
        force_terminal=True,
        color_system=None,
        legacy_windows=False,
    )


def test_the_screen_shows_the_picture_and_above_it_what_is_kept() -> None:
    told = Told(plan_with(1, 3, 3))
    screen = Screen(80, 24)
    console = console_on(screen)
    console.print("typed before")
    live = LiveProgress(told.scene, console)
    told.onlookers.append(live)
    with live:
        for number, at in ((1, 0), (2, 20)):
            told.wave(number, at)
            for state, later in ((S.AWAY, 1), (S.SEEN, 6), (S.SETTLED, 12)):
                for name in told.plan.waves[number - 1].devices:
                    told.device(name, state, at + later, "words of its own" * 3)
                    live.tick(after(at + later))
                    expected = [
                        line.plain for line in Frame(told.scene).lines(after(at + later), 80, 24)
                    ]
                    shown = [row for row in screen.rows if row.strip()]
                    wanted = [line for line in expected if line]
                    assert shown[-len(wanted) :] == wanted
                    assert sum(row == "change" for row in screen.rows) == 1
            told.gate(number, at + 12)
        told.wave(3, 40)
        told.device("c0", S.RETURNED, 41, "restarted, with its former settings")
        console.print("stopping: nothing more is sent")
        live.tick(after(42))
        assert screen.rows[0] == "typed before"
        kept = [row.split("  ", 1)[-1] for row in screen.rows[1:5]]
        assert (
            kept
            == [
                "wave 1 of 3: 1 settled after 12 s; gate open",
                "wave 2 of 3: 3 settled after 12 s; gate open",
                "c0 returned: restarted, with its former settings",
                "",
            ]
            or "stopping: nothing more is sent" in screen.rows[1:6]
        )
        assert screen.rows.count("stopping: nothing more is sent") == 1
    assert sum(row == "change" for row in screen.rows) == 1
    console.print("told below")
    assert screen.rows[screen.row - 1] == "told below"
    assert [row for row in screen.rows if row.strip()][-1] == "told below"


def test_news_alone_writes_nothing_and_a_picture_is_one_write() -> None:
    told = Told(plan_with(1, 30))
    screen = Screen(80, 24)
    live = LiveProgress(told.scene, console_on(screen))
    told.onlookers.append(live)
    with live:
        told.wave(2, 0)
        for name in told.plan.waves[1].devices:
            told.device(name, S.AWAY, 1)
        before = screen.writes
        told.tell(Tidings("note", "something to keep"), 1)
        assert screen.writes == before
        live.tick(after(1))
        assert screen.writes == before + 1
        live.tick(after(1.2))  # nothing is new
        assert screen.writes == before + 1
        live.tick(after(2))  # a second has gone by
        assert screen.writes == before + 2


@pytest.mark.parametrize("width", [60, 39])
def test_a_terminal_becomes_narrower(width: int) -> None:
    """What is on the screen is wrapped by the terminal (common practice, no source)."""
    told = Told(plan_with(1, 4, place="a place with a long name"))
    told.wave(2, 0)
    for name in told.plan.waves[1].devices:
        told.device(name, S.AWAY, 1, "words " * 8)
    screen = Screen(100, 40)
    console = console_on(screen)
    with LiveProgress(told.scene, console) as live:
        live.tick(after(1))
        rows, screen.rows = screen.rows, []
        for row in rows:
            screen.rows += [row[n : n + width] for n in range(0, len(row) or 1, width)]
        screen.row, screen.width = len(screen.rows) - 1, width
        console.width = width
        live.tick(after(2))
        wanted = [line.plain for line in Frame(told.scene).lines(after(2), width, 40) if line]
        assert [row for row in screen.rows if row.strip()] == wanted


def test_a_halted_terminal_does_not_halt_the_tool() -> None:
    """Ctrl-S (XOFF; termios(3)): nothing is written until it goes on; then the newest."""
    ours, theirs = pty.openpty()
    told = Told(plan_with(1, 3))
    with os.fdopen(theirs, "w", encoding="utf-8") as file:
        console = Console(file=file, force_terminal=True, width=80, height=24)
        live = LiveProgress(told.scene, console)
        told.onlookers.append(live)
        with live:
            os.read(ours, 65536)
            termios.tcflow(theirs, termios.TCOOFF)
            for at in range(1, 300):  # more than a terminal's buffer holds
                told.wave(1 + at % 2, at)
                told.tell(Tidings("note", f"remark {at}"), at)
                live.tick(after(at))
            assert not select.select([ours], [], [], 0)[0]
            termios.tcflow(theirs, termios.TCOON)
            # A reader, as there is one now.
            shown = b""
            told.tell(Tidings("note", "the last"), 300)
            live.tick(after(301))
            while b"the last" not in shown:
                shown += os.read(ours, 65536)
        assert b"remark 1\r" in shown
        os.read(ours, 65536)
    os.close(ours)


def test_a_terminal_that_is_gone_ends_nothing() -> None:
    class Gone(Screen):
        gone = False

        def write(self, text: str, /) -> int:
            if self.gone:
                raise OSError(5, "Input/output error")
            return super().write(text)

    told = Told(plan_with(1, 3))
    screen = Gone(80, 24)
    live = LiveProgress(told.scene, console_on(screen))
    told.onlookers.append(live)
    with live:
        screen.gone = True
        told.wave(1, 1)
        live.tick(after(1))
        told.wave(2, 2)
        live.tick(after(2))


# What is kept above it


def test_what_is_kept() -> None:
    told = Told(plan_with(1, 3))
    kept: list[str] = []

    class Keeps:
        def __init__(self) -> None:
            from migrate.views.terminal.keep import Keep

            self._keep = Keep(told.scene)

        def see(self, news: Tidings, at: object) -> None:
            if line := self._keep.line(news, after(0)):
                kept.append(line.split("  ", 1)[1])

    told.onlookers.append(Keeps())
    told.tell(Tidings("survey", "found", "a0"), 0)
    told.whole_wave(1, 0, 9)
    told.wave(2, 9)
    told.tell(Tidings("waiting", "waiting until 07:00"), 9)
    told.device("b0", S.DECLINED, 10, "it declined: busy")
    told.device("b1", S.ADRIFT, 11, "on neither side")
    told.tell(Tidings("note", "still on neither side", "b1", 1, S.ADRIFT), 12)
    told.device("b1", S.SEEN, 13, "found after all")
    told.device("b1", S.SETTLED, 14, "well for 1 s")
    told.gate(2, 15, "shut by b0")
    told.device("b0", S.SENDING, 16, "its bundle is on the way")
    told.device("b0", S.SEEN, 17, "at 192.0.2.9")
    assert kept == [
        "wave 1 of 2: 1 settled after 9 s; gate open",
        "b0 declined: it declined: busy",
        "b1 adrift: on neither side",
        "b1 adrift: still on neither side",
        "b1 seen: found after all",
        "gate after wave 2: shut by b0",
        "b0 seen: at 192.0.2.9",
    ]


def test_those_that_are_gone_as_they_should_be_are_not_kept() -> None:
    """In a leg of one step there would be a line for each device."""
    told = Told(plan_with(2).model_copy(update={"leg": Leg(together=True)}))
    screen = Screen(80, 24)
    live = LiveProgress(told.scene, console_on(screen))
    told.onlookers.append(live)
    with live:
        told.tell(Tidings("note", "gone from the old network", "a0", 0, S.AWAY), 1)
        told.tell(Tidings("note", "a remark of another kind", "a1", 0, S.WAITING), 1)
        live.tick(after(1))
    assert not any("a0 away: gone" in row for row in screen.rows)
    assert any("a1 waiting: a remark of another kind" in row for row in screen.rows)


# Which view


@pytest.mark.parametrize(("term", "kind"), [("dumb", LineProgress), ("xterm", LiveProgress)])
def test_a_terminal_that_cannot_be_drawn_on_gets_lines(term: str, kind: type) -> None:
    scene = Scene.of(LARGE, rows_of(LARGE), BEGUN)
    console = Console(file=Screen(80, 24), force_terminal=True, _environ={"TERM": term})
    lines = Lines(io.StringIO())
    assert isinstance(progress(scene, console, lines), kind)
    pipe = Console(file=Screen(80, 24), _environ={"TERM": term})
    assert isinstance(progress(scene, pipe, lines), LineProgress)


def test_plain_lines() -> None:
    told = Told(plan_with(1, 3))
    screen = Screen(200, 24)
    lines = Lines(screen)
    told.onlookers.append(LineProgress(told.scene, Console(file=screen, width=30), lines))
    told.tell(Tidings("waiting", "reading 4 devices; nothing is changed"), 0)
    told.whole_wave(1, 0, 9)
    told.tell(Tidings("waiting"), 9)
    told.wave(2, 9, Direction.BACK)
    told.device("b0", S.AWAY, 9, ODD, direction=Direction.BACK)
    lines.drain()
    shown = [re.sub(r"^ *\d+\.\d s  ", "", row) for row in screen.rows if row]
    assert shown[:3] == [
        "reading 4 devices; nothing is changed",
        "wave 1 of 2: some devices",
        "a0 sending: ",
    ]
    assert shown[-3:-1] == ["gate after wave 1: open", "wave 2 of 2: some devices (way back)"]
    assert shown[-1].startswith("b0 away (way back): ")
    assert shown[-1].isprintable()
