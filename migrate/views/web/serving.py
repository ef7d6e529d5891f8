"""Serving pages on this machine: only to whom they are meant for, and with all precautions that a
browser offers.

Every answer carries a content security policy (W3C Content Security Policy Level 3, Trusted Types)
under which nothing but what is served here is loaded or run. The name a browser has asked for must
be the address it is served at: otherwise a page from elsewhere could read it by pointing a name of
its own at this machine (DNS rebinding).
"""

from __future__ import annotations

import asyncio
import logging
import time
from collections.abc import AsyncIterator, Awaitable, Callable, Sequence
from contextlib import asynccontextmanager, suppress
from dataclasses import replace
from importlib.resources import files
from typing import Final
from urllib.parse import urlsplit

from aiohttp import hdrs, web
from aiohttp.typedefs import Handler, Middleware

from migrate.views.look import hash_of, style, templates
from migrate.views.web.door import Door
from migrate.views.web.listening import listen
from migrate.views.web.place import Place, check_place

CONNECTIONS: Final = 128
"""Connections at a time; one more is closed at once."""
LEAVES: Final = 0.5
"""Seconds that answers under way have, twice, when the page is taken down."""
KEPT_DAYS: Final = 7
"""How long a browser keeps the key that lets it in."""
LOOPBACKS: Final = ("localhost", "127.0.0.1", "::1")
ICONS: Final = ("/icon.svg", "/favicon.ico")
HEADERS: Final = {
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
    "Cache-Control": "no-store",
    "Cross-Origin-Resource-Policy": "same-origin",
}
_mute = logging.Logger("page")  # what browsers send, and links of one use, are nobody's log
_mute.addHandler(logging.NullHandler())


def policy(styles: Sequence[str] = ()) -> str:
    """The content security policy; `styles` are the texts of inline styles that may apply."""
    parts = (
        "default-src 'none'",
        "script-src 'self'",
        " ".join(["style-src 'self'", *map(hash_of, styles)]),
        "connect-src 'self'",
        "img-src 'self'",
        "base-uri 'none'",
        "form-action 'self'",
        "frame-ancestors 'none'",
        "require-trusted-types-for 'script'",
        "trusted-types 'none'",
    )
    return "; ".join(parts)


@asynccontextmanager
async def served(
    app: web.Application, place: Place, door: Door | None = None, *, styles: Sequence[str] = ()
) -> AsyncIterator[Place]:
    """Serve `app` while the block runs; the place it has, with its port, is handed out.

    Whoever can get there may look, if there is no door; so there must be one unless only this
    machine can. `styles` as for `policy`. Raises PageTrouble if it cannot be served there.
    """
    check_place(place)
    if door is None and not place.alone:
        raise ValueError("a page that others can get to needs a door")
    listening = listen(place)
    place = replace(place, port=listening.getsockname()[1])
    try:
        app.middlewares.append(_only_for_us(place))
        if door is not None:
            app.middlewares.append(_behind(door, place))
            app.router.add_get("/enter/{token}", _Entry(door, place).show)
            app.router.add_post("/enter/{token}", _Entry(door, place).enter)
            app.router.add_get("/door.css", _door_css)
        for path in ICONS:
            app.router.add_get(path, _icon)
        app.on_response_prepare.append(_with_headers(policy(styles), place))
        runner = web.AppRunner(
            app, access_log=None, logger=_mute, keepalive_timeout=20, shutdown_timeout=LEAVES
        )
        await runner.setup()
        try:
            loop = asyncio.get_running_loop()
            server = await loop.create_server(lambda: _protocol(runner), sock=listening)
            try:
                yield place
            finally:
                server.close()
        finally:
            await runner.cleanup()
    finally:
        listening.close()


def single(html: str) -> web.Application:
    """One page from memory, at `/`; to be given to `served`."""

    async def page(request: web.Request) -> web.Response:
        return web.Response(text=html, content_type="text/html")

    app = web.Application()
    app.router.add_get("/", page)
    return app


class _Full(asyncio.Protocol):
    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        if isinstance(transport, asyncio.Transport):
            transport.abort()


def _protocol(runner: web.AppRunner) -> asyncio.BaseProtocol:
    server = runner.server
    if server is None or len(server.connections) >= CONNECTIONS:
        return _Full()
    return server()


