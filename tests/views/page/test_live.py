"""The stream of events, read by a client that is not a browser. Source: WHATWG HTML standard,
9.2 "Server-sent events"."""

from __future__ import annotations

import asyncio
import json
import re
import socket
from collections.abc import AsyncIterator
from contextlib import AsyncExitStack, asynccontextmanager
from typing import Any

import httpx
import pytest

from migrate.engine.tidings import Tidings
from migrate.model.lifecycle import State
from migrate.ports.sockets import now
from migrate.views.page import live as module
from migrate.views.page.live import LivePage
from migrate.views.scene import Scene
from migrate.views.web.place import HERE, Place
from migrate.views.web.serving import served

from .made import plan_of, scene_of

Event = tuple[str, dict[str, Any]]


@asynccontextmanager
async def listening(place: Place) -> AsyncIterator[AsyncIterator[Event]]:
    """The events of a page that is open."""
    async with (
        httpx.AsyncClient(trust_env=False, timeout=30) as client,
        client.stream("GET", f"{place.url}events") as answer,
    ):
        assert answer.headers["content-type"] == "text/event-stream; charset=utf-8"
        yield _events(answer)


async def _events(answer: httpx.Response) -> AsyncIterator[Event]:
    fields: dict[str, str] = {}
    async for line in answer.aiter_lines():
        if line:
            name, _, value = line.partition(": ")
            fields[name] = value
        elif "data" in fields:
            yield fields["event"], json.loads(fields["data"])
            fields = {}


@asynccontextmanager
async def page() -> AsyncIterator[tuple[LivePage, Scene, Place]]:
    scene = scene_of(plan_of())
    live = LivePage(scene, "a-run", now)
    async with served(live.app(), HERE) as place, live.telling():
        yield live, scene, place


def tell(live: LivePage, scene: Scene, name: str, words: str = "it said yes") -> None:
    news = Tidings("device", words, name, scene.plan.wave_of(name), State.AWAY)
    scene.take(news, now())
    live.see(news, now())


async def test_first_the_whole_then_parts_then_leave() -> None:
    async with AsyncExitStack() as held:
        async with page() as (live, scene, place):
            assert not live.opened.is_set()
            events = await held.enter_async_context(listening(place))
            kind, whole = await anext(events)
            assert live.opened.is_set()
            assert (kind, len(whole["devices"])) == ("whole", 4)
            tell(live, scene, "hall-lamp")
            tell(live, scene, "desk-lamp")
            kind, part = await anext(events)
            assert kind == "part"
            assert len(part["devices"]) == 2, "what comes together is told together"
            async with listening(place) as others:
                _, again = await anext(others)
            assert [one["state"] for one in again["devices"]].count("away") == 2
            tell(live, scene, "porch-light", "the last words")
        # The tool has left; who was there heard all of it.
        rest = [event async for event in events]
        assert "the last words" in str(rest)
        assert rest[-1][0] == "gone"


async def test_a_quiet_connection_is_heard(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "BEAT", 0.05)
    async with page() as (_, _, place), listening(place) as events:
        await anext(events)
        kind, beat = await anext(events)
        assert kind == "beat"
        assert beat["standing"]["how"] == "0 of 4 devices are on the new side."


async def test_at_most_four_parts_a_second() -> None:
    async with page() as (live, scene, place), listening(place) as events:
        await anext(events)
        loop = asyncio.get_running_loop()
        begun = loop.time()
        for number in range(5):
            tell(live, scene, "hall-lamp", f"word {number}")
            await anext(events)
        assert loop.time() - begun > 4 * module.PAUSE * 0.9


