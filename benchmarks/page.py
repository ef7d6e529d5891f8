"""What the live page costs a browser and the tool while a large fleet moves.

A run is made up, and its busiest moments are told at the pace of a real run, four batches a second.
Measured in chromium, in a window of 360 by 740: the time of the main thread for each batch, that is
the page's own work and the layout that follows from it, which is forced at once; tasks of more than
50 ms (W3C Long Tasks API); and all that the main thread does, painting included (CDP,
Performance.getMetrics). Of the tool: its processor time for each batch with five pages open. The
baseline, measured in the same run: a page of 24 devices.

    python -m benchmarks.page [DEVICES [WAVES [BATCHES]]]      (2000, 40 and 120 without numbers)
"""

from __future__ import annotations

import asyncio
import json
import os
import shutil
import sys
import time
from dataclasses import dataclass
from statistics import median

from playwright.async_api import CDPSession, async_playwright

from benchmarks.terminal import BEGUN, news_of, plan_of, rows_of
from migrate.engine.tidings import Tidings
from migrate.planning.plan import Plan
from migrate.ports.sockets import now
from migrate.views.page.live import PAUSE, LivePage
from migrate.views.page.messages import Message, Pictures
from migrate.views.scene import Scene, Spot
from migrate.views.web.place import HERE
from migrate.views.web.serving import served

PAGES = 5
READERS = """
import socket, sys, selectors
pages = selectors.DefaultSelector()
for _ in range(int(sys.argv[2])):
    one = socket.create_connection(("127.0.0.1", int(sys.argv[1])))
    one.sendall(f"GET /events HTTP/1.1\\r\\nHost: 127.0.0.1:{sys.argv[1]}\\r\\n\\r\\n".encode())
    pages.register(one, selectors.EVENT_READ)
while True:
    for key, _ in pages.select():
        key.fileobj.recv(1 << 16)
"""
FLAGS = ("--headless", "--no-sandbox", "--disable-gpu", "--no-first-run")
LOOK = """
window.batches = []; window.long = [];
const measure = performance.measure.bind(performance);
performance.measure = (name, how) => {
  measure(name, how);
  if (name !== "page part") return;
  document.querySelector("#places").offsetHeight;  // lays out at once what follows from it
  window.batches.push(performance.now() - how.start);
};
new PerformanceObserver((list) => window.long.push(...list.getEntries().map((one) => one.duration)))
  .observe({entryTypes: ["longtask"]});
"""


@dataclass
class Cost:
    """Milliseconds of the main thread for each batch; of all its tasks; and octets."""

    devices: int
    batches: list[float]
    long: list[float]
    task: float
    storm: float
    whole: int
    part: float
    tool: float

    @property
    def late(self) -> float:
        """The 95th percentile."""
        return sorted(self.batches)[int(len(self.batches) * 0.95)]

    def line(self) -> str:
        """One line."""
        return (
            f"{self.devices:,} devices: {len(self.batches)} batches, median "
            f"{median(self.batches):.1f} ms, 95th {self.late:.1f} ms, longest "
            f"{max(self.batches):.1f} ms; main thread in all {self.task:.1f} ms a batch; "
            f"{len(self.long)} tasks over 50 ms\n"
            f"    all devices in one batch: {self.storm:.1f} ms; snapshot "
            f"{self.whole / 1e3:.0f} kB, batch {self.part / 1e3:.1f} kB\n"
            f"    the tool, with {PAGES} pages open: {self.tool:.2f} ms of processor time a batch"
        )


def moments(plan: Plan, most: int) -> list[list[Tidings]]:
    """The busiest: news that come within the time between two batches, in their order."""
    groups: dict[int, list[Tidings]] = {}
    for at, one in news_of(plan):
        if one.kind != "survey":
            groups.setdefault(int(at / PAUSE), []).append(one)
    busiest = sorted(groups, key=lambda number: -len(groups[number]))[:most]
    return [groups[number] for number in sorted(busiest)]