def _with_headers(
    csp: str, place: Place
) -> Callable[[web.Request, web.StreamResponse], Awaitable[None]]:
    async def prepare(request: web.Request, response: web.StreamResponse) -> None:
        response.headers["Content-Security-Policy"] = csp
        for name, value in HEADERS.items():
            response.headers.setdefault(name, value)
        if place.alone:  # elsewhere, without TLS, browsers would only complain of it
            response.headers["Cross-Origin-Opener-Policy"] = "same-origin"
        response.headers.pop(hdrs.SERVER, None)

    return prepare


def _only_for_us(place: Place) -> Middleware:
    """Turns away who asks for another name than this one, or posts from another page."""

    @web.middleware
    async def check(request: web.Request, handler: Handler) -> web.StreamResponse:
        if not _is_here(request.headers.get(hdrs.HOST, ""), place):
            raise web.HTTPMisdirectedRequest(text=f"This is {place.url}, and nothing else.\n")
        if _from_elsewhere(request):
            raise web.HTTPForbidden(text="This is asked for by a page of somebody else.\n")
        if request.method == hdrs.METH_POST:
            origin = urlsplit(request.headers.get(hdrs.ORIGIN, ""))
            if origin.scheme != "http" or origin.netloc != request.headers[hdrs.HOST]:
                raise web.HTTPForbidden(text="This comes from another page.\n")
        return await handler(request)

    return check


def _from_elsewhere(request: web.Request) -> bool:
    """Whether a page of another site wants this as a part of itself (W3C Fetch Metadata Request
    Headers). It could not read it; but each stream that it held open would keep somebody out.
    A link that somebody follows is no part of the page it stood on."""
    site = request.headers.get("Sec-Fetch-Site", "none")
    follows = request.headers.get("Sec-Fetch-Mode") == "navigate"
    return site not in ("none", "same-origin") and not (
        follows and request.headers.get("Sec-Fetch-Dest") == "document"
    )


def _is_here(host: str, place: Place) -> bool:
    if host == place.authority:
        return True
    if not place.alone:
        return place.port == 80 and f"{host}:80" == place.authority
    # A port that is carried here by ssh may have another number. A name from elsewhere can be
    # pointed at this machine, but it is none of these.
    with suppress(ValueError):
        return urlsplit(f"http://{host}").hostname in LOOPBACKS
    return False


def _behind(door: Door, place: Place) -> Middleware:
    @web.middleware
    async def check(request: web.Request, handler: Handler) -> web.StreamResponse:
        own = request.path.startswith("/enter/") or request.path in ("/door.css", *ICONS)
        if own or door.lets_in(request.cookies.get(_cookie(place), "")):
            return await handler(request)
        return _door_page(403, "shut")

    return check


def _cookie(place: Place) -> str:
    # Cookies are kept by host, whatever the port (RFC 6265, 8.5).
    return f"migrate-{place.port}"


class _Entry:
    """The page behind a link of one use."""

    def __init__(self, door: Door, place: Place) -> None:
        self._door, self._place = door, place

    async def show(self, request: web.Request) -> web.StreamResponse:
        """Spends nothing."""
        return self._tried(request) or _door_page(200, "open")

    async def enter(self, request: web.Request) -> web.StreamResponse:
        """Spends it, and lets this browser in."""
        if refused := self._tried(request):
            return refused
        key = self._door.enter(request.match_info["token"])
        if key is None:
            return _door_page(403, "spent")
        response = web.Response(status=303, headers={hdrs.LOCATION: "/"})
        response.set_cookie(
            _cookie(self._place),
            key,
            max_age=KEPT_DAYS * 86400,
            httponly=True,
            samesite="Strict",
        )
        return response

    def _tried(self, request: web.Request) -> web.Response | None:
        who, at = request.remote or "", time.monotonic()
        if self._door.weary_of(who, at):
            return _door_page(429, "weary")
        if not self._door.fits(request.match_info["token"]):
            self._door.guessed(who, at)
            return _door_page(403, "spent")
        return None


def _door_page(status: int, how: str) -> web.Response:
    text = templates(__package__ or "").get_template("door.html").render(how=how)
    # A form's origin is told to its own page only if a referrer may be (Fetch standard, "append a
    # request Origin header"); to other pages neither is.
    headers = {"Referrer-Policy": "same-origin"}
    if status == 429:
        headers[hdrs.RETRY_AFTER] = "60"
    return web.Response(status=status, text=text, content_type="text/html", headers=headers)


async def _door_css(request: web.Request) -> web.Response:
    return web.Response(text=style(__package__ or "", "door.css"), content_type="text/css")


async def _icon(request: web.Request) -> web.Response:
    picture = (files(__package__ or "") / "icon.svg").read_text("utf-8")
    return web.Response(text=picture, content_type="image/svg+xml")
