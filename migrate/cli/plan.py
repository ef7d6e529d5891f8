"""`migrate plan`: make a plan, show it, freeze it. Nothing is sent."""

from __future__ import annotations

import shlex
from pathlib import Path
from typing import Annotated

import typer
from rich.text import Text

from migrate.cli.common import TOOL, out, problems_in_words, vault
from migrate.model.problems import BadFile, Problem
from migrate.planning.make import make_plan
from migrate.planning.plan import Plan
from migrate.ports.files import Inputs, is_plan, load, write_private
from migrate.ports.sockets import now
from migrate.ports.vault import Vault
from migrate.views.plan import show_plan


def plan(
    playbook: Annotated[
        Path, typer.Argument(help="The playbook: what changes, and how carefully.")
    ],
    fleet: Annotated[Path, typer.Option("--fleet", help="The fleet file, TOML or CSV.")] = Path(
        "fleet.toml"
    ),
    out_file: Annotated[
        Path | None,
        typer.Option(
            "--out",
            help="Where to freeze the plan; without it, beside the playbook.",
            show_default=False,
        ),
    ] = None,
) -> None:
    """Make a plan, show it, freeze it to a file.

    Works out bundles, waves and the way back. Refuses, with every reason, what would strand a
    device. Reads files and secrets only: nothing is sent to any device.

    Example: migrate plan playbooks/home-wifi.toml --fleet playbooks/fleet.toml
    """
    with problems_in_words():
        inputs = load(fleet, playbook)
        place = out_file or playbook.with_suffix(".plan.json")
        if place.exists() and not is_plan(place):
            what = "is there already, and is no plan: it is not written over"
            raise BadFile(Problem(what, "name another file with --out", str(place)))
        secrets = vault()
        made = plan_for(inputs, secrets)
        write_private(place, made.to_json())
        show_plan(made, out)
        out.print()
        out.print(Text(f"Frozen to {place}, digest {made.digest[:16]}."), soft_wrap=True)
        next_ = f"migrate run {shlex.quote(str(place))} --dry-run"
        out.print(Text(f"Next: {next_}   reads every device, changes none"), soft_wrap=True)


def plan_for(inputs: Inputs, secrets: Vault) -> Plan:
    """The frozen plan of what was loaded, made now by this version. Raises Refused."""
    return make_plan(
        inputs.fleet,
        inputs.playbook,
        inputs.dialects,
        secrets.resolve,
        inputs.sources,
        created=now().isoformat(timespec="seconds"),
        tool=TOOL,
    )
