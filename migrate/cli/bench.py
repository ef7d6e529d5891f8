"""`migrate bench`: try a dialect on one spare device."""

from __future__ import annotations

import asyncio
import json
import sys
from collections.abc import Callable, Mapping
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Annotated

import typer
from rich.text import Text

from migrate.cli.common import (
    TOOL,
    StateDir,
    dated,
    fleet_lock,
    new_run,
    out,
    problems_in_words,
    run_words,
    runs_folder,
    secret_reader,
    show_problems,
)
from migrate.cli.conduct import conduct, conduct_forward, quiet_loop, resolve_all
from migrate.cli.keys import ENDS, at_the_end
from migrate.cli.plan import check_name, plan_for
from migrate.engine.bench import Bench
from migrate.engine.crew import Crew, muster_to_read
from migrate.engine.seek import SIDES, Seeker, Sighting
from migrate.engine.talk import Talker
from migrate.journal.store import Journal
from migrate.model.fleet import Device, Reach
from migrate.model.problems import Exit, Problem, Refused, Trouble
from migrate.model.secrets import Redactor
from migrate.planning.ledger import UNKNOWN, Finding, Findings, findings_of
from migrate.planning.legs import legs
from migrate.planning.trials import Trial, tried_of
from migrate.ports.files import Inputs, load, private_folder, write_private
from migrate.ports.ledger import BENCH, read_ledger, write_findings
from migrate.ports.protocols import SideName
from migrate.ports.sockets import now, real_world
from migrate.views.bench import show_before, show_found, show_trial
from migrate.views.lines import say

FLEET = Path("fleet.toml")


def bench(
    device: Annotated[str, typer.Argument(metavar="DEVICE", help="The spare device to try.")],
    playbook: Annotated[
        Path, typer.Option("--playbook", metavar="PLAYBOOK", help="It says where the device is.")
    ],
    fleet: Annotated[
        Path, typer.Option("--fleet", metavar="FILE", help="The fleet file, TOML or CSV.")
    ] = FLEET,
    restart: Annotated[
        bool, typer.Option("--restart", help="Restart it too, and see what is still there.")
    ] = False,
    there_and_back: Annotated[
        bool,
        typer.Option("--there-and-back", help="Then move it to the new side and back again."),
    ] = False,
    even_so: Annotated[
        bool,
        typer.Option("--even-so", help="Although it feeds the network, or is not on the table."),
    ] = False,
    yes: Annotated[bool, typer.Option("--yes", help="Do not ask; for scripts.")] = False,
    state: StateDir = None,
) -> None:
    """Try a dialect on one spare device on the table.

    Writes harmless texts (such as the name it shows), reads them back and puts them back: are two
    settings in one message both kept, and which characters survive? What is shown counts for later
    plans of the same dialect and firmware. Ends with 4 if the dialect is not to be relied on.

    Example: migrate bench desk-plug --playbook home-wifi.toml
    """
    with problems_in_words():
        inputs = load(fleet, playbook)
        check_name(device, inputs, fleet)
        one = next(each for each in inputs.fleet.device if each.name == device)
        _check(one, inputs, even_so=even_so, restart=restart)
        alone = replace(inputs, fleet=inputs.fleet.model_copy(update={"device": (one,)}))
        at = now()
        created = at.isoformat(timespec="seconds")
        crew = muster_to_read(alone, secret_reader().resolve, created=created, tool=TOOL)
        member = crew.members[device]
        show_before(member, out, restarts=restart or there_and_back)
        if not yes and not _go_on():
            say(out, "Nothing was sent.")
            raise typer.Exit(Exit.STOPPED)
        redactor = resolve_all(crew)
        folder = runs_folder(state).parent / BENCH / dated(at, device, "device")

        def write(found: Sighting, shown: Trial) -> Findings:
            tried = tried_of(
                shown,
                at=created,
                dialect=one.dialect,
                sha256=inputs.sources.dialects[one.dialect].sha256,
                firmware=found.readings.firmware or one.firmware or UNKNOWN,
                via=one.via,
            )
            findings = Findings(tried=(tried,))
            write_findings(folder, findings)
            out.print(Text(f"Kept in {folder}"), soft_wrap=True)
            return findings

        def broken(found: Sighting, shown: Trial) -> None:
            if shown.any:
                show_trial(shown, out, broken=True)
                write(found, shown)

        with fleet_lock(crew.plan):
            trial = _try(crew, redactor, folder, broken, restart=restart)
            found, shown, problems = asyncio.run(trial)
        show_trial(shown, out)
        findings = write(found, shown)
        if problems:
            show_problems(Trouble(problems))
            raise typer.Exit(Exit.HELD)
        if not shown.well:
            say(out, "Correct the dialect, or do not move such devices, before you plan.", "bold")
            raise typer.Exit(Exit.REFUSED)
        if there_and_back:
            ended = _there_and_back(device, inputs, fleet, playbook, state, folder, findings)
            raise typer.Exit(ended)
        say(out, "The dialect held in every step.", "bold")


