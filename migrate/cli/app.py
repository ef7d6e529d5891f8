"""The `migrate` command."""

from __future__ import annotations

import io
import os
import sys

import typer

from migrate.cli.adrift import adrift
from migrate.cli.bench import bench
from migrate.cli.broker import broker
from migrate.cli.campaign import campaign
from migrate.cli.demo import demo
from migrate.cli.dialect import dialect
from migrate.cli.find import find
from migrate.cli.page import page
from migrate.cli.plan import plan
from migrate.cli.rehearse import rehearse
from migrate.cli.replan import replan
from migrate.cli.report import report
from migrate.cli.resume import resume, rollback
from migrate.cli.run import run
from migrate.cli.schema import schema
from migrate.cli.sheet import sheet
from migrate.cli.status import status
from migrate.cli.survey import survey
from migrate.cli.worker import worker

app = typer.Typer(
    name="migrate",
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    help=(
        "Move a whole fleet of Wi-Fi devices to a new network without stranding one.\n\n"
        "The usual order: find, survey, bench, plan, rehearse, run --dry-run, run. If a gate "
        "holds: status, then resume, rollback or replan; if a device is missing: adrift. To "
        "see it all on this machine alone: demo.\n\n"
        "Exit codes: 0 done, 1 mistake of migrate itself, 2 wrong usage, 3 bad file, 4 refused, "
        "since it could strand a device, 5 secret missing or open to others, 6 changed since it "
        "was planned or surveyed, 7 held at a gate, 8 stopped by you, 9 another run is working, 10 "
        "journal trouble, 11 device or broker not reached, 12 a page cannot be served there, 13 "
        "a part of migrate is not installed."
    ),
)
for command in (
    find,
    survey,
    bench,
    plan,
    rehearse,
    run,
    resume,
    rollback,
    replan,
    status,
    page,
    adrift,
    report,
    schema,
    worker,
    demo,
):
    app.command()(command)
app.add_typer(broker)
app.add_typer(campaign)
app.add_typer(dialect)
app.add_typer(sheet)


def _open_standard_streams() -> None:
    """Those that a shell has closed lead nowhere. A journal or a lock would be opened in their
    place otherwise, and words be written into it."""
    for number in (0, 1, 2):
        try:
            os.fstat(number)
        except OSError:
            os.open(os.devnull, os.O_RDWR)  # the lowest number that is free, which is this one


def main() -> None:
    """Entry point."""
    _open_standard_streams()
    for stream in (sys.stdout, sys.stderr):
        # A name that the terminal's character set lacks is no reason to end a run.
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="backslashreplace")
    app()
