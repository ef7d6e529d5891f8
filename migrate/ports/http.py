"""HTTP to devices, by httpx. One connection an exchange, no redirects, no proxies, bounded bodies.

No exception of httpx is ever shown: its words may hold the URL, and with it a secret.
"""

from __future__ import annotations

import asyncio
import logging
import ssl
from collections.abc import Generator
from http.cookiejar import CookieJar, DefaultCookiePolicy
from types import TracebackType
from typing import Any, Self

import httpx

from migrate.dialects.messages import HttpRequest, Reply
from migrate.ports.protocols import At, NoReply, NotDelivered

MAX_REPLY_OCTETS = 256 * 1024
"""Longest reply that is read. Devices of this size answer in a few kilobytes (common practice)."""

_NOT_DELIVERED = (httpx.ConnectError, httpx.ConnectTimeout, httpx.PoolTimeout)
_IMPOSSIBLE = (httpx.LocalProtocolError, httpx.UnsupportedProtocol, httpx.InvalidURL, ValueError)

for _name in ("httpx", "httpcore"):
    # Whatever logging is set up around this module: their lines hold URLs and headers.
    logging.getLogger(_name).setLevel(logging.CRITICAL)


class HttpLine:
    """Exchanges over HTTP; an async context manager."""

    def __init__(self, transport: httpx.AsyncBaseTransport | None = None) -> None:
        self._client = httpx.AsyncClient(
            transport=transport,
            # Devices speak plain HTTP: no certificate authority is trusted, so none is loaded.
            verify=ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT),
            trust_env=False,
            follow_redirects=False,
            # Coded bodies would be neither bounded nor understood; devices have no cookies.
            headers={"Accept-Encoding": "identity", "User-Agent": "migrate"},
            cookies=CookieJar(DefaultCookiePolicy(allowed_domains=())),
            # A kept connection to a device that restarts makes the next send ambiguous.
            limits=httpx.Limits(max_keepalive_connections=0),
        )
        self._auth: dict[At, httpx.Auth] = {}

    async def __aenter__(self) -> Self:
        await self._client.__aenter__()
        return self

    async def __aexit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        await self._client.__aexit__(kind, error, trace)

    async def exchange(self, request: HttpRequest, at: At, seconds: float) -> Reply:
        """See Line. The whole exchange takes `seconds` at most, however slowly octets drip."""
        steps = _Steps()
        try:
            call = self._client.build_request(
                request.method,
                f"http://{at.address}:{at.port}{request.target}",
                headers={**dict(request.headers), "Connection": "close"},
                content=request.body or None,
                timeout=seconds,
                # As composed, to the octet: the URL above is put in order by httpx.
                extensions={"trace": steps.note, "target": request.target.encode("ascii")},
            )
            async with asyncio.timeout(seconds):
                reply = await self._client.send(call, auth=self._login(at), stream=True)
                steps.answered = True
                try:
                    return Reply(await _bounded(reply, at), reply.status_code)
                finally:
                    await reply.aclose()
        except _NoLogin:
            raise NotDelivered(f"{at} asks for a login in a way that is not understood") from None
        except _NOT_DELIVERED:
            raise NotDelivered(f"nothing answers at {at}") from None
        except (TimeoutError, httpx.TimeoutException):
            if steps.connecting:
                raise NotDelivered(f"nothing answers at {at}") from None
            what = "the reply did not end" if steps.answered else "no reply"
            raise NoReply(f"{what} within {seconds:g} s from {at}") from None
        except _IMPOSSIBLE:
            raise NotDelivered(f"the request for {at} is not possible in HTTP") from None
        except (httpx.HTTPError, httpx.StreamError):
            raise NoReply(f"the connection to {at} broke before a whole reply") from None

    def _login(self, at: At) -> httpx.Auth | None:
        if at.auth == "none" or at.password is None:
            return None
        if at not in self._auth:
            self._auth[at] = _Login(_login_by(at, at.password.reveal()))
        return self._auth[at]


def _login_by(at: At, secret: str) -> httpx.Auth:
    if at.auth == "bearer":
        return _Bearer(secret)
    kind = httpx.BasicAuth if at.auth == "basic" else httpx.DigestAuth
    return kind(at.username, secret)


class _Bearer(httpx.Auth):
    """A token in the Authorization field (RFC 6750, section 2.1)."""

    def __init__(self, token: str) -> None:
        self._field = f"Bearer {token}"

    def auth_flow(self, request: httpx.Request) -> Generator[httpx.Request, httpx.Response, None]:
        """See httpx.Auth."""
        request.headers["Authorization"] = self._field
        yield request


class _NoLogin(Exception):
    """A device refused the request (401), and what it then asks for makes no sense. By RFC 9110,
    section 15.5.2, it has not applied the request."""


class _Login(httpx.Auth):
    """A login by httpx, for whatever challenge a device makes up: of some, its parts fail with
    errors that are none of its own."""

    def __init__(self, inner: httpx.Auth) -> None:
        self._inner = inner

    def auth_flow(self, request: httpx.Request) -> Generator[httpx.Request, httpx.Response, None]:
        """See httpx.Auth."""
        flow = self._inner.auth_flow(request)
        asked = next(flow)
        while True:
            response = yield asked
            try:
                asked = flow.send(response)
            except StopIteration:
                return
            except (httpx.ProtocolError, LookupError, NotImplementedError, TypeError, ValueError):
                raise _NoLogin from None


class _Steps:
    """How far an exchange has come; a login by digest connects twice."""

    def __init__(self) -> None:
        self.connecting = False
        self.answered = False

    async def note(self, step: str, about: dict[str, Any]) -> None:
        """httpcore's trace: `about` is not looked at."""
        if step == "connection.connect_tcp.started":
            self.connecting = True
        elif step == "connection.connect_tcp.complete":
            self.connecting = False


async def _bounded(reply: httpx.Response, at: At) -> bytes:
    body = bytearray()
    async for chunk in reply.aiter_raw():
        body += chunk
        if len(body) > MAX_REPLY_OCTETS:
            raise NoReply(f"the reply from {at} is longer than {MAX_REPLY_OCTETS} octets")
    return bytes(body)
