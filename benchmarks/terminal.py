"""What the live view of a terminal costs: its share of one core while a large fleet moves.

The news of a whole run are made up and replayed in virtual time, with a look at the clock every
quarter of a second, as the command has it. Processor seconds are measured, and divided by the
seconds that the run would take. What is drawn goes to the null device, since what a terminal makes
of it is not ours. The baselines, measured in the same run: the view of a fleet of 24, and the plain
lines of the large one.

    python benchmarks/terminal.py [DEVICES [WAVES]]        (2000 and 40 without numbers)
"""

from __future__ import annotations

import heapq
import io
import os
import random
import sys
import time
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path

from rich.console import Console

from migrate.cli.stream import Lines
from migrate.engine.tidings import Tidings
from migrate.journal.rows import Row
from migrate.model.fleet import Device, Fleet
from migrate.model.lifecycle import Direction, State
from migrate.model.parsing import parse_toml
from migrate.model.playbook import Playbook
from migrate.model.secrets import Secret
from migrate.planning.make import make_plan
from migrate.planning.plan import Plan, PlannedWave, Source, Sources, freeze
from migrate.ports.files import load_dialect
from migrate.views.onlookers import Audience
from migrate.views.progress import Progress
from migrate.views.scene import Scene
from migrate.views.terminal.live import LiveProgress
from migrate.views.terminal.plain import LineProgress

BEGUN = datetime(2026, 11, 25, 20, 0, tzinfo=UTC)
TICK, SOAK = 0.25, 30.0
SIZES = ((80, 24), (200, 50))
PLAYBOOK = f"""
title = "Quarry Cottage moves to a new access point"
[wifi]
ssid = "loft"
secret = {{ env = "NEW" }}
[old]
subnet = "198.18.0.0/15"
leases = "old.leases"
wifi = {{ ssid = "attic", secret = {{ env = "OLD" }} }}
[new]
subnet = "127.0.0.0/8"
leases = "new.leases"
[pace]
soak_seconds = {SOAK}
"""
"""The old network is the one that RFC 2544 sets aside for benchmarks."""

News = tuple[float, Tidings]
"""Something that happened, and how many seconds after the start."""


