"""Opening a world for a plan and letting the conductor work in it; Ctrl-C included."""

from __future__ import annotations

import asyncio
import signal
from collections.abc import AsyncIterator, Awaitable, Callable, Iterator
from contextlib import asynccontextmanager, contextmanager
from pathlib import Path
from secrets import randbelow

from rich.text import Text

from migrate.cli.common import TOOL, err, out, show_outcome
from migrate.engine.conductor import Conductor
from migrate.engine.crew import Crew, muster
from migrate.engine.tidings import Outcome
from migrate.journal.store import Journal
from migrate.model.problems import Exit
from migrate.planning.plan import Plan, check_sources
from migrate.ports.files import Inputs, load, write_private
from migrate.ports.protocols import SideName, World
from migrate.ports.sockets import real_world
from migrate.ports.vault import Vault
from migrate.views.progress import progress
from migrate.views.report import report
from migrate.views.status import how_to_go_on

Work = Callable[[Conductor], Awaitable[Outcome]]


def load_checked(plan: Plan, fleet: Path, playbook: Path) -> Inputs:
    """The plan's files, unchanged since it was frozen. Raises BadFile or Changed."""
    inputs = load(fleet, playbook)
    check_sources(plan, inputs.sources, TOOL, str(playbook))
    return inputs


@asynccontextmanager
async def world_for(crew: Crew) -> AsyncIterator[World]:
    """Sockets for everything the crew needs."""
    brokers: list[SideName] = []
    by_mqtt = any(member.device.via == "mqtt" for member in crew.members.values())
    if by_mqtt:
        brokers.append("old")
    if by_mqtt or crew.playbook.broker is not None:
        brokers.append("new")
    topics = [topic for member in crew.members.values() for topic in member.mqtt_topics]
    async with real_world(crew.sides, brokers, topics, crew.resolve) as world:
        yield world


def conduct(journal: Journal, vault: Vault, run: str, work: Work) -> Outcome:
    """Let the conductor work on a run, show it, write the report, say how to go on."""
    plan = journal.plan
    inputs = load_checked(plan, Path(journal.fact("fleet")), Path(journal.fact("playbook")))
    crew = muster(plan, inputs, vault.resolve)
    try:
        outcome = asyncio.run(conduct_in_loop(crew, journal, vault, work))
    except KeyboardInterrupt:
        outcome = Outcome(Exit.STOPPED, "stopped at once, as you asked")
    show_outcome(outcome)
    place = write_report(journal)
    rows = journal.rows()
    for line in how_to_go_on(rows, run):
        out.print(Text(f"  {line}"), soft_wrap=True)
    out.print(Text(f"report  {place}"), soft_wrap=True)
    out.print(Text(f"journal {journal.path}"), soft_wrap=True)
    return outcome


def write_report(journal: Journal) -> Path:
    """The report beside the journal."""
    place = journal.path.with_name("report.md")
    write_private(place, report(journal))
    return place


async def conduct_in_loop(crew: Crew, journal: Journal, vault: Vault, work: Work) -> Outcome:
    """Open the world, show progress, let the conductor work."""
    sides = crew.sides.values()
    redactor = vault.redactor(tuple(side.wifi.ssid for side in sides if side.wifi))
    view = progress(crew.plan, out)
    async with world_for(crew) as world:
        with view:
            conductor = Conductor(
                crew, journal, world, redactor, view.tell, first_id=1 + randbelow(2**30)
            )
            with _gentle_stop(conductor):
                return await work(conductor)


@contextmanager
def _gentle_stop(conductor: Conductor) -> Iterator[None]:
    """First Ctrl-C: send nothing more, follow what is on its way. Second: stop at once."""
    loop, task = asyncio.get_running_loop(), asyncio.current_task()
    presses = 0

    def pressed() -> None:
        nonlocal presses
        presses += 1
        if presses == 1:
            conductor.stop()
            err.print(
                Text(
                    "stopping: nothing more is sent; devices on their way are still followed "
                    "(Ctrl-C again stops at once)"
                )
            )
        elif task is not None:
            task.cancel()

    loop.add_signal_handler(signal.SIGINT, pressed)
    try:
        yield
    except asyncio.CancelledError:
        if presses < 2:
            raise
        raise KeyboardInterrupt from None
    finally:
        loop.remove_signal_handler(signal.SIGINT)
