"""`migrate resume` and `migrate rollback`: go on from a journal, in either direction."""

from __future__ import annotations

from typing import Annotated

import typer

from migrate.cli.common import (
    RunName,
    StateDir,
    WriteOff,
    fleet_lock,
    open_run,
    problems_in_words,
    run_words,
    secret_reader,
)
from migrate.cli.conduct import conduct, conduct_forward, simulated_in
from migrate.cli.legs import check_waits_for_flip, check_way_back
from migrate.cli.looking import AsEvents, PageAt, WithPage, looking_on
from migrate.cli.run import check_names


def resume(
    run: RunName = None,
    again: Annotated[
        list[str] | None,
        typer.Option(
            "--again",
            help="Send this device its bundle once more (it declined or came back).",
            metavar="DEVICE",
        ),
    ] = None,
    write_off: WriteOff = None,
    flipped: Annotated[
        bool,
        typer.Option(
            "--flipped",
            help="Say that the access point has been changed, as the run asked for.",
        ),
    ] = False,
    events: AsEvents = False,
    page: WithPage = False,
    page_at: PageAt = None,
    state: StateDir = None,
) -> None:
    """Go on with a run that was held, stopped or cut off.

    First finds out what became of every device that was on its way, then goes on with the same
    plan. Nothing is sent twice by accident.

    Example: migrate resume --again porch-light

    Example: migrate resume --write-off cellar-pump
    """
    with problems_in_words():
        looking = looking_on(events=events, page=page, page_at=page_at)
        journal = open_run(state, run)
        names = again or []
        check_names(journal.plan, [*names, *(write_off or [])])
        with fleet_lock(journal.plan, simulated_in(journal)):
            for name in write_off or []:
                journal.write_off(name)
            if flipped:
                check_waits_for_flip(journal)
                journal.flip()
            outcome = conduct_forward(
                journal, secret_reader(), run_words(journal, state), names, looking
            )
            journal.close()
        raise typer.Exit(outcome.exit)


def rollback(
    run: RunName = None,
    only: Annotated[
        list[str] | None,
        typer.Option("--only", help="Only this device. Can be repeated.", metavar="DEVICE"),
    ] = None,
    write_off: WriteOff = None,
    not_flipped: Annotated[
        bool,
        typer.Option(
            "--not-flipped",
            help="Say that the access point still has its old passphrase.",
        ),
    ] = False,
    events: AsEvents = False,
    page: WithPage = False,
    page_at: PageAt = None,
    state: StateDir = None,
) -> None:
    """Take devices back to the old side.

    The last wave goes first, and of it one device alone; each is verified against the survey. The
    old network must still be on air.

    Example: migrate rollback --only porch-light
    """
    with problems_in_words():
        looking = looking_on(events=events, page=page, page_at=page_at)
        journal = open_run(state, run)
        check_names(journal.plan, [*(only or []), *(write_off or [])])
        check_way_back(state, journal, only, not_flipped=not_flipped)
        with fleet_lock(journal.plan, simulated_in(journal)):
            for name in write_off or []:
                journal.write_off(name)
            outcome = conduct(
                journal,
                secret_reader(),
                run_words(journal, state),
                lambda conductor: conductor.back(only),
                looking,
            )
            journal.close()
        raise typer.Exit(outcome.exit)