async def in_browser(plan: Plan, most: int) -> tuple[list[float], list[float], float, float]:
    """Milliseconds for each batch, of long tasks, of all tasks for each batch, and for one in which
    every device changes."""
    scene = Scene.of(plan, rows_of(plan), BEGUN)
    live = LivePage(scene, "benchmark", now)
    async with served(live.app(), HERE) as place, live.telling(), async_playwright() as play:
        path = os.environ.get("MIGRATE_CHROMIUM") or shutil.which("chromium") or "chromium"
        browser = await play.chromium.launch(executable_path=path, args=FLAGS)
        context = await browser.new_context(viewport={"width": 360, "height": 740})
        page = await context.new_page()
        await page.add_init_script(LOOK)
        await page.goto(place.url)
        await page.wait_for_selector("#places .device")
        session = await context.new_cdp_session(page)
        await session.send("Performance.enable")
        await page.evaluate("() => { window.batches.length = window.long.length = 0; }")
        before = await _busy(session)
        for group in moments(plan, most):
            _happen(scene, live, group)
            await asyncio.sleep(PAUSE * 1.1)  # as in a run: the pace is what is measured at
        await asyncio.sleep(1)
        batches, long = await page.evaluate("() => [window.batches, window.long]")
        spent = (await _busy(session) - before) / max(1, len(batches)) * 1e3
        everyone = [Tidings("device", "all at once", n, s.wave, s.state) for n, s in _all(scene)]
        _happen(scene, live, everyone)
        await asyncio.sleep(2)
        storm = (await page.evaluate("() => window.batches")).pop()
        await browser.close()
    return batches, long, spent, storm


def _all(scene: Scene) -> list[tuple[str, Spot]]:
    return list(scene.spots.items())


async def _busy(session: CDPSession) -> float:
    """Seconds that the main thread has worked so far."""
    found = await session.send("Performance.getMetrics")
    return float(next(one["value"] for one in found["metrics"] if one["name"] == "TaskDuration"))


async def in_tool(plan: Plan, most: int) -> float:
    """Milliseconds of processor time that the tool takes for a batch, with pages open that are
    read by another process."""
    scene = Scene.of(plan, rows_of(plan), BEGUN)
    live = LivePage(scene, "benchmark", now)
    groups = moments(plan, most)
    async with served(live.app(), HERE) as place, live.telling():
        readers = await asyncio.create_subprocess_exec(
            sys.executable, "-c", READERS, str(place.port), str(PAGES)
        )
        await asyncio.sleep(2)
        assert live.readers == PAGES  # noqa: S101
        before = time.process_time()
        for group in groups:
            _happen(scene, live, group)
            await asyncio.sleep(PAUSE * 1.1)
        took = time.process_time() - before
        readers.kill()
        await readers.wait()
    return took / len(groups) * 1e3


def _happen(scene: Scene, live: LivePage, group: list[Tidings]) -> None:
    for one in group:
        scene.take(one, now())
        live.see(one, now())


def octets(plan: Plan, most: int) -> tuple[int, float]:
    """Of a snapshot, and of a batch in the median."""
    scene = Scene.of(plan, rows_of(plan), BEGUN)
    pictures = Pictures(scene, "benchmark")
    parts = []
    for group in moments(plan, most):
        for one in group:
            scene.take(one, BEGUN)
        parts.append(_size(pictures.part(BEGUN)))
    return _size(pictures.whole(BEGUN)), median(parts)


def _size(message: Message) -> int:
    return len(json.dumps(message, ensure_ascii=False, separators=(",", ":")).encode())


def cost(devices: int, waves: int, most: int) -> Cost:
    """Measure a fleet of that size."""
    plan = plan_of(devices, waves)
    batches, long, task, storm = asyncio.run(in_browser(plan, most))
    whole, part = octets(plan, most)
    tool = asyncio.run(in_tool(plan, most))
    return Cost(devices, batches, long, task, storm, whole, part, tool)


def main(devices: int, waves: int, most: int) -> None:
    """Print the table."""
    base, large = cost(24, 9, min(most, 40)), cost(devices, waves, most)
    print(base.line())
    print(large.line())
    print(
        f"ratios: median {median(large.batches) / median(base.batches):.1f}, 95th "
        f"{large.late / base.late:.1f}, tool {large.tool / base.tool:.1f}, for "
        f"{large.devices / base.devices:.0f} times the devices"
    )


if __name__ == "__main__":
    given = [int(one) for one in sys.argv[1:]]
    main(*given, *(2000, 40, 120)[len(given) :])
