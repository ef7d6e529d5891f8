"""A campaign as it goes: that the picture fits and says what matters, that lines come once, that it
costs little, and that a terminal which is halted or gone keeps nothing back."""

from __future__ import annotations

import io
import os
import pty
import select
import termios
import threading
from contextlib import suppress
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from rich.console import Console

from migrate.cli.common import Screen as CliScreen
from migrate.engine.campaign import CampaignScene
from migrate.model.lifecycle import State
from migrate.model.problems import Exit
from migrate.views.campaign.frame import frame
from migrate.views.campaign.live import CampaignProgress
from migrate.views.campaign.words import LOST
from migrate.views.terminal.inplace import ERASE_BELOW

from .campaign_scenes import Scenes, account, campaign, large, many, mixed, site
from .screen import Screen
from .test_campaign_words import hostile

S = State
SIZES = [(80, 24), (200, 50), (40, 15), (20, 6), (12, 3), (5, 2), (1, 1), (80, 5), (300, 12)]


class Clock:
    """Goes on when it is told to."""

    now = 0.0

    def __call__(self) -> float:
        return self.now


def terminal(screen: Screen) -> Console:
    return Console(
        file=screen,
        force_terminal=True,
        width=screen.width,
        height=screen.height,
        color_system=None,
        legacy_windows=False,
    )


def lines(*scenes: CampaignScene) -> list[str]:
    """What a pipe gets."""
    on = CliScreen(file=io.StringIO(), width=80, highlight=False)
    with CampaignProgress(on) as view:
        for scene in scenes:
            view.show(scene)
    assert isinstance(on.file, io.StringIO)
    return on.file.getvalue().splitlines()


def picture(scene: CampaignScene, width: int = 80, height: int = 24) -> list[str]:
    return [line.plain for line in frame(scene, width, height)]


# In a pipe


def test_a_line_for_each_change_and_nothing_else() -> None:
    scenes = Scenes(campaign(site("alder"), site("birch", after=("alder",))))
    seen = [scenes.scene]
    scenes.errand("alder", "asked")
    seen += [scenes.scene, scenes.scene]
    scenes.errands["alder"] = []
    scenes.under_way("alder", S.AWAY)
    seen.append(scenes.scene)
    scenes.under_way("alder", S.SETTLED, S.AWAY)  # further on, in the same state
    scenes.errands["alder"].pop()
    seen.append(scenes.scene)
    scenes.errands["alder"] = []
    scenes.moved("alder")
    seen += [scenes.scene, replace(scenes.scene, lost=True), replace(scenes.scene, lost=True)]
    scenes.held("birch", S.RETURNED)
    seen.append(scenes.scene)
    assert lines(*seen) == [
        "alder: asked",
        "alder: under way, 0 of 6 devices",
        "alder: moved, 6 of 6 devices",
        LOST,
        "the store is reached again",
        "birch: held, 0 of 6 devices: hall-lamp has returned",
    ]


def test_the_way_back_is_told_apart() -> None:
    scenes = Scenes(campaign(site("alder")))
    scenes.under_way("alder")
    there = scenes.scene
    scenes.under_way("alder", kind="back")
    assert lines(there, scenes.scene) == ["alder: under way", "alder: under way, on its way back"]


def test_a_campaign_that_goes_on_does_not_tell_again_what_is_over() -> None:
    told = lines(large().scene)
    assert told[0] == "495 sites moved before"
    assert len(told) == 1 + 55
    few = Scenes(campaign(site("alder"), site("birch")))
    few.moved("alder")
    assert lines(few.scene) == ["alder: moved, 6 of 6 devices"]


def test_a_pipe_that_nobody_reads_keeps_nothing_back_and_loses_nothing() -> None:
    """Lines wait until there is room (POSIX: a write of at most PIPE_BUF octets does not block
    where select says that there is)."""
    reading, writing = os.pipe()
    scenes = Scenes(many(60, 1))
    with os.fdopen(writing, "w", encoding="utf-8") as file:
        on = Console(file=file, width=80, highlight=False)
        expected = 0
        with CampaignProgress(on) as view:
            for _ in range(30):  # more than a pipe holds (64 KiB as a rule)
                for one in scenes.plan.sites:
                    scenes.errands[one.name] = []
                    scenes.held(one.name, S.RETURNED)
                view.show(scenes.scene)
                scenes.errands.clear()
                view.show(scenes.scene)
                expected += 2 * 60
            os.set_blocking(reading, False)
            got = b""
            while got.count(b"\n") < expected:
                got += os.read(reading, 1 << 20)
                view.show(scenes.scene)
    os.close(reading)
    assert got.count(b"\n") == expected


