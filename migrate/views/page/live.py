"""The page of a run: a picture for whoever opens it, and then what changes, as it happens.

Pages are told by server-sent events (WHATWG HTML standard, "Server-sent events"): `whole` first,
and anew after each reconnect; then a `part` when something has changed, at most four a second; a
`beat` when nothing has, so that a connection that is dead is noticed; and `gone` as the last, when
the tool leaves. Whoever does not read what it is sent is dropped. The tool's work never waits for a
page.
"""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager, suppress
from dataclasses import dataclass, field
from datetime import datetime
from importlib.resources import files
from typing import Any, Final

from aiohttp import web

from migrate.engine.tidings import Tidings
from migrate.model.lifecycle import State
from migrate.views.ending import Ending
from migrate.views.look import style
from migrate.views.page.messages import Message, Pictures
from migrate.views.rescue import Line
from migrate.views.scene import Scene

PAUSE: Final = 0.25
"""Seconds between two parts, at least."""
BEAT: Final = 10.0
"""Seconds after which a page is told that nothing has changed."""
PAGES: Final = 24
"""Open pages at a time."""
BEHIND: Final = 64
"""Messages that a page may lag behind before it is dropped."""
PATIENCE: Final = 20.0
"""Seconds that one message may take to be taken."""
FAREWELL: Final = 2.0
"""Seconds that the tool stays for pages to be told how it ended."""
SCRIPTS: Final = ("page.js", "picture.js", "todo.js", "words.js")
RETRY: Final = b"retry: 2000\n\n"


@dataclass(eq=False)
class _Reader:
    """A page that is open: `page` is what it calls itself, `task` what writes to it."""

    page: str
    task: asyncio.Task[Any] | None
    transport: asyncio.Transport | None
    messages: asyncio.Queue[bytes | None] = field(default_factory=lambda: asyncio.Queue(BEHIND))

    def put(self, octets: bytes | None) -> bool:
        """False for one that is too far behind."""
        try:
            self.messages.put_nowait(octets)
        except asyncio.QueueFull:
            return False
        return True

    def drop(self) -> None:
        """Let it go at once, whatever it has not read. The page comes anew if it is there."""
        if self.transport is not None:
            self.transport.abort()
        while not self.messages.empty():
            self.messages.get_nowait()
        self.messages.put_nowait(None)


