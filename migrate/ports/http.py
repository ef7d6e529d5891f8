"""HTTP to devices, by httpx. One connection an exchange, no redirects, no proxies, bounded bodies.

No exception of httpx is ever shown: its words may hold the URL, and with it a secret.
"""

from __future__ import annotations

import asyncio
from types import TracebackType
from typing import Self

import httpx

from migrate.dialects.messages import HttpRequest, Reply
from migrate.ports.protocols import At, NoReply, NotDelivered

MAX_REPLY_OCTETS = 256 * 1024
"""Longest reply that is read. Devices of this size answer in a few kilobytes (common practice)."""

_NOT_DELIVERED = (httpx.ConnectError, httpx.ConnectTimeout, httpx.PoolTimeout)


class HttpLine:
    """Exchanges over HTTP; an async context manager."""

    def __init__(self, transport: httpx.AsyncBaseTransport | None = None) -> None:
        self._client = httpx.AsyncClient(
            transport=transport,
            trust_env=False,
            follow_redirects=False,
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
        call = self._client.build_request(
            request.method,
            f"http://{at.address}:{at.port}{request.target}",
            headers={**dict(request.headers), "Connection": "close"},
            content=request.body or None,
            timeout=seconds,
        )
        connected = False
        try:
            async with asyncio.timeout(seconds):
                reply = await self._client.send(call, auth=self._login(at), stream=True)
                connected = True
                try:
                    return Reply(await _bounded(reply), reply.status_code)
                finally:
                    await reply.aclose()
        except _NOT_DELIVERED:
            raise NotDelivered(f"nothing answers at {at}") from None
        except TimeoutError:
            what = "the reply did not end" if connected else "no reply"
            raise NoReply(f"{what} within {seconds:g} s from {at}") from None
        except httpx.TimeoutException:
            raise NoReply(f"no reply within {seconds:g} s from {at}") from None
        except (httpx.HTTPError, httpx.StreamError):
            raise NoReply(f"the connection to {at} broke before a whole reply") from None
        except (httpx.InvalidURL, ValueError):
            raise NotDelivered(f"the request for {at} is not possible in HTTP") from None

    def _login(self, at: At) -> httpx.Auth | None:
        if at.auth == "none" or at.password is None:
            return None
        if at not in self._auth:
            kind = httpx.BasicAuth if at.auth == "basic" else httpx.DigestAuth
            self._auth[at] = kind(at.username, at.password.reveal())
        return self._auth[at]


async def _bounded(reply: httpx.Response) -> bytes:
    body = bytearray()
    async for chunk in reply.aiter_raw():
        body += chunk
        if len(body) > MAX_REPLY_OCTETS:
            raise NoReply(f"the reply is longer than {MAX_REPLY_OCTETS} octets")
    return bytes(body)
