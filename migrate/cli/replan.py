"""`migrate replan`: after a stop, a plan of the rest, with what has been learned."""

from __future__ import annotations

import shlex
from pathlib import Path
from typing import Annotated

import typer
from rich.text import Text

from migrate.cli.common import (
    RunName,
    StateDir,
    open_run,
    out,
    problems_in_words,
    runs_folder,
    secret_reader,
)
from migrate.cli.plan import free_place, plan_for
from migrate.planning.ledger import findings_of
from migrate.planning.rest import rest_of
from migrate.ports.files import load, write_private
from migrate.ports.ledger import read_ledger
from migrate.ports.sockets import now
from migrate.views.lines import harmless
from migrate.views.plan import show_plan
from migrate.views.words import count


def replan(
    run: RunName = None,
    out_file: Annotated[
        Path | None,
        typer.Option(
            "--to",
            metavar="FILE",
            help="Where to freeze the plan; without it, beside the playbook.",
            show_default=False,
        ),
    ] = None,
    state: StateDir = None,
) -> None:
    """After a stop, plan the rest anew, with what has been learned.

    Devices that moved or were written off are left out. Returns and faults of the stopped run
    count as evidence, so waves may be wider or narrower than before. The files are read as they
    are now: this is how a corrected dialect or another pace comes into force. Nothing is sent.

    Example: migrate replan --to rest.plan.json
    """
    with problems_in_words():
        journal = open_run(state, run)
        old, standings, folder = journal.plan, journal.standings(), journal.path.parent
        fleet, playbook = Path(journal.fact("fleet")), Path(journal.fact("playbook"))
        journal.close()
        rest = rest_of(old, standings)
        place = free_place(out_file or playbook.with_suffix(".rest.plan.json"))
        learned = findings_of(old, standings, now().isoformat(timespec="seconds"))
        ledger = (*read_ledger(runs_folder(state), without=folder.name), *learned.finding)
        inputs, names = load(fleet, playbook), set(rest.names)
        made = plan_for(inputs, secret_reader(), ledger, names, old.digest, old.leg)
        write_private(place, made.to_json())
        show_plan(made, out)
        out.print()
        for name, reason in rest.left_out.items():
            out.print(Text(harmless(f"Left out: {name} {reason}.")), soft_wrap=True)
        words = f"Frozen to {place}, digest {made.digest[:16]}: {count(len(rest.names), 'device')}"
        out.print(Text(f"{words} of {len(old.devices)}."), soft_wrap=True)
        out.print("Next, to read every device and change none:")
        out.print(Text(f"  migrate run {shlex.quote(str(place))} --dry-run"), soft_wrap=True)
