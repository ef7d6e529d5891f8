"""How the owner looks on at a run: in the terminal, by events for a program, on a page."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from contextlib import AbstractContextManager, AsyncExitStack, asynccontextmanager, nullcontext
from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated, Final

import typer
from rich.console import Console

from migrate.cli.common import STOPPED_AT_ONCE, err, innermost, out
from migrate.cli.pages import check_page_at, page_up
from migrate.cli.stream import Lines, lines_out
from migrate.engine.tidings import Outcome
from migrate.journal.store import Journal
from migrate.model.problems import Exit, Problem, Trouble
from migrate.ports.sockets import now
from migrate.views.ending import Ending
from migrate.views.events import Events
from migrate.views.onlookers import Audience, Onlooker
from migrate.views.page.follow import recall
from migrate.views.progress import Progress, progress
from migrate.views.scene import Scene

if TYPE_CHECKING:
    from migrate.views.page.live import LivePage

TICK_SECONDS: Final = 0.25
"""The terminal is drawn so often at the most."""

AsEvents = Annotated[
    bool,
    typer.Option("--json", help="Print one event a line as JSON, for programs; see docs/events.md"),
]
WithPage = Annotated[
    bool,
    typer.Option(
        "--page", help="Serve a page for a browser, on this machine alone or where it was before."
    ),
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
    """What the options of a command ask for; an address asks for a page. Raises PageTrouble."""
    if page_at is not None:
        check_page_at(page_at)
    return Looking(events, page or page_at is not None, page_at)


LOOKING = Looking()
"""A terminal, and nothing else."""


@dataclass(frozen=True)
class Watch:
    """Who looks on. `terminal` is entered while the conductor works; `words` is where a person is
    told something meanwhile; `page` is open to browsers, if one was asked for."""

    audience: Audience
    terminal: AbstractContextManager[object]
    words: Console
    page: LivePage | None = None


@asynccontextmanager
async def watching(journal: Journal, run: str, looking: Looking) -> AsyncIterator[Watch]:
    """Have everybody in place who is to look on. `run`: as it is named on the command line."""
    scene = Scene.of(journal.plan, journal.rows(), now())
    async with AsyncExitStack() as held:
        onlookers: list[Onlooker] = []
        terminal: AbstractContextManager[object] = nullcontext()
        if not looking.events:
            plain = Lines(out.file)
            held.callback(plain.leave)
            terminal = view = progress(scene, out, plain)
            held.callback(asyncio.create_task(_clock(view)).cancel)
        # In a terminal the picture must know of a line, to stay below it.
        words = out if out.is_terminal and not looking.events else err
        page: LivePage | None = None
        if looking.page:
            recall(scene, journal.entries())
            up = page_up(lambda: journal, run, scene, looking.page_at, words)
            onlookers.append(page := await held.enter_async_context(up))
        if not looking.events:  # the last to be told: whoever reads its lines may be slow
            onlookers.append(view)
        else:  # the last to begin: once they have, they are told the end
            lines, path = held.enter_context(lines_out()), journal.path
            events = Events(scene, lines.write, path.parent.name, str(path), scene.began)
            onlookers.append(events)
        audience = Audience(scene, onlookers, now)
        try:
            yield Watch(audience, terminal, words, page)
        except BaseException as error:
            if scene.ending is None:
                audience.end(broken_off(error, journal), ())
            raise


async def _clock(view: Progress) -> None:
    """Tell a view what time it is, until cancelled."""
    while True:
        await asyncio.sleep(TICK_SECONDS)
        view.tick(now())


def broken_off(error: BaseException, journal: Journal) -> Ending:
    """What there is to tell of work that ended by an exception. Of a mistake of the tool it is that
    it was one: its words could hold a secret."""
    error = innermost(error)
    outcome = Outcome(Exit.BUG, "migrate made a mistake and stopped")
    problems: tuple[Problem, ...] = ()
    if isinstance(error, Trouble):
        problems = error.problems
        outcome = Outcome(error.exit, "broken off; nothing more was sent")
    elif isinstance(error, asyncio.CancelledError | KeyboardInterrupt):
        outcome = Outcome(Exit.STOPPED, STOPPED_AT_ONCE)
    return Ending(outcome, problems, journal=str(journal.path))
