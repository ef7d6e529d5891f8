"""`migrate plan`: make a plan, show it, freeze it. Nothing is sent."""

from __future__ import annotations

import shlex
from collections.abc import Collection, Sequence
from difflib import get_close_matches
from pathlib import Path
from typing import Annotated

import typer
from rich.text import Text

from migrate.cli.common import TOOL, StateDir, out, problems_in_words, runs_folder, secret_reader
from migrate.cli.legs import leg_place
from migrate.model.problems import BadFile, Problem, Refused
from migrate.planning.ledger import Record
from migrate.planning.legs import same_leg
from migrate.planning.make import WHOLE, make_plan, make_plans, whole_refusals
from migrate.planning.plan import Leg, Plan
from migrate.planning.why import why as reasons
from migrate.ports.files import PLAN_OCTETS, Inputs, free_or_ours, is_plan, load, write_private
from migrate.ports.ledger import read_ledger
from migrate.ports.secret_reader import SecretReader
from migrate.ports.sockets import now
from migrate.views.lines import say
from migrate.views.plan import show_plan
from migrate.views.why import show_why


def plan(
    playbook: Annotated[
        Path,
        typer.Argument(metavar="PLAYBOOK", help="The playbook: what changes, and how carefully."),
    ],
    fleet: Annotated[
        Path, typer.Option("--fleet", metavar="FILE", help="The fleet file, TOML or CSV.")
    ] = Path("fleet.toml"),
    out_file: Annotated[
        Path | None,
        typer.Option(
            "--to",
            metavar="FILE",
            help="Where to freeze the plan; without it, beside the playbook.",
            show_default=False,
        ),
    ] = None,
    why: Annotated[
        str | None,
        typer.Option(
            "--why",
            metavar="DEVICE",
            help="Tell why this device is in its wave and what would move it; writes no file.",
            show_default=False,
        ),
    ] = None,
    state: StateDir = None,
) -> None:
    """Make a plan, show it, freeze it to a file.

    Works out bundles, waves and the way back. Refuses, with every reason, what would strand a
    device. Reads files and secrets only: nothing is sent to any device. A change that is safer in
    several legs gets a plan for each of them.

    Example: migrate plan playbooks/home-wifi.toml --fleet playbooks/fleet.toml
    """
    with problems_in_words():
        inputs = load(fleet, playbook)
        if why is not None:
            check_name(why, inputs, fleet)
            plans = plans_for(inputs, secret_reader(), read_ledger(runs_folder(state)))
            its = [made for made in plans if any(device.name == why for device in made.devices)]
            for made in its:
                if made is not its[0]:
                    out.print()
                show_why(reasons(inputs.fleet.device, made, why), made, out)
            return
        place = free_place(out_file or playbook.with_suffix(".plan.json"))
        plans = plans_for(inputs, secret_reader(), read_ledger(runs_folder(state)))
        places = [free_place(leg_place(place, made)) for made in plans]
        for where, made in zip(places, plans, strict=True):
            write_private(where, made.to_json())
            if made is not plans[0]:
                out.print()
            show_plan(made, out)
            out.print()
            out.print(Text(f"Frozen to {where}, digest {made.digest[:16]}."), soft_wrap=True)
        out.print("Next, to read every device and change none:")
        next_ = f"migrate run {shlex.quote(str(places[0]))} --dry-run"
        out.print(Text(f"  {next_}"), soft_wrap=True)
        if len(plans) > 1:
            say(out, "Legs run one after another: each waits until the one before it is done.")


def check_name(name: str, inputs: Inputs, fleet: Path) -> None:
    """Raises BadFile, with names that are nearly the same, if no device has this one."""
    if inputs.fleet.by_name(name) is None:
        near = get_close_matches(name, [device.name for device in inputs.fleet.device])
        remedy = f"did you mean {' or '.join(near)}?" if near else "see the names in the fleet file"
        raise BadFile(Problem(f"there is no device {name!r}", remedy, str(fleet)))


def free_place(place: Path) -> Path:
    """A place where a plan may be written: free, or another plan's. Raises BadFile."""
    return free_or_ours(place, is_plan, "plan", PLAN_OCTETS)


def plans_for(
    inputs: Inputs, secrets: SecretReader, ledger: Sequence[Record] = ()
) -> tuple[Plan, ...]:
    """The frozen plans of what was loaded, one for each leg of the change. Raises Refused."""
    return make_plans(
        inputs.fleet,
        inputs.playbook,
        inputs.dialects,
        secrets.resolve,
        inputs.sources,
        created=now().isoformat(timespec="seconds"),
        tool=TOOL,
        ledger=ledger,
        certificates=inputs.certificates,
    )


def plan_for(
    inputs: Inputs,
    secrets: SecretReader,
    ledger: Sequence[Record] = (),
    only: Collection[str] | None = None,
    rest_of: str | None = None,
    leg: Leg = WHOLE,
) -> Plan:
    """The frozen plan of what was loaded, made now by this version: of all devices, or `only` of
    those. `ledger` is what was shown before; `rest_of` the digest of a plan that was stopped;
    `leg` the one leg to be planned, the whole change in one without it. Raises Refused, or Changed
    if the change no longer has this leg."""
    problems = whole_refusals(
        inputs.fleet, inputs.playbook, inputs.dialects, secrets.resolve, inputs.sources
    )
    if problems:
        raise Refused(problems)
    one = same_leg(leg, inputs.fleet, inputs.playbook, inputs.dialects, secrets.resolve)
    return make_plan(
        one.fleet,
        one.playbook,
        inputs.dialects,
        secrets.resolve,
        inputs.sources,
        created=now().isoformat(timespec="seconds"),
        tool=TOOL,
        ledger=ledger,
        only=only,
        leg=leg,
        rest_of=rest_of,
        certificates=inputs.certificates,
    )
