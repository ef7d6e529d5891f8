"""`migrate plan`: make a plan, show it, freeze it. Nothing is sent."""

from __future__ import annotations

import shlex
from collections.abc import Collection, Sequence
from pathlib import Path
from typing import Annotated

import typer
from rich.text import Text

from migrate.cli.common import TOOL, StateDir, out, problems_in_words, runs_folder, vault
from migrate.model.problems import BadFile, Problem
from migrate.planning.ledger import Finding
from migrate.planning.make import make_plan
from migrate.planning.plan import Plan
from migrate.ports.files import Inputs, is_plan, load, write_private
from migrate.ports.ledger import read_ledger
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
    state: StateDir = None,
) -> None:
    """Make a plan, show it, freeze it to a file.

    Works out bundles, waves and the way back. Refuses, with every reason, what would strand a
    device. Reads files and secrets only: nothing is sent to any device.

    Example: migrate plan playbooks/home-wifi.toml --fleet playbooks/fleet.toml
    """
    with problems_in_words():
        inputs = load(fleet, playbook)
        place = free_place(out_file or playbook.with_suffix(".plan.json"))
        secrets = vault()
        made = plan_for(inputs, secrets, read_ledger(runs_folder(state)))
        write_private(place, made.to_json())
        show_plan(made, out)
        out.print()
        out.print(Text(f"Frozen to {place}, digest {made.digest[:16]}."), soft_wrap=True)
        next_ = f"migrate run {shlex.quote(str(place))} --dry-run"
        out.print(Text(f"Next: {next_}   reads every device, changes none"), soft_wrap=True)


def free_place(place: Path) -> Path:
    """A place where a plan may be written: free, or another plan's. Raises BadFile."""
    if place.exists() and not is_plan(place):
        what = "is there already, and is no plan: it is not written over"
        raise BadFile(Problem(what, "name another file with --out", str(place)))
    return place


def plan_for(
    inputs: Inputs,
    secrets: Vault,
    ledger: Sequence[Finding] = (),
    only: Collection[str] | None = None,
    rest_of: str | None = None,
) -> Plan:
    """The frozen plan of what was loaded, made now by this version: of all devices, or `only` of
    those. `ledger` is what was shown before; `rest_of` the digest of a plan that was stopped.
    Raises Refused."""
    return make_plan(
        inputs.fleet,
        inputs.playbook,
        inputs.dialects,
        secrets.resolve,
        inputs.sources,
        created=now().isoformat(timespec="seconds"),
        tool=TOOL,
        ledger=ledger,
        only=only,
        rest_of=rest_of,
    )