def test_nobody_reads_any_more() -> None:
    reading, writing = os.pipe()
    os.close(reading)
    with os.fdopen(writing, "w", encoding="utf-8") as file:
        on = CliScreen(file=file, width=80)
        with CampaignProgress(on) as view:
            view.show(mixed().scene)
            view.show(large(40, 2).scene)
        assert on.quiet


# In a terminal


@given(st.sampled_from(SIZES), st.integers(0, 8), st.booleans(), st.booleans(), st.booleans())
@settings(max_examples=80, deadline=None)
def test_it_always_fits(
    size: tuple[int, int], which: int, lost: bool, plain: bool, last: bool
) -> None:
    scene = replace(SCENES[which % len(SCENES)], lost=lost)
    width, height = size
    drawn = frame(scene, width, height, plain=plain, last=last)
    assert len(drawn) <= max(1, height - 1) or last
    for line in drawn:
        assert line.cell_len <= max(1, width - 1)
        assert line.plain.isprintable() or not line.plain


SCENES = [
    mixed().scene,
    hostile().scene,
    large(100, 3).scene,
    Scenes(campaign(site("a" * 40))).scene,
]


def test_what_the_picture_says() -> None:
    told = [line for line in picture(mixed().scene) if line]
    assert told == [
        "autumn change",
        "8 sites: 2 waiting, 2 under way, 1 moved, 2 held, 1 refused; 9 of 48 devices on",
        "the new side",
        "█▒▒!!!░░",
        "under way:",
        "  birch  ██▒░░░  2/6, 3 waiting, 1 away, 2 settled",
        "to be looked at:",
        "  cedar    held; porch-light has declined, cellar-pump is adrift, door-relay..",
        "  dogwood  held, before leg 2 of 2; waits for its access point to be changed",
        "  gorse    refused; a file there was changed since the campaign was planned (..",
        "  fir      under way; worker silent for 3 min; goes on by itself; what has be..",
        "  hazel    waiting; worker never heard of; its worker has not been heard of l..",
    ]


def test_a_lost_store_and_a_stop_are_seen() -> None:
    assert picture(replace(mixed().scene, lost=True))[-1] == cut_to(LOST)
    scenes = mixed()
    scenes.wanted = "stop"
    assert picture(scenes.scene)[-1] == "stopping, as you asked: no site begins any more"


def cut_to(words: str) -> str:
    return words if len(words) <= 79 else f"{words[:77]}.."


@pytest.mark.parametrize(("width", "height"), [(80, 24), (40, 15), (200, 50)])
def test_of_many_sites_none_is_left_out(width: int, height: int) -> None:
    told = picture(large().scene, width, height)
    assert len(told) < height
    others = [int(line.split()[1]) for line in told if line.startswith("  and ")]
    named = sum(line.startswith("  home-") for line in told)
    assert named + sum(others) == 55
    assert any("lamp-0 is adrift" in line for line in told)


def test_on_a_screen() -> None:
    """What a site came to stays above the picture, which is there once."""
    screen, clock = Screen(80, 24), Clock()
    on = terminal(screen)
    scenes = Scenes(campaign(site("alder"), site("birch")))
    on.print("typed before")
    with CampaignProgress(on, clock) as view:
        scenes.under_way("alder", S.SETTLED, S.AWAY)
        view.show(scenes.scene)
        assert any("█▒" in row for row in screen.seen)
        scenes.errands["alder"] = []
        scenes.moved("alder")
        scenes.under_way("birch", S.AWAY)
        clock.now += 1
        view.show(scenes.scene)
        on.print("said by another")
    on.print("told below")
    shown = [row for row in screen.rows if row.strip()]
    assert shown[0] == "typed before"
    assert shown[1].endswith("  alder: moved, 6 of 6 devices")
    assert sum(row == "autumn change" for row in shown) == 1
    assert "said by another" in shown
    assert shown[-1] == "told below"
    assert not any(row.endswith("alder: under way, 1 of 6 devices") for row in shown)


