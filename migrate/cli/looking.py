"""How the owner looks on at a run: in the terminal, by events for a program, on a page."""

from __future__ import annotations

from collections.abc import AsyncIterator
from contextlib import AbstractContextManager, asynccontextmanager
from dataclasses import dataclass
from typing import Annotated

import typer

from migrate.cli.common import out
from migrate.journal.store import Journal
from migrate.ports.sockets import now
from migrate.views.onlookers import Audience
from migrate.views.progress import progress
from migrate.views.scene import Scene

AsEvents = Annotated[
    bool,
    typer.Option("--json", help="Print one event a line as JSON, for programs; see docs/events.md"),
]
WithPage = Annotated[
    bool,
    typer.Option("--page", help="Serve a page to look on with a browser, on this machine alone."),
]
PageAt = Annotated[
    str | None,
    typer.Option(
        "--page-at",
        metavar="ADDRESS[:PORT]",
        help="Serve the page at this address of this machine, for a phone: by a link of one use.",
        show_default=False,
    ),
]


@dataclass(frozen=True)
class Looking:
    """What the owner asked for. `page_at`: None is this machine alone, at a free port."""

    events: bool = False
    page: bool = False
    page_at: str | None = None


def looking_on(*, events: bool, page: bool, page_at: str | None) -> Looking:
    """What the options of a command ask for; an address asks for a page."""
    return Looking(events, page or page_at is not None, page_at)


LOOKING = Looking()
"""A terminal, and nothing else."""


@dataclass(frozen=True)
class Watch:
    """Who looks on. `terminal` is entered while the conductor works."""

    audience: Audience
    terminal: AbstractContextManager[object]


@asynccontextmanager
async def watching(journal: Journal, run: str, looking: Looking) -> AsyncIterator[Watch]:
    """Have everybody in place who is to look on. `run`: as it is named on the command line."""
    scene = Scene.of(journal.plan, journal.rows(), now())
    view = progress(scene, out)
    yield Watch(Audience(scene, [view], now), view)