async def test_who_does_not_read_is_dropped_and_holds_up_nobody(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(module, "PAUSE", 0)
    monkeypatch.setattr(module, "BEHIND", 4)
    monkeypatch.setattr(module, "PATIENCE", 0.2)
    async with page() as (live, scene, place):
        _, writer = await asyncio.open_connection("127.0.0.1", place.port, limit=1024)
        writer.write(f"GET /events HTTP/1.1\r\nHost: {place.authority}\r\n\r\n".encode())
        await live.opened.wait()
        async with listening(place) as events:
            await anext(events)
            number = 0
            while live.readers > 1:  # until it is dropped
                number += 1
                tell(live, scene, "hall-lamp", f"{number} " + "x" * 100_000)
                _, part = await anext(events)
                assert part["devices"][0]["words"].startswith(f"{number} ")
        assert number > 4
        writer.close()


async def test_who_does_not_read_does_not_keep_the_tool(monkeypatch: pytest.MonkeyPatch) -> None:
    """After Ctrl-C a person waits for the prompt: seconds, not more."""
    monkeypatch.setattr(module, "FAREWELL", 0.3)
    loop = asyncio.get_running_loop()
    with socket.socket() as deaf:
        deaf.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 1024)
        deaf.setblocking(False)
        async with page() as (live, scene, place):
            await loop.sock_connect(deaf, (str(place.address), place.port))
            asked = f"GET /events HTTP/1.1\r\nHost: {place.authority}\r\n\r\n"
            await loop.sock_sendall(deaf, asked.encode())
            await live.opened.wait()
            for number in range(8):
                tell(live, scene, "hall-lamp", f"{number}" * 1_000_000)
                live.show_now()
                await asyncio.sleep(0)
            begun = loop.time()
    assert loop.time() - begun < 2


async def test_a_page_that_connects_anew_takes_no_second_place(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Out of reach of the Wi-Fi nobody says farewell, and the first stream looks well from here."""
    monkeypatch.setattr(module, "PAGES", 1)
    async with page() as (live, scene, place):
        query = f"{place.url}events?page=of-a-phone"
        async with AsyncExitStack() as held:
            for _ in range(3):
                client = await held.enter_async_context(httpx.AsyncClient(trust_env=False))
                answer = await held.enter_async_context(client.stream("GET", query))
                assert answer.status_code == 200
                assert live.readers == 1
            last = _events(answer)
            assert (await anext(last))[0] == "whole"
            tell(live, scene, "hall-lamp")
            assert (await anext(last))[0] == "part"
            assert (await client.get(f"{place.url}events?page=of-another")).status_code == 503


async def test_one_picture_that_fails_is_not_the_last(monkeypatch: pytest.MonkeyPatch) -> None:
    async with page() as (live, scene, place), listening(place) as events:
        await anext(events)
        drawn, tried = live._pictures.part, asyncio.Event()

        def fail(at: object) -> dict[str, Any]:
            tried.set()
            raise OSError

        monkeypatch.setattr(live._pictures, "part", fail)
        tell(live, scene, "hall-lamp")
        await tried.wait()
        monkeypatch.setattr(live._pictures, "part", drawn)
        tell(live, scene, "desk-lamp")
        kind, part = await anext(events)
        assert (kind, len(part["devices"])) == ("part", 2)


async def test_open_pages_are_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "PAGES", 1)
    async with page() as (_, _, place), listening(place) as events:
        await anext(events)
        async with httpx.AsyncClient(trust_env=False) as client:
            answer = await client.get(f"{place.url}events")
            assert answer.status_code == 503
            assert (await client.get(place.url)).status_code == 200


async def test_nothing_comes_from_elsewhere() -> None:
    async with page() as (_, _, place), httpx.AsyncClient(trust_env=False) as client:
        for path in ("", *module.SCRIPTS, "page.css", "icon.svg"):
            answer = await client.get(place.url + path)
            assert answer.status_code == 200
            text = answer.text.replace("http://www.w3.org/2000/svg", "")
            assert not re.search(r"https?:|[\"'(=]//", text)
            assert not re.search(r"innerHTML|outerHTML|insertAdjacent|eval\(|document\.write", text)