def test_it_is_drawn_four_times_a_second_at_most() -> None:
    screen, clock = Screen(80, 24), Clock()
    with CampaignProgress(terminal(screen), clock) as view:
        scenes = Scenes(campaign(site("alder")))
        before = screen.writes
        for number in range(1000):
            scenes.under_way("alder", *[S.SETTLED] * (number % 6))
            scenes.errands["alder"] = scenes.errands["alder"][-1:]
            clock.now = number / 1000
            view.show(scenes.scene)
        assert 2 <= screen.writes - before <= 5


def test_what_takes_long_to_draw_is_drawn_seldom() -> None:
    """The longer it takes to draw, the less often that is done: a twentieth of the time at most.
    By a clock that goes on 0.1 s with every write: a drawing seems to take that long."""
    clock = Clock()
    drawn: list[float] = []

    class Slow(Screen):
        def write(self, text: str, /) -> int:
            drawn.append(clock.now)
            clock.now += 0.1
            return super().write(text)

    with CampaignProgress(terminal(Slow(80, 24)), clock) as view:
        drawn.clear()
        scenes = Scenes(campaign(site("alder")))
        for number in range(100):
            scenes.under_way("alder", *[S.SETTLED] * (number % 6))
            scenes.errands["alder"] = scenes.errands["alder"][-1:]
            view.show(scenes.scene)
            clock.now += 0.1
        assert 2 <= len(drawn) <= 1 + clock.now / 2


def test_a_halted_terminal_keeps_nothing_back() -> None:
    """Ctrl-S (XOFF; termios(3)): nothing is written until it goes on; then the newest."""
    ours, theirs = pty.openpty()
    clock = Clock()
    scenes = Scenes(many(100, 1))
    shown: list[bytes] = []

    def read() -> None:
        with suppress(OSError):  # EIO, once the other end is closed (Linux)
            while octets := os.read(ours, 65536):
                shown.append(octets)

    reader = threading.Thread(target=read, daemon=True)
    with os.fdopen(theirs, "w", encoding="utf-8") as file:
        on = Console(file=file, force_terminal=True, width=80, height=24)
        with CampaignProgress(on, clock) as view:
            view.show(scenes.scene)
            drawn = b""
            while b"100 waiting" not in drawn or not drawn.endswith(ERASE_BELOW.encode()):
                drawn += os.read(ours, 65536)  # all of it, so that what comes later is seen as such
            termios.tcflow(theirs, termios.TCOOFF)
            for one in scenes.plan.sites:
                clock.now += 1
                scenes.moved(one.name)
                view.show(scenes.scene)
            assert not select.select([ours], [], [], 0)[0]
            # What was kept is more than a terminal's buffer may hold: somebody reads it.
            reader.start()
            termios.tcflow(theirs, termios.TCOON)
            clock.now += 1
            scenes.wanted = "stop"
            while not on.quiet and b"stopping, as you asked" not in b"".join(shown):
                clock.now += 1
                view.show(scenes.scene)
    reader.join(10)
    os.close(ours)
    text = b"".join(shown).decode()
    assert all(f"{one.name}: moved, 6 of 6 devices" in text for one in scenes.plan.sites)


def test_a_terminal_that_is_gone_ends_nothing() -> None:
    class Gone(Screen):
        gone = False

        def write(self, text: str, /) -> int:
            if self.gone:
                raise OSError(5, "Input/output error")
            return super().write(text)

    screen, clock = Gone(80, 24), Clock()
    with CampaignProgress(terminal(screen), clock) as view:
        view.show(mixed().scene)
        screen.gone = True
        for _ in range(3):
            clock.now += 1
            view.show(large(40, 2).scene)


@pytest.mark.parametrize("term", ["dumb", "xterm"])
def test_a_terminal_that_cannot_be_drawn_on_gets_lines(term: str) -> None:
    screen = Screen(80, 24)
    on = Console(file=screen, force_terminal=True, width=80, height=24, _environ={"TERM": term})
    scenes = Scenes(campaign(site("alder")))
    scenes.errand("alder", "done", account(Exit.DONE, [S.SETTLED]))
    with CampaignProgress(on) as view:
        view.show(scenes.scene)
    told = [row for row in screen.rows if row.strip()]
    assert (told == ["alder: moved, 1 of 6 devices"]) is (term == "dumb")
