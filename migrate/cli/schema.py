"""`migrate schema`: the JSON Schema of a kind of file, for an editor."""

from __future__ import annotations

from enum import StrEnum
from importlib import resources
from pathlib import Path
from typing import Annotated

import typer

from migrate.cli.common import STDOUT, out, problems_in_words
from migrate.ports.files import free_or_ours, write_private
from migrate.views.lines import say


class Kind(StrEnum):
    """The files that an owner writes."""

    FLEET = "fleet"
    PLAYBOOK = "playbook"
    DIALECT = "dialect"
    CAMPAIGN = "campaign"


def schema(
    kind: Annotated[Kind, typer.Argument(metavar="KIND", help="Which of your files it is for.")],
    to: Annotated[
        Path | None,
        typer.Option(
            "--to",
            metavar="FILE",
            help="Where to write it; - is standard output. Without it, KIND.schema.json.",
            show_default=False,
        ),
    ] = None,
) -> None:
    """Write the JSON Schema of your files, for your editor.

    Many editors take a first line such as: #:schema ./fleet.schema.json

    Example: migrate schema fleet
    """
    with problems_in_words():
        text = schema_text(kind)
        place = to or Path(f"{kind}.schema.json")
        if place == STDOUT:
            out.document(text)
            return
        write_private(free_or_ours(place, lambda theirs: '"$defs"' in theirs, "schema"), text)
        say(out, str(place), whole=True)


def schema_text(kind: Kind) -> str:
    """The schema as it is shipped."""
    return (resources.files("migrate.dialects.schemas") / f"{kind}.schema.json").read_text("utf-8")
