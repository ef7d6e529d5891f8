"""`migrate page`: the page of a run, from its journal, whoever is at work on it."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from contextlib import ExitStack, closing, suppress
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Final

import typer

from migrate.cli.common import RunName, StateDir, find_run, out, problems_in_words, run_words
from migrate.cli.keys import ENDS, at_the_end
from migrate.cli.pages import check_page_at, page_up
from migrate.journal.look import looked_into
from migrate.journal.rows import Row
from migrate.journal.store import Journal
from migrate.model.problems import JournalTrouble
from migrate.ports.sockets import now
from migrate.views.lines import say
from migrate.views.page.follow import Lines, at_of, ending_of, follow, recall
from migrate.views.scene import Scene
from migrate.views.status import advice_of

if TYPE_CHECKING:
    from migrate.views.page.live import LivePage

LOOK_SECONDS: Final = 1.0
"""The journal is looked into so often."""


def page(
    run: RunName = None,
    at: Annotated[
        str | None,
        typer.Option(
            "--at",
            metavar="ADDRESS[:PORT]",
            help="Serve it at this address of this machine, for a phone: by a link of one use.",
            show_default=False,
        ),
    ] = None,
    state: StateDir = None,
) -> None:
    """Serve the page of a run, from its journal, until Ctrl-C.

    It follows whoever is at work on the run, and shows it afterwards as well. It sends nothing to
    any device, and neither holds up the work nor changes the journal.

    Example: migrate page
    """
    with problems_in_words():
        if at is not None:
            check_page_at(at)
        path = find_run(state, run) / "journal.sqlite3"
        asyncio.run(_served(path, state, at))


async def _served(path: Path, state: Path | None, at: str | None) -> None:
    stop = asyncio.Event()
    with at_the_end(stop.set, *ENDS), closing(Follower(path, state)) as follower:
        async with page_up(
            lambda: follower.journal, follower.run, follower.scene, at, out, follows=True
        ) as live:
            say(out, "Ctrl-C ends it.")
            follower.tell(live)
            while not stop.is_set():
                with suppress(TimeoutError):
                    async with asyncio.timeout(LOOK_SECONDS):
                        await stop.wait()
                follower.look(live)


class Follower:
    """Brings a scene up to date as the journal grows."""

    def __init__(self, path: Path, state: Path | None) -> None:
        self._path = path
        self._held = ExitStack()
        self.journal = self._opened()
        self.run = run_words(self.journal, state)
        self.scene = Scene.of(self.journal.plan, self.journal.rows(), now())
        self._entries = self.journal.entries()
        recall(self.scene, self._entries, under_way=True)
        self._end(self.journal.rows())

    def close(self) -> None:
        """Let go of the journal."""
        self._held.close()

    def look(self, live: LivePage) -> None:
        """See whether there are new lines."""
        # A journal that is being mended, or on a disk that is gone, can perhaps be read later.
        with suppress(JournalTrouble, OSError):
            if self._file != _file_of(self._path):  # it was mended: another has taken its place
                self.close()
                self.journal = self._opened()
                self._entries, self.scene.remarks = [], []  # its lines may have other numbers
            if self.journal.plan.digest != self.scene.plan.digest:
                return  # that is another run; of this one nothing more is known
            new = self.journal.entries(after=self._entries[-1].seq if self._entries else 0)
            if not new:
                return
            rows = self.journal.rows()
            self._entries += new
            follow(self.scene, Lines(new, rows))
            self._end(rows)
            self.tell(live)

    def tell(self, live: LivePage) -> None:
        """The scene may have changed."""
        live.last_line = at_of(self._entries[-1]) if self._entries else None
        live.refresh()

    def _opened(self) -> Journal:
        journal = self._held.enter_context(looked_into(self._path, now))
        self._file = _file_of(self._path)
        return journal

    def _end(self, rows: Sequence[Row]) -> None:
        ending = ending_of(self._entries, rows)
        if ending is not None:
            advice = tuple(advice_of(self.journal, self.run))
            self.scene.end(replace(ending, advice=advice), rows)


def _file_of(path: Path) -> tuple[int, int]:
    found = path.stat()
    return found.st_dev, found.st_ino
