"""`migrate dialect`: write one, try one."""

from __future__ import annotations

import typer

from migrate.cli.thing import from_thing

dialect = typer.Typer(
    name="dialect",
    no_args_is_help=True,
    add_completion=False,
    help="Describe a family of devices: how it is read, written and recognised.",
)
dialect.command("from-thing")(from_thing)