class LivePage:
    """An onlooker that serves what it sees. `missing` gives the lines that help with devices that
    nobody can find; `now` the time. `follows`: it sees another process at work, through the
    journal."""

    def __init__(
        self,
        scene: Scene,
        run: str,
        now: Callable[[], datetime],
        missing: Callable[[], list[Line]] = list,
        *,
        follows: bool = False,
    ) -> None:
        self._scene = scene
        self._pictures = Pictures(scene, run)
        self._now = now
        self._missing = missing
        self._readers: set[_Reader] = set()
        self._changed = asyncio.Event()
        self._number = 0
        self._whole: tuple[datetime, bytes] | None = None
        self._follows = follows
        self.last_line: datetime | None = None
        """When the journal was written to last, for a page that follows it."""
        self.opened = asyncio.Event()
        """Set as soon as somebody looks."""

    @property
    def readers(self) -> int:
        """How many pages are open."""
        return len(self._readers)

    def see(self, news: Tidings, at: datetime) -> None:
        """Something happened."""
        self.refresh()

    def end(self, ending: Ending, at: datetime) -> None:
        """The tool's work has ended."""
        self.refresh()

    def refresh(self) -> None:
        """The scene has changed."""
        self._whole = None
        self._changed.set()

    def show_now(self) -> None:
        """Tell open pages what has changed without waiting for the next part to be due."""
        if self._changed.is_set():
            self._push_part()

    def app(self) -> web.Application:
        """What is served; to be given to `served`."""
        app = web.Application()
        app.router.add_get("/", _file(_text("page.html"), "text/html"))
        for name in SCRIPTS:
            app.router.add_get(f"/{name}", _file(_text(name), "text/javascript"))
        app.router.add_get("/page.css", _file(style(__package__, "page.css"), "text/css"))
        app.router.add_get("/events", self._events, allow_head=False)
        return app

    @asynccontextmanager
    async def telling(self) -> AsyncIterator[None]:
        """Tell open pages what changes while the block runs, and take leave of them after it."""
        task = asyncio.create_task(self._tell())
        try:
            yield
        finally:
            task.cancel()
            await asyncio.wait([task])  # whatever became of it: a page never hurts a run
            await self._take_leave()

    async def _tell(self) -> None:
        while True:
            with suppress(TimeoutError):
                async with asyncio.timeout(BEAT):
                    await self._changed.wait()
            changed = self._changed.is_set()
            # One picture that cannot be drawn must not be the last. Pages that are told nothing
            # say so by themselves.
            with suppress(Exception):
                if changed:
                    self._push_part()
                else:
                    self._push("beat", self._standing())
            if changed:
                await asyncio.sleep(PAUSE)

    def _push_part(self) -> None:
        self._changed.clear()
        self._look_for_missing()
        self._push("part", self._with_source(self._pictures.part(self._now())))

    def _look_for_missing(self) -> None:
        ending = self._scene.ending
        wanted = ending is not None and any(
            spot.state is State.ADRIFT for spot in self._scene.spots.values()
        )
        self._pictures.missing(self._missing() if wanted else ())

    def _standing(self) -> Message:
        return self._with_source({"standing": self._pictures.standing(self._now())})

    def _with_source(self, message: Message) -> Message:
        at = self.last_line
        message["standing"]["follows"] = self._follows
        message["standing"]["written"] = at and round(at.timestamp() * 1000)
        return message

    async def _take_leave(self) -> None:
        with suppress(Exception):  # as above
            self.show_now()
            self._push("gone", self._standing())
        for reader in list(self._readers):
            if not reader.put(None):
                self._drop(reader)
        if tasks := [reader.task for reader in self._readers if reader.task is not None]:
            await asyncio.wait(tasks, timeout=FAREWELL)
        for reader in list(self._readers):
            self._drop(reader)

    def _push(self, event: str, message: Message) -> None:
        octets = self._encoded(event, message)
        for reader in list(self._readers):
            if not reader.put(octets):
                self._drop(reader)

    def _drop(self, reader: _Reader) -> None:
        self._readers.discard(reader)
        reader.drop()

    def _encoded(self, event: str, message: Any) -> bytes:
        self._number += 1
        data = json.dumps(message, ensure_ascii=False, separators=(",", ":"))
        return f"event: {event}\nid: {self._number}\ndata: {data}\n\n".encode("utf-8", "replace")

    def _picture(self) -> bytes:
        """The whole picture; made once for all who come within a second, unless it changes."""
        at = self._now()
        if self._whole is None or not (0 <= (at - self._whole[0]).total_seconds() < 1):
            self._look_for_missing()
            message = self._with_source(self._pictures.whole(at))
            self._whole = at, self._encoded("whole", message)
        return self._whole[1]

    async def _events(self, request: web.Request) -> web.StreamResponse:
        page = request.query.get("page", "")[:64]
        for before in [reader for reader in self._readers if page and reader.page == page]:
            # It has lost that connection, perhaps by going out of reach of the Wi-Fi. From here
            # that may look well for many minutes, and would keep others out.
            self._drop(before)
        if len(self._readers) >= PAGES:
            raise web.HTTPServiceUnavailable(
                text="Too many pages of this run are open.\n", headers={"Retry-After": "10"}
            )
        response = web.StreamResponse(
            headers={"Content-Type": "text/event-stream; charset=utf-8", "X-Accel-Buffering": "no"}
        )
        response.force_close()
        await response.prepare(request)
        reader = _Reader(page, asyncio.current_task(), request.transport)
        reader.put(RETRY + self._picture())
        self._readers.add(reader)
        self.opened.set()
        try:
            while (octets := await reader.messages.get()) is not None:
                async with asyncio.timeout(PATIENCE):
                    await response.write(octets)
        except TimeoutError:
            reader.drop()
        except ConnectionError:
            pass
        finally:
            self._readers.discard(reader)
        return response


def _file(text: str, kind: str) -> Callable[[web.Request], Any]:
    async def answer(request: web.Request) -> web.Response:
        return web.Response(text=text, content_type=kind)

    return answer


def _text(name: str) -> str:
    return (files(__package__) / name).read_text("utf-8")
