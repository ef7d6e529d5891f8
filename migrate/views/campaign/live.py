"""A campaign as it goes: a picture in a terminal, plain lines elsewhere."""

from __future__ import annotations

import time
from collections.abc import Callable
from contextlib import ExitStack
from types import TracebackType
from typing import Final, Self

from rich.console import Console, Group
from rich.live import Live
from rich.text import Text

from migrate.engine.campaign import CampaignScene
from migrate.planning.campaign.standing import SiteState
from migrate.views.bars import bar
from migrate.views.campaign.words import SiteRow, headline, row_of
from migrate.views.lines import harmless
from migrate.views.words import count

A_SECOND: Final = 4
"""Times a second that the picture is drawn, at the most."""
BAR: Final = 12
"""Characters of a site's bar."""
SPARE: Final = 5
"""Lines of the picture that tell of no site."""
LOST: Final = "the store is not reached; sites that are under way go on by themselves"
FOUND: Final = "the store is reached again"


class CampaignProgress:
    """A context manager that is shown what a coordinator sees."""

    def __init__(self, console: Console, clock: Callable[[], float] = time.monotonic) -> None:
        self._console = console
        self._clock = clock
        self._live = console.is_terminal and not console.is_dumb_terminal
        self._stack = ExitStack()
        self._picture: Live | None = None
        self._told: dict[str, str] = {}
        self._lost = False
        self._drawn_at = -1.0

    def __enter__(self) -> Self:
        if self._live:
            picture = Live(console=self._console, auto_refresh=False, transient=True)
            self._picture = self._stack.enter_context(picture)
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._stack.close()

    def show(self, scene: CampaignScene) -> None:
        """What is new stays as a line; the picture below it shows what is under way."""
        if scene.lost != self._lost:
            self._lost = scene.lost
            self._line(LOST if scene.lost else FOUND)
        for site in scene.plan.sites:
            state = scene.standings[site.name].state
            if self._told.get(site.name, str(SiteState.WAITING)) != str(state):
                row = row_of(scene, site.name)
                self._line(_line(row))
            self._told[site.name] = str(state)
        if self._picture is not None and self._clock() - self._drawn_at >= 1 / A_SECOND:
            self._drawn_at = self._clock()
            self._picture.update(self._frame(scene), refresh=True)

    def _line(self, words: str) -> None:
        self._console.print(Text(harmless(words)), soft_wrap=True)

    def _frame(self, scene: CampaignScene) -> Group:
        width, room = self._console.width, max(self._console.height - SPARE, 1)
        names = scene.named(SiteState.UNDER_WAY, SiteState.ASKED)
        head = Text(headline(scene), "bold")
        lines = []
        for name in names[:room]:
            row = row_of(scene, name)
            part = row.there / row.total if row.total else 0.0
            drawn = bar(part, BAR, self._console).ljust(BAR)
            words = f"  {row.name}  {drawn}  {row.there}/{row.total}  {row.state} {row.leg}"
            lines.append(Text(harmless(f"{words}  {row.words}".rstrip())))
        if more := len(names[room:]):
            lines.append(Text(f"  and {count(more, 'site')} more under way"))
        for line in lines:
            line.truncate(width, overflow="ellipsis")
        return Group(head, *lines)


def _line(row: SiteRow) -> str:
    words = f"{row.name}: {row.state}"
    if row.devices:
        words += f", {row.there} of {count(row.total, 'device')}"
    return f"{words}: {row.words}" if row.words else words
