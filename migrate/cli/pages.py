"""The page of a run, put up beside the work: where it was, who was let in, and its link."""

from __future__ import annotations

import asyncio
import sys
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager, suppress
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Final

from pydantic import BaseModel, Field
from rich.console import Console
from rich.text import Text

from migrate.cli.common import out
from migrate.cli.keys import entered
from migrate.cli.links import show_link
from migrate.journal.store import Journal
from migrate.model.problems import BadFile, JournalTrouble, PageTrouble, Problem
from migrate.ports.files import read_text, write_private
from migrate.ports.sockets import now
from migrate.views.adrift import adrift_lines, search_of
from migrate.views.rescue import Line
from migrate.views.scene import Scene
from migrate.views.web.door import Door
from migrate.views.web.listening import listen
from migrate.views.web.place import HERE, Place, check_place, place_of

if TYPE_CHECKING:
    from migrate.views.page.live import LivePage

KEPT: Final = "page.json"
"""Beside the journal: where the page was last, and digests of the keys of those who were let in. So
pages that are open go on by themselves when a run does."""


def check_page_at(words: str | None) -> None:
    """Raises PageTrouble now, before anything is begun, if no page can be served there."""
    place = place_of(words) if words else HERE
    check_place(place)
    listen(place).close()


@asynccontextmanager
async def page_up(
    journal: Callable[[], Journal],
    run: str,
    scene: Scene,
    words: str | None,
    console: Console,
    *,
    follows: bool = False,
) -> AsyncIterator[LivePage]:
    """Serve the page of a run while the block runs, and print its link. `journal` gives the one
    that is open; `run` is the run as it is named on the command line, `words` the address the owner
    asked for. Raises PageTrouble."""
    # The web server is loaded by those alone who ask for a page.
    from migrate.views.page.live import LivePage
    from migrate.views.web.serving import served

    folder = journal().path.parent
    was, keys = kept(folder)
    place = place_of(words) if words else was or HERE
    if was is not None and place.address == was.address and place.port == 0:
        place = was

    def changed(door: Door) -> None:
        _keep(folder, here, door.keys)
        show_link(here, door, console)

    def missing() -> list[Line]:
        try:
            return list(adrift_lines(search_of(journal()), run))
        except JournalTrouble:
            return []  # the rest of the picture is still worth seeing

    door = None if place.alone else Door(keys, changed)
    live = LivePage(scene, folder.name, now, missing, follows=follows)
    try:
        async with served(live.app(), place, door) as here, live.telling():
            _keep(folder, here, door.keys if door else keys)
            show_link(here, door, console)
            yield live
    except PageTrouble as trouble:
        if place == was:
            raise _up_already(trouble, was) from None
        raise


async def first_look(live: LivePage) -> None:
    """Return when somebody has opened the page, or a person has pressed Enter instead."""
    out.print(Text("It begins when the page is open. Enter begins without."))
    waiting = [asyncio.create_task(live.opened.wait()), asyncio.create_task(entered())]
    try:
        await asyncio.wait(waiting, return_when=asyncio.FIRST_COMPLETED)
    finally:
        for task in waiting:
            task.cancel()
        # Whoever listens to the keys has let go of them before anybody else does.
        await asyncio.gather(*waiting, return_exceptions=True)


async def read_at_leisure(live: LivePage) -> None:
    """Show it on the page as it stands, and let a person at the terminal say when they have seen
    it."""
    live.show_now()
    if sys.stdin.isatty():
        out.print(Text("See it on the page. Enter goes on."))
        await entered()


def show_page_later(run: str) -> None:
    """How to see the page when the command that had put it up has ended."""
    out.print(Text(f"page    migrate page {run}"), soft_wrap=True)


def kept(folder: Path) -> tuple[Place | None, list[str]]:
    """Where the page of a run was, and the keys of those who were let in; nothing, if that is not
    known."""
    try:
        found = _Kept.model_validate_json(read_text(folder / KEPT))
        place = replace(place_of(found.address), port=found.port)
        check_place(place)
    except (BadFile, PageTrouble, ValueError):
        return None, []
    return place, found.keys


class _Kept(BaseModel, extra="forbid", strict=True):
    address: str
    port: Annotated[int, Field(ge=1, le=65535)]
    keys: list[Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")]]


def _keep(folder: Path, place: Place, keys: list[str]) -> None:
    kept = _Kept(address=str(place.address), port=place.port, keys=keys)
    with suppress(BadFile):  # then a browser must be let in anew after a restart; that is all
        write_private(folder / KEPT, kept.model_dump_json() + "\n")


def _up_already(trouble: PageTrouble, was: Place) -> PageTrouble:
    if not any("already" in problem.what for problem in trouble.problems):
        return trouble
    return PageTrouble(
        Problem(
            f"the page of this run is up already at {was.url}, or something else is",
            "open that: it goes on by itself, so nothing more is needed; for a second one name "
            "another port",
        )
    )