def _go_on() -> bool:
    """Ask the person. Raises BadParameter where there is none."""
    if not sys.stdin.isatty():
        what = "nobody is there to be asked; in a script, say it"
        raise typer.BadParameter(what, param_hint="--yes")
    try:
        return typer.confirm("Go on?")
    except typer.Abort:
        return False


def _check(device: Device, inputs: Inputs, *, even_so: bool, restart: bool) -> None:
    """Raises Refused for a device, or a dialect, that is none for a trial."""
    dialect = inputs.dialects[device.dialect]
    problems = []
    if len(dialect.harmless) < 2:
        problems.append(
            Problem(
                f"dialect {dialect.name} names fewer than two harmless texts",
                "name two under [harmless] from the manual: texts that change nothing that matters",
                device=device.name,
            )
        )
    if restart and dialect.restart is None:
        problems.append(
            Problem(
                f"dialect {dialect.name} has no restart", "leave --restart out", device=device.name
            )
        )
    if device.carrier and not even_so:
        problems.append(
            Problem(
                f"feeds {', '.join(device.feeds)}: a trial may cut that off",
                "take a spare device; or say --even-so",
                device=device.name,
            )
        )
    if device.reach is not Reach.TABLE and not even_so:
        problems.append(
            Problem(
                f"has reach {device.reach.value!r}: one that a trial loses must be at hand",
                "take one on the table; or say --even-so",
                device=device.name,
            )
        )
    if device.wakes_seconds is not None:
        problems.append(
            Problem(
                "sleeps: a trial needs it awake throughout",
                "take one that does not sleep, or keep it awake and leave wakes_seconds out",
                device=device.name,
            )
        )
    if problems:
        raise Refused(problems)


async def _try(
    crew: Crew,
    redactor: Redactor,
    folder: Path,
    broken: Callable[[Sighting, Trial], None],
    *,
    restart: bool,
) -> tuple[Sighting, Trial, list[Problem]]:
    quiet_loop()
    task = asyncio.current_task()
    (member,) = crew.members.values()
    mqtt = member.device.via == "mqtt"
    # The new broker need not be there yet.
    sides: tuple[SideName, ...] = ("old",) if mqtt else SIDES
    heard: tuple[SideName, ...] = ("old",) if mqtt else ()
    stopped = False

    def stop() -> None:
        nonlocal stopped
        if task is not None and not stopped:
            task.cancel()
        stopped = True

    def keep(before: Mapping[str, str]) -> None:
        private_folder(folder)
        write_private(folder / "before.json", json.dumps(before, indent=1) + "\n")

    def tell(words: str) -> None:
        say(out, words, indent=3)

    try:
        with at_the_end(stop, *ENDS):
            async with real_world(crew.sides, heard, member.mqtt_topics, crew.resolve) as world:
                talker = Talker(world.line, redactor)
                one = Bench(crew, member, Seeker(crew, world, talker), talker, sides)
                found = await one.find()
                show_found(member, found, out)
                to_keep = partial(broken, found)
                return found, *await one.try_out(found, keep, tell, to_keep, restart=restart)
    except asyncio.CancelledError:
        if not stopped or task is None:
            raise
        task.uncancel()
        say(out, "Stopped, as you asked.")
        kept = folder / "before.json"
        if kept.exists():
            say(out, f"What its texts were stands in {kept}", whole=True)
        raise typer.Exit(Exit.STOPPED) from None


def _there_and_back(
    device: str,
    inputs: Inputs,
    fleet: Path,
    playbook: Path,
    state: Path | None,
    folder: Path,
    findings: Findings,
) -> Exit:
    """Move the one device by the same engine as a fleet, and take it back. Its journal is that of
    a run. Only a move that went well both ways is told to the ledger as a trial; a fault is in the
    run's own findings."""
    split = legs(inputs.fleet, inputs.playbook, inputs.dialects, secret_reader().resolve)
    if len(split) > 1:
        raise Refused(
            Problem(
                "this change goes in several legs, and a trial there and back goes in one",
                "try it with a playbook that holds one part of the change",
                str(playbook),
            )
        )
    # What the trial has just shown is in the ledger already, and may refuse this.
    plan = plan_for(inputs, secret_reader(), read_ledger(runs_folder(state)), only=[device])
    with fleet_lock(plan):
        run = new_run(state, f"bench {plan.title}")
        facts = {"fleet": str(fleet), "playbook": str(playbook)}
        journal = Journal.create(run / "journal.sqlite3", plan, now, facts)
        words = run_words(journal, state)
        outcome = conduct_forward(journal, secret_reader(), words)
        if outcome.exit is not Exit.DONE:
            journal.close()
            return outcome.exit
        at = now().isoformat(timespec="seconds")
        moved: tuple[Finding, ...] = tuple(
            one.model_copy(update={"kind": "bench"})
            for one in findings_of(plan, journal.standings(), at).finding
        )
        outcome = conduct(journal, secret_reader(), words, lambda conductor: conductor.back())
        journal.close()
    if outcome.exit is Exit.DONE:
        write_findings(folder, findings.model_copy(update={"finding": moved}))
    return outcome.exit
