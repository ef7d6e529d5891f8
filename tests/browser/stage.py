"""A page whose run is made up as the test goes: served for real, by a loop in another thread."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Callable, Coroutine
from contextlib import suppress
from types import TracebackType
from typing import Any, Self, TypeVar

from migrate.engine.tidings import Tidings
from migrate.model.lifecycle import State
from migrate.planning.plan import Plan
from migrate.ports.sockets import now
from migrate.views.ending import Ending
from migrate.views.onlookers import Audience
from migrate.views.page.live import LivePage
from migrate.views.rescue import Line
from migrate.views.web.door import Door, link_of
from migrate.views.web.place import HERE, Place
from migrate.views.web.serving import served

from ..views.page.made import scene_of

Result = TypeVar("Result")


class Stage:
    """Serves a page while it is entered; `place` is where."""

    def __init__(
        self,
        plan: Plan,
        *,
        place: Place = HERE,
        door: Door | None = None,
        missing: list[Line] | None = None,
        run: str = "20261125-quarry",
    ) -> None:
        self.plan = plan
        self.place = place
        self.door = door
        self.scene = scene_of(plan)
        self.live = LivePage(self.scene, run, now, lambda: missing or [])
        self._audience = Audience(self.scene, [self.live], now)
        self._loop = asyncio.new_event_loop()
        self._ready = threading.Event()
        self._leave = asyncio.Event()
        self._thread = threading.Thread(target=self._loop.run_until_complete, args=[self._serve()])

    @property
    def url(self) -> str:
        """The page, or the link that is to be spent."""
        return link_of(self.place, self.door)

    def tell(self, *news: Tidings) -> None:
        """Something happens."""
        for one in news:
            self._do(lambda one=one: self._audience.tell(one))  # type: ignore[misc]

    def step(self, name: str, state: State, words: str = "") -> None:
        """A device comes to a state."""
        self.tell(Tidings("device", words, name, self.plan.wave_of(name), state))

    def end(self, ending: Ending) -> None:
        """The work ends; the page stays."""
        self._do(lambda: self._audience.end(ending, ()))

    def ask(self, work: Coroutine[Any, Any, Result]) -> Result:
        """Let the loop that serves do something."""
        return asyncio.run_coroutine_threadsafe(work, self._loop).result(10)

    def _do(self, what: Callable[[], None]) -> None:
        async def do() -> None:
            what()

        self.ask(do())

    async def _serve(self) -> None:
        async with (
            served(self.live.app(), self.place, self.door) as self.place,
            self.live.telling(),
        ):
            self._ready.set()
            await self._leave.wait()

    def __enter__(self) -> Self:
        self._thread.start()
        assert self._ready.wait(10)
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._loop.call_soon_threadsafe(self._leave.set)
        self._thread.join(10)
        self._loop.close()


class Forwarder:
    """A way to a stage that can be cut, like a Wi-Fi that goes out of reach."""

    def __init__(self, stage: Stage) -> None:
        self._stage = stage
        self._server: asyncio.Server | None = None
        self._open: list[asyncio.StreamWriter] = []
        self._tasks: set[asyncio.Task[None]] = set()
        self.port = 0

    def up(self) -> str:
        """Let connections through, by the same port as before; the address of the page."""
        self._stage.ask(self._up())
        return f"http://127.0.0.1:{self.port}/"

    def lead_to(self, stage: Stage) -> None:
        """Somebody else is there from now on."""
        self._stage = stage

    def cut(self) -> None:
        """End all connections, and take none."""
        self._stage.ask(self._cut())

    async def _up(self) -> None:
        self._server = await asyncio.start_server(self._forward, "127.0.0.1", self.port)
        self.port = self._server.sockets[0].getsockname()[1]

    async def _cut(self) -> None:
        assert self._server is not None
        self._server.close()
        for writer in self._open:
            writer.transport.abort()
        self._open.clear()

    async def _forward(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        far_reader, far_writer = await asyncio.open_connection("127.0.0.1", self._stage.place.port)
        self._open += [writer, far_writer]
        for source, target in ((reader, far_writer), (far_reader, writer)):
            task = asyncio.create_task(_pipe(source, target))
            self._tasks.add(task)
            task.add_done_callback(self._tasks.discard)


async def _pipe(source: asyncio.StreamReader, target: asyncio.StreamWriter) -> None:
    with suppress(ConnectionError):
        while octets := await source.read(65536):
            target.write(octets)
            await target.drain()
    target.close()
