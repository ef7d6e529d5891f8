"""`migrate demo`: the whole job on this machine alone, with simulated devices on real sockets."""

from __future__ import annotations

import asyncio
import time
from contextlib import AsyncExitStack
from pathlib import Path

import typer
from rich.text import Text

from migrate.cli.common import (
    StateDir,
    fleet_lock,
    new_run,
    out,
    problems_in_words,
    run_words,
    runs_folder,
    show_outcome,
)
from migrate.cli.conduct import conduct_in_loop, load_checked
from migrate.cli.looking import Looking, PageAt, WithPage, looking_on, watching
from migrate.cli.pages import first_look, read_at_leisure, show_page_later
from migrate.cli.plan import plan_for
from migrate.engine.crew import muster
from migrate.engine.tidings import Outcome
from migrate.journal.store import SIMULATED, Journal
from migrate.model.problems import Exit
from migrate.ports.files import load, private_folder, write_private
from migrate.ports.secret_reader import SecretReader
from migrate.ports.sockets import now
from migrate.views.lines import say
from migrate.views.words import count


def demo(page: WithPage = False, page_at: PageAt = None, state: StateDir = None) -> None:
    """See the whole job on this machine alone.

    Two dozen simulated devices of three invented families, on loopback sockets, move to a new
    Wi-Fi network and a new broker. One of them misbehaves. No real device, no root, under a minute.

    Example: migrate demo
    """
    with problems_in_words():
        looking = looking_on(events=False, page=page, page_at=page_at)
        outcome = asyncio.run(_demo(state, looking))
        raise typer.Exit(outcome.exit)


async def _demo(state: Path | None, looking: Looking) -> Outcome:
    # Its broker and its web server are loaded by this command alone.
    from migrate.lab.cottage import TROUBLED, Cottage

    begun = time.monotonic()
    run = new_run(state, "demo")
    house = runs_folder(state).parent / "demo-houses" / run.name
    cottage = Cottage(house)
    private_folder(house)
    async with cottage.lab as lab, AsyncExitStack() as held:
        cottage.write()
        out.print(Text("Quarry Cottage, a house that does not exist", "bold"))
        say(out, f"{count(len(lab.units), 'device')} are up. {lab.shows}")
        out.print(Text(f"fleet    {cottage.fleet}\nplaybook {cottage.playbook}"), soft_wrap=True)
        secret_reader = SecretReader()
        inputs = load(cottage.fleet, cottage.playbook)
        plan = plan_for(inputs, secret_reader)
        write_private(house / "plan.json", plan.to_json())
        waves = count(len(plan.waves), "wave")
        out.print(
            Text(f"plan     {house / 'plan.json'}: {waves}, one pilot first\n"), soft_wrap=True
        )
        facts = {"fleet": str(cottage.fleet), "playbook": str(cottage.playbook), SIMULATED: "yes"}
        journal = Journal.create(run / "journal.sqlite3", plan, now, facts)
        words = run_words(journal, state)
        held.enter_context(fleet_lock(plan, run))
        crew = muster(
            plan, load_checked(plan, cottage.fleet, cottage.playbook), secret_reader.resolve
        )
        watch = await held.enter_async_context(watching(journal, words, looking))
        if watch.page is not None:
            await first_look(watch.page)
            begun = time.monotonic()
        ending = await conduct_in_loop(
            crew, journal, secret_reader, words, lambda c: c.forward(), watch
        )
        if ending.outcome.exit is Exit.HELD:
            out.print()
            show_outcome(ending.outcome)
            out.print(
                Text(
                    f"\nAs the owner you find the aerial of {TROUBLED} behind a water butt, "
                    f"move it, and type:\n  migrate resume {words} --again {TROUBLED}\n"
                ),
                soft_wrap=True,
            )
            if watch.page is not None:
                await read_at_leisure(watch.page)
            ending = await conduct_in_loop(
                crew, journal, secret_reader, words, lambda c: c.forward([TROUBLED]), watch
            )
        new = sum(lab.where(name) == "new" for name in lab.units)
        out.print()
        show_outcome(ending.outcome)
        restarts = sum(unit.boots - 1 for unit in lab.units.values())
        say(
            out,
            f"The house itself, asked behind the tool's back: {new} of {len(lab.units)} devices "
            f"are on the new network, after {count(restarts, 'restart')} in all. It took "
            f"{time.monotonic() - begun:.0f} s.",
        )
        out.print(Text(f"report  {ending.report}\njournal {journal.path}"), soft_wrap=True)
        if looking.page:
            show_page_later(words)
        journal.close()
    return ending.outcome
