"""`migrate rehearse`: play a frozen plan on paper, many times, and compare it with other ways."""

from __future__ import annotations

import random
from pathlib import Path
from typing import Annotated

import typer

from migrate.cli.common import out, problems_in_words
from migrate.planning.fates import Rates
from migrate.planning.rehearsal import rehearse as play
from migrate.ports.files import read_plan
from migrate.views.rehearsal import show_rehearsal

USUAL = Rates()


def rehearse(
    plan: Annotated[Path, typer.Argument(metavar="PLAN", help="The frozen plan.")],
    times: Annotated[
        int,
        typer.Option("--times", metavar="N", min=1, max=100_000, help="How often it is played."),
    ] = 1000,
    seed: Annotated[
        int, typer.Option("--seed", metavar="N", help="The same seed gives the same rehearsals.")
    ] = 1,
    declines: Annotated[
        float, typer.Option(metavar="RATE", min=0, max=1, help="Share of devices that say no.")
    ] = USUAL.declines,
    misread: Annotated[
        float,
        typer.Option(
            metavar="RATE", min=0, max=1, help="Share that come back with a wrong setting."
        ),
    ] = USUAL.misread,
    slow: Annotated[
        float,
        typer.Option(
            metavar="RATE", min=0, max=1, help="Share that take far longer than they should."
        ),
    ] = USUAL.slow,
    lost: Annotated[
        float, typer.Option(metavar="RATE", min=0, max=1, help="Share that do not return.")
    ] = USUAL.lost,
    group: Annotated[
        float,
        typer.Option(
            metavar="RATE", min=0, max=1, help="Share of twin groups that are wrong as a whole."
        ),
    ] = USUAL.group,
    broker: Annotated[
        float,
        typer.Option(metavar="RATE", min=0, max=3600, help="Restarts of the broker, per hour."),
    ] = USUAL.broker,
) -> None:
    """Play a frozen plan on paper, many times.

    Each time, devices fail at the rates that you state. It shows where the plan stops, how many
    devices have to be opened by hand and how long it takes; and the same for all devices at once,
    one by one, and tenths. Nothing is sent, no secret is needed.

    Example: migrate rehearse playbook.plan.json --lost 0.01 --group 0.05
    """
    try:
        rates = Rates(declines, misread, slow, lost, group, broker)
    except ValueError as error:
        hint = "--declines, --misread, --slow, --lost"
        raise typer.BadParameter(str(error), param_hint=hint) from None
    with problems_in_words():
        frozen = read_plan(plan)
        results = play(frozen, rates, times, random.Random(seed))  # noqa: S311 - no secret
        show_rehearsal(frozen, rates, results, seed, out)
