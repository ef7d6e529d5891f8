"""`migrate campaign demo`: a street of simulated houses, each with a worker, on this machine."""

from __future__ import annotations

import asyncio
import os
import shlex
import sys
import time
from collections.abc import AsyncIterator, Sequence
from contextlib import AsyncExitStack, asynccontextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING

from rich.text import Text

from migrate.cli.campaign_plan import asked_to_plan, frozen_campaign
from migrate.cli.campaigns import coordinated, read_campaign
from migrate.cli.common import dated, out, runs_folder
from migrate.cli.conduct import quiet_loop
from migrate.engine.campaign import CampaignEnding
from migrate.model.problems import Exit
from migrate.planning.campaign.errands import Answers
from migrate.ports.files import private_folder, write_private
from migrate.ports.locks import VARIABLE
from migrate.ports.sockets import now
from migrate.views.campaign.live import CampaignProgress
from migrate.views.campaign.plan import show_campaign_plan
from migrate.views.campaign.report import campaign_report
from migrate.views.campaign.status import show_campaign_status
from migrate.views.lines import say
from migrate.views.words import count

if TYPE_CHECKING:
    from migrate.lab.cottage import Item

STREET = ("alder", "birch", "cedar", "elder")
PACE = "held_at_most = 1\nconfidence = 0.6\n"
"""So that a second house, and then two at once, go while one looks on. In earnest one is more
careful: as long as nothing else is said, 0.95."""
WAIT_SECONDS = 60.0


async def street(state: Path | None) -> CampaignEnding:
    """Four houses, their workers, and a campaign on an SQLite store; one device misbehaves."""
    # Its broker and its web server are loaded by this command alone.
    from migrate.lab.cottage import ITEMS, TROUBLED, Cottage

    quiet_loop()
    begun = time.monotonic()
    name = dated(now(), "campaign demo", "demo")
    folder = runs_folder(state).parent / "demo-houses" / name
    private_folder(folder)
    houses = {
        site: Cottage(folder / site, _items(ITEMS, number), number=number)
        for number, site in enumerate(STREET)
    }
    troubled = next(
        site
        for number, site in enumerate(STREET)
        if any(item.name == TROUBLED for item in _items(ITEMS, number))
    )
    async with AsyncExitStack() as held:
        for house in houses.values():
            private_folder(house.folder)
            await held.enter_async_context(house.lab)
            house.write()
        file = folder / "campaign.toml"
        write_private(file, _campaign_text())
        devices = sum(len(house.lab.units) for house in houses.values())
        out.print(Text("Quarry Lane, a street that does not exist", "bold"))
        say(
            out,
            f"{count(len(houses), 'house')} with {count(devices, 'device')} are up, each with "
            "its own two networks and brokers, and a worker as a process of its own.",
        )
        out.print(Text(f"campaign {file}\n"), soft_wrap=True)
        for site in STREET:
            await held.enter_async_context(_worker(folder, site))
        asked = read_campaign(file)
        answers = await asked_to_plan(asked, WAIT_SECONDS)
        plan = frozen_campaign(asked, file, answers)
        place = folder / "campaign.plan.json"
        write_private(place, plan.to_json())
        show_campaign_plan(plan, out)
        out.print()
        view = CampaignProgress(out)
        with view:
            ending = await coordinated(plan, asked, lambda one: one.forward(), view.show)
        if ending.exit is Exit.HELD:
            say(out, ending.headline, "bold", hang=2)
            show_campaign_status(ending.scene, out)
            about = f"--again {troubled}/{TROUBLED}"
            command = f"migrate campaign run {shlex.quote(str(place))} {about}"
            out.print(
                Text(
                    f"\nSomebody at {troubled} finds the aerial of {TROUBLED} behind a water butt "
                    f"and moves it, and you type:\n  {command}\n"
                ),
                soft_wrap=True,
            )
            again = {troubled: Answers(again=(TROUBLED,))}
            with view:
                ending = await coordinated(plan, asked, lambda one: one.forward(again), view.show)
        say(out, ending.headline, "bold", hang=2)
        new = sum(
            house.lab.where(unit) == "new" for house in houses.values() for unit in house.lab.units
        )
        say(
            out,
            f"The houses themselves, asked behind the tool's back: {new} of {devices} devices are "
            f"on their new networks. It took {time.monotonic() - begun:.0f} s.",
        )
        report = folder / "campaign.html"
        write_private(report, campaign_report(ending.scene, shlex.quote(str(place))))
        out.print(Text(f"report   {report}"), soft_wrap=True)
    return ending


def _items(items: Sequence[Item], number: int) -> Sequence[Item]:
    """Those of one house: some of every family. What misbehaves is in the last one."""
    return items[(number + 1) % len(STREET) :: len(STREET)]


def _campaign_text() -> str:
    sites = "".join(
        f'\n[[site]]\nname = "{site}"\nplaybook = "{site}/playbook.toml"\n'
        f'fleet = "{site}/fleet.toml"\n'
        for site in STREET
    )
    store = '[store]\nfile = "campaign.sqlite3"\n'
    return f'title = "Quarry Lane moves"\n\n{store}\n[pace]\n{PACE}{sites}'


@asynccontextmanager
async def _worker(folder: Path, site: str) -> AsyncIterator[None]:
    """A worker of one house, until the block is left."""
    with (folder / site / "worker.log").open("wb") as log:
        one = await asyncio.create_subprocess_exec(
            *(sys.executable, "-m", "migrate", "worker", str(folder / "campaign.toml")),
            *("--site", site, "--state", str(folder / site / "state")),
            stdin=asyncio.subprocess.DEVNULL,
            stdout=log,
            stderr=log,
            env={**os.environ, VARIABLE: str(folder / "locks")},
        )
    try:
        yield
    finally:
        with suppress(ProcessLookupError):
            one.terminate()
        try:
            async with asyncio.timeout(WAIT_SECONDS):
                await one.wait()
        except TimeoutError:
            one.kill()
            await one.wait()
