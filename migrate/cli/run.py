"""`migrate run`: move the fleet by a frozen plan; or, with --dry-run, only read it."""

from __future__ import annotations

import asyncio
from pathlib import Path
from typing import Annotated

import typer
from rich.text import Text

from migrate.cli.common import (
    StateDir,
    WriteOff,
    fleet_lock,
    new_run,
    out,
    problems_in_words,
    run_words,
    secret_reader,
    show_problems,
)
from migrate.cli.conduct import conduct_forward, load_checked, resolve_all, world_for
from migrate.cli.legs import check_flipped, check_order
from migrate.cli.looking import AsEvents, PageAt, WithPage, looking_on
from migrate.dialects.compose import preview
from migrate.engine.crew import Crew, muster
from migrate.engine.seek import Seeker
from migrate.engine.survey import Survey, survey
from migrate.engine.talk import Talker
from migrate.journal.store import Journal
from migrate.model.problems import BadFile, Exit, Problem, Unreachable
from migrate.model.secrets import MASK, Redactor, Secret
from migrate.model.settings import SECRETS, Setting, Value
from migrate.planning.outputs import in_words
from migrate.planning.plan import Plan
from migrate.ports.files import read_plan
from migrate.ports.sockets import now
from migrate.ports.sources.leases import lease_files, unreadable
from migrate.views.lines import harmless, say
from migrate.views.words import count, value_in_words


def run(
    plan: Annotated[
        Path, typer.Argument(metavar="PLAN", help="A frozen plan, made by: migrate plan")
    ],
    dry_run: Annotated[
        bool, typer.Option("--dry-run", help="Read every device and show the messages; send none.")
    ] = False,
    write_off: WriteOff = None,
    flipped: Annotated[
        bool,
        typer.Option(
            "--flipped",
            help="Say that the access point has been changed, for a leg that waits for it.",
        ),
    ] = False,
    events: AsEvents = False,
    page: WithPage = False,
    page_at: PageAt = None,
    state: StateDir = None,
) -> None:
    """Move the fleet, wave by wave; or, with --dry-run, only look.

    Every device is read first, and its way back is on disk before anything is sent. A shut gate
    holds the run. Ctrl-C stops between devices; press it twice to stop at once. Either way
    'migrate resume' goes on.

    Example: migrate run playbooks/home-wifi.plan.json --dry-run
    """
    if events and dry_run:
        words = "tells of a run as it goes; a dry run is read by people"
        raise typer.BadParameter(words, param_hint="--json")
    with problems_in_words():
        looking = looking_on(events=events, page=page, page_at=page_at)
        frozen = read_plan(plan)
        secrets = secret_reader()
        fleet, playbook = Path(frozen.sources.fleet.path), Path(frozen.sources.playbook.path)
        check_names(frozen, write_off or [])
        check_order(state, frozen)
        if dry_run:
            crew = muster(frozen, load_checked(frozen, fleet, playbook), secrets.resolve)
            raise typer.Exit(_dry_run(crew))
        check_flipped(frozen, str(plan), flipped=flipped, ask=not events)
        with fleet_lock(frozen):
            # A secret that is missing must not leave a run behind that never was one.
            resolve_all(muster(frozen, load_checked(frozen, fleet, playbook), secrets.resolve))
            folder = new_run(state, frozen.title)
            facts = {"fleet": str(fleet), "playbook": str(playbook)}
            journal = Journal.create(folder / "journal.sqlite3", frozen, now, facts)
            for name in write_off or []:
                journal.write_off(name)
            words = run_words(journal, state)
            outcome = conduct_forward(journal, secrets, words, looking=looking)
            journal.close()
        raise typer.Exit(outcome.exit)


def check_names(plan: Plan, names: list[str]) -> None:
    """Raises BadFile for a name that is not in the plan."""
    known = {device.name for device in plan.devices}
    unknown = [name for name in names if name not in known]
    if unknown:
        raise BadFile(
            [
                Problem("is not in the plan", "see the names: migrate status", device=n)
                for n in unknown
            ]
        )


def _dry_run(crew: Crew) -> Exit:
    redactor = resolve_all(crew)
    for words in unreadable(lease_files(crew.sides)):
        say(out, f"Look at this before you go: {words}.", hang=2, whole=True)
    found = asyncio.run(_probe(crew, redactor))
    for index, wave in enumerate(crew.plan.waves):
        out.print(Text(f"Wave {index + 1}", "bold"))
        for name in wave.devices:
            if name in found.found:
                _show(crew, name, found, redactor)
    well, total = len(found.found), len(crew.members)
    out.print(
        Text(f"{well} of {count(total, 'device')} answered as they must. Nothing was changed.")
    )
    if found.problems:
        show_problems(Unreachable(found.problems))
        return Exit.UNREACHABLE
    return Exit.DONE


def _show(crew: Crew, name: str, found: Survey, redactor: Redactor) -> None:
    member, one = crew.members[name], found.found[name]
    said = one.sighting.readings
    secret = Secret("")  # only its mask is ever shown
    bundle: dict[Setting, Value] = {
        setting: value if isinstance(value, str | int | bool) else secret
        for setting, value in member.planned.bundle.items()
    }
    out.print(Text.assemble((f"  {name}", "bold"), f"  at {one.sighting.at}, {said.mac}"))
    now_ = ", ".join(
        f"{setting} {value_in_words(setting, said.settings[setting])}"
        if setting in said.settings
        else f"{setting} {MASK if setting in said.hidden else '?'}"
        for setting in bundle
        if setting not in SECRETS
    )
    out.print(Text(f"    now: {redactor.clean(harmless(now_))}"), soft_wrap=True)
    if member.dialect.outputs:
        states = {name: said.outputs.get(name) for name in member.dialect.outputs}
        out.print(Text(f"    switches: {in_words(states)}"), soft_wrap=True)
    message = preview(member.dialect, member.device, member.device.via, bundle)
    out.print(Text(f"    would be sent: {message}"), soft_wrap=True)


async def _probe(crew: Crew, redactor: Redactor) -> Survey:
    async with world_for(crew) as world:
        talker = Talker(world.line, redactor)
        return await survey(crew, Seeker(crew, world, talker), crew.members)