def plan_of(devices: int, waves: int) -> Plan:
    """A plan for so many devices in a pilot and waves of one size. How large waves may be is not
    looked at here."""
    dialects = {"larch": load_dialect("larch", Path())}
    source = Source(path="fleet.toml", sha256="0" * 64)
    plan = make_plan(
        Fleet(device=tuple(_device(number) for number in range(devices))),
        parse_toml(PLAYBOOK, Playbook, "playbook.toml", Path()),
        {name: one for name, (one, _) in dialects.items()},
        lambda ref: Secret(f"benchmark {ref.env}"),
        Sources(fleet=source, playbook=source, dialects={"larch": dialects["larch"][1]}),
        created="2026-01-01T00:00:00+00:00",
        tool="benchmark",
    )
    names = [device.name for device in plan.devices]
    each = -(-(devices - 1) // max(1, waves - 1))
    groups = [names[:1], *(names[n : n + each] for n in range(1, devices, each))]
    seconds = plan.waves[0].seconds
    fields = {name: getattr(plan, name) for name in Plan.model_fields if name != "digest"}
    fields.pop("format")
    fields["waves"] = tuple(
        PlannedWave(devices=tuple(group), exposure=1.0, seconds=seconds) for group in groups
    )
    return freeze(**fields)


def _device(number: int) -> Device:
    # Locally administered addresses: those for documentation are too few.
    octets = number.to_bytes(3, "big").hex("-").upper()
    return Device.model_validate(
        {
            "name": f"room-{number // 10:03}-lamp-{number % 10}",
            "mac": f"02-00-5E-{octets}",
            "dialect": "larch",
            "address": "198.18.0.1",
            "topic": f"device-{number:06}",
            "place": f"room {number // 10}",
        }
    )


def rows_of(plan: Plan) -> list[Row]:
    """The journal of a run that has just begun."""
    forward, waiting = Direction.FORWARD, State.WAITING
    return [
        Row(one.name, plan.wave_of(one.name), forward, waiting, False, None, None, "", None)
        for one in plan.devices
    ]


def news_of(plan: Plan, seed: int = 1) -> Iterator[News]:
    """A run that goes well but for one late device in every fourth wave: each device is sent its
    bundle, restarts, is back after 8 to 20 s, and soaks."""
    rng = random.Random(seed)  # noqa: S311 - the same run for the same number, no secret
    at = 0.0
    yield at, Tidings("waiting", f"reading {len(plan.devices)} devices; nothing is changed")
    for one in plan.devices:
        at += rng.uniform(0.005, 0.02)
        yield at, Tidings("survey", "found", one.name)
    for index, wave in enumerate(plan.waves):
        yield at, Tidings("wave", f"{len(wave.devices)} devices", wave=index)
        steps: list[tuple[float, int, Tidings]] = []
        for number, name in enumerate(wave.devices):
            late = index % 4 == 3 and number == 0
            sent = at + number * rng.uniform(0.02, 0.1)
            back = sent + (150 if late else rng.uniform(8, 20))
            told = [
                (sent, State.SENDING, "its bundle is on the way"),
                (sent + 0.3, State.AWAY, "it said yes"),
                (back, State.SEEN, f"at 127.0.0.1:80 (new side) after {back - sent:.1f} s"),
                (back + SOAK, State.SETTLED, f"well for {SOAK:.0f} s"),
            ]
            if late:
                told.insert(2, (sent + 120, State.ADRIFT, "on neither side after 120 s"))
            for when, state, words in told:
                tidings = Tidings("device", words, name, index, state)
                heapq.heappush(steps, (when, len(steps), tidings))
        while steps:
            at, _, tidings = heapq.heappop(steps)
            yield at, tidings
        yield at, Tidings("gate", "open", wave=index)


def rest_of(plan: Plan, seconds: float) -> Iterator[News]:
    """A run in which, for so long, nothing happens: the second wave is away."""
    for name in plan.waves[1].devices:
        yield 0.0, Tidings("device", "it said yes", name, 1, State.AWAY)
    yield seconds, Tidings("note", "nothing has happened for a while")


def replay(scene: Scene, view: Progress, news: Sequence[News]) -> tuple[float, float]:
    """Processor seconds that the view took, and seconds of the run."""
    now = BEGUN

    def clock() -> datetime:
        return now

    audience = Audience(scene, [view], clock)
    tick = begun = 0.0
    begun = time.process_time()
    with view:
        for at, tidings in news:
            while tick < at:
                now = BEGUN + timedelta(seconds=tick)
                view.tick(now)
                tick += TICK
            now = BEGUN + timedelta(seconds=at)
            audience.tell(tidings)
    return time.process_time() - begun, news[-1][0]


def share(plan: Plan, news: Sequence[News], size: tuple[int, int], *, live: bool = True) -> float:
    """The share of one core that a view takes."""
    # Compiled and loaded before; what it costs to begin is not what it costs to go on.
    with open(os.devnull, "w", encoding="utf-8") as nowhere:  # noqa: PTH123
        width, height = size
        console = Console(
            file=nowhere, force_terminal=live, width=width, height=height, color_system="truecolor"
        )
        scene = Scene.of(plan, rows_of(plan), BEGUN)
        view = (
            LiveProgress(scene, console) if live else LineProgress(scene, console, Lines(nowhere))
        )
        took, lasted = replay(scene, view, news)
    return took / lasted


def main(devices: int, waves: int) -> None:
    """Print the table."""
    large, small = plan_of(devices, waves), plan_of(24, 9)
    news, few = list(news_of(large)), list(news_of(small))
    print(
        f"{devices:,} devices in {len(large.waves)} waves: {len(news):,} pieces of news in "
        f"{news[-1][0] / 60:.0f} min; drawn every {TICK} s at the most"
    )
    share(small, few, SIZES[0])  # warms up
    for size in SIZES:
        base, got = share(small, few, size), share(large, news, size)
        at_rest = share(large, list(rest_of(large, 600.0)), size)
        print(
            f"{size[0]} x {size[1]}: {got:.2%} of a core; {at_rest:.2%} at rest; "
            f"{base:.2%} for 24 devices, ratio {got / base:.1f}"
        )
    together = plan_of(devices, 2)
    most = share(together, list(rest_of(together, 120.0)), SIZES[1])
    print(f"all away at once, {SIZES[1][0]} x {SIZES[1][1]}: {most:.2%} of a core")
    lines = share(large, news, SIZES[0], live=False)
    live = share(large, news, SIZES[0])
    print(f"plain lines: {lines:.2%} of a core; the view is {live / lines:.1f} times that")
    print(f"one picture: {_picture(large):.1f} ms")


def _picture(plan: Plan, times: int = 200) -> float:
    """Milliseconds to draw one, in the midst of the widest wave."""
    console = Console(file=io.StringIO(), force_terminal=True, width=80, height=24)
    scene = Scene.of(plan, rows_of(plan), BEGUN)
    view = LiveProgress(scene, console)
    news = [Tidings("wave", "", wave=1)]
    news += [Tidings("device", "", n, 1, State.AWAY) for n in plan.waves[1].devices]
    with view:
        for one in news:
            scene.take(one, BEGUN)
            view.see(one, BEGUN)
        begun = time.process_time()
        for number in range(times):
            view.tick(BEGUN + timedelta(seconds=number))
        return (time.process_time() - begun) * 1e3 / times


if __name__ == "__main__":
    given = [int(one) for one in sys.argv[1:]]
    main(*given, *(2000, 40)[len(given) :])
