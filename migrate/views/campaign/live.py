"""A campaign as it goes: a picture in a terminal, plain lines elsewhere."""

from __future__ import annotations

import time
from collections import Counter, deque
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from types import TracebackType
from typing import Final, Self

from rich.console import Console
from rich.text import Text

from migrate.engine.campaign import CampaignScene
from migrate.planning.campaign.standing import SiteState
from migrate.views.campaign.frame import frame
from migrate.views.campaign.words import LOST, SiteRow, row_of
from migrate.views.lines import harmless
from migrate.views.terminal.inplace import InPlace, writable
from migrate.views.words import count

A_SECOND: Final = 4
"""Times a second that the picture is drawn, at the most."""
A_SHARE: Final = 0.05
"""Part of the time that drawing takes, at the most: with very many sites it is done less often."""
MOST_AT_FIRST: Final = 40
"""Sites that are told one by one when they have come so far before anybody looked."""
FOUND: Final = "the store is reached again"
IN_PICTURE: Final = frozenset({SiteState.WAITING, SiteState.ASKED, SiteState.UNDER_WAY})
"""States that are to be seen in the picture, and not kept as lines above it."""
AFTER_TIME: Final = 10
"""Characters of the time of day before a line that is kept."""


class CampaignProgress:
    """A context manager that is shown what a coordinator sees. `clock`: seconds, by which it is
    seen to that nothing is drawn too often."""

    def __init__(self, console: Console, clock: Callable[[], float] = time.monotonic) -> None:
        picture = console.is_terminal and not console.is_dumb_terminal
        self._view = _Picture(console, clock) if picture else _Lines(console)

    def __enter__(self) -> Self:
        self._view.__enter__()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._view.__exit__(kind, error, trace)

    def show(self, scene: CampaignScene) -> None:
        """What the coordinator sees now. Returns at once, whoever reads it."""
        self._view.show(scene)


class _Changes:
    """What is new since the last scene, in lines; with the state it is about."""

    def __init__(self) -> None:
        self._told: dict[str, tuple[SiteState, bool]] = {}
        self._lost = False

    def of(self, scene: CampaignScene) -> Iterator[tuple[SiteState | None, str]]:
        first = not self._told
        if scene.lost != self._lost:
            self._lost = scene.lost
            yield None, LOST if scene.lost else FOUND
        new = []
        for name, one in scene.standings.items():
            now = (one.state, one.back)
            if now != self._told.get(name, (SiteState.WAITING, False)):
                new.append((name, one.state))
            self._told[name] = now
        if first and len(new) > MOST_AT_FIRST:
            # Of a campaign that goes on: only what is not over is told one by one.
            over = (SiteState.MOVED, SiteState.BACK)
            for state, number in Counter(state for _, state in new if state in over).items():
                yield state, f"{count(number, 'site')} {state} before"
            new = [(name, state) for name, state in new if state not in over]
        for name, state in new:
            yield state, harmless(_line(row_of(scene, name)))


def _line(row: SiteRow) -> str:
    """`alder: moved, 6 of 6 devices`."""
    words = f"{row.name}: {row.state}"
    if row.leg:
        words += f", {row.leg}"
    if row.devices:
        words += f", {row.there} of {count(row.total, 'device')}"
    return f"{words}: {row.words}" if row.words else words


class _Lines:
    """Writes a line for each change, as soon as it can be written without waiting."""

    def __init__(self, console: Console) -> None:
        self._console = console
        self._changes = _Changes()
        self._left: deque[str] = deque()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        while self._left and not self._console.quiet:
            self._write()

    def show(self, scene: CampaignScene) -> None:
        """Write what is new, as far as somebody reads."""
        self._left += [words for _, words in self._changes.of(scene)]
        while self._left and not self._console.quiet and writable(self._console):
            self._write()

    def _write(self) -> None:
        try:
            self._console.print(Text(self._left.popleft()), soft_wrap=True)
        except OSError:
            self._console.quiet = True  # what nobody can read ends no campaign


class _Picture(InPlace):
    """The picture of a campaign; what a site came to is kept above it."""

    def __init__(self, console: Console, clock: Callable[[], float]) -> None:
        super().__init__(console, AFTER_TIME)
        self._clock = clock
        self._changes = _Changes()
        self._scene: CampaignScene | None = None
        self._next_at: float | None = None

    def show(self, scene: CampaignScene) -> None:
        """Draw it, unless that was done just now; then it is with the next."""
        self._scene = scene
        at = datetime.fromtimestamp(scene.look.at, UTC).astimezone()
        for state, words in self._changes.of(scene):
            if state not in IN_PICTURE:
                self._kept.append(f"{at:%H:%M:%S}  {words}")
        now = self._clock()
        if self._next_at is None or now >= self._next_at:
            self._refresh()
            over = self._clock()
            self._next_at = over + max(1 / A_SECOND, (over - now) / A_SHARE)

    def _lines(self, *, last: bool = False) -> list[Text]:
        if self._scene is None:
            return []
        size, plain = self._console.size, self._console.options.ascii_only
        return frame(self._scene, size.width, size.height, plain=plain, last=last)
