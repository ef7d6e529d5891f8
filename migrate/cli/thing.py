"""`migrate dialect from-thing`: a W3C Thing Description becomes a dialect."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Annotated

import typer
from rich.text import Text

from migrate.cli.common import out, problems_in_words
from migrate.dialects.schema import Dialect
from migrate.dialects.things.description import parse_thing
from migrate.dialects.things.match import ByHand, match
from migrate.dialects.things.render import render
from migrate.model.parsing import parse_toml
from migrate.model.problems import BadFile, Problem
from migrate.ports.files import DIALECT_NAME, is_there, read_text, write_private
from migrate.views.lines import say


def from_thing(
    description: Annotated[
        Path, typer.Argument(metavar="TD", help="The Thing Description, a file of JSON.")
    ],
    mapping: Annotated[
        Path | None,
        typer.Option(
            "--mapping",
            metavar="FILE",
            help="Which affordance is which setting, where its annotations do not say so (TOML).",
            show_default=False,
        ),
    ] = None,
    name: Annotated[
        str | None,
        typer.Option(
            "--name",
            metavar="NAME",
            help="Name of the dialect; without it, made from the thing's title.",
            show_default=False,
        ),
    ] = None,
    instance: Annotated[
        str | None,
        typer.Option(
            "--instance",
            metavar="WORD",
            help="The word in its paths and topics that is another for each device.",
            show_default=False,
        ),
    ] = None,
    to: Annotated[
        Path | None,
        typer.Option(
            "--to",
            metavar="FILE",
            help="Where to write it; without it, NAME.toml.",
            show_default=False,
        ),
    ] = None,
) -> None:
    """Make a dialect from a W3C Thing Description.

    What is a setting is told by semantic annotations or by a mapping (docs/things.md). Nothing is
    asked of any device. Read what was written, and try it on one device before you plan.

    Example: migrate dialect from-thing lamp.td.json --to dialects/lamp.toml
    """
    with problems_in_words():
        where = str(description)
        thing = parse_thing(read_text(description), where)
        by_hand = (
            parse_toml(read_text(mapping), ByHand, str(mapping), mapping.absolute().parent)
            if mapping
            else ByHand()
        )
        called = name or (to and to.stem) or _name_of(thing.title)
        if not DIALECT_NAME.fullmatch(called):
            what = "small letters, digits and hyphens, at most 40"
            raise BadFile(Problem(f"{called!r} is not the name of a dialect", what, key="--name"))
        place = to or Path(f"{called}.toml")
        if is_there(place):
            what = "is there already: it is not written over"
            raise BadFile(Problem(what, "name another file with --to", str(place)))
        matched = match(thing, by_hand, where)
        text = render(thing, matched, called, instance, where)
        dialect = parse_toml(text, Dialect, where, description.absolute().parent)
        write_private(place, text)
        ways = " and ".join(one.upper() for one in dialect.transports)
        say(out, f"{place}: {called}, over {ways}, from {thing.title}", hang=2, whole=True)
        settings = ", ".join(dialect.settings)
        say(out, f"settings: {settings}", indent=2, hang=2, whole=True)
        out.print(Text("  Read it, correct what the description does not tell, then try it:"))
        fleet = "fleet.toml"
        say(out, f"migrate dialect try {place} --fleet {fleet} --device NAME --read", indent=2,
            whole=True)  # fmt: skip


def _name_of(title: str) -> str:
    slug = re.sub(r"[^a-z0-9]+", "-", title.lower()).strip("-")[:40].strip("-")
    return slug if slug[:1].isalpha() else f"thing-{slug}"[:40].strip("-")
