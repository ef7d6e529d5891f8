"""A line that looks at what passes: what changes a device, to whom it goes, and when.

What is a change is told by the manuals (docs/manuals), not by the tool's own dialects.
"""

from __future__ import annotations

import asyncio
import json
from collections.abc import Awaitable, Callable, Mapping
from dataclasses import dataclass, field, replace
from typing import Any
from urllib.parse import unquote_to_bytes

from migrate.dialects.messages import HttpRequest, Reply, Request
from migrate.ports.protocols import At, Line, World

from .harness import House

Hook = Callable[["Passed"], Awaitable[None] | None]


@dataclass(frozen=True)
class Passed:
    """One request: loop time in seconds, the device it is for, and where all devices were then."""

    at: float
    name: str
    kind: str
    text: bytes
    where: Mapping[str, str]


@dataclass
class Watch:
    """Records every request of a house's conductor. Hooks see it before it leaves, and after its
    reply came (not if none came)."""

    house: House
    passed: list[Passed] = field(default_factory=list)
    before: list[Hook] = field(default_factory=list)
    after: list[Hook] = field(default_factory=list)

    def __call__(self, world: World) -> World:
        return replace(world, line=_Watched(world.line, self))

    @property
    def writes(self) -> list[Passed]:
        """Settings messages, in order."""
        return [one for one in self.passed if one.kind == "write"]

    def written(self) -> list[str]:
        """Names of the devices that were sent settings, in order."""
        return [one.name for one in self.writes]

    def look_at(self, request: Request, at: At) -> Passed:
        """The request as it is recorded."""
        lab = self.house.lab
        kind, text = kind_of(request)
        where = {name: lab.where(name) for name in lab.units}
        return Passed(asyncio.get_running_loop().time(), self._name(request, at), kind, text, where)

    def _name(self, request: Request, at: At) -> str:
        lab = self.house.lab
        if not isinstance(request, HttpRequest):
            word = request.topic.split("/")[1]
            return next(name for name, unit in lab.units.items() if unit.spec.topic == word)
        for server in lab.dhcp.values():
            for lease in server.leases.values():
                if str(lease.address) == at.address:
                    return lease.hostname
        raise AssertionError(f"{at.address} was never leased to anybody")


@dataclass(frozen=True)
class _Watched:
    line: Line
    watch: Watch

    async def exchange(self, request: Request, at: At, seconds: float) -> Reply:
        one = self.watch.look_at(request, at)
        self.watch.passed.append(one)
        await _call(self.watch.before, one)
        reply = await self.line.exchange(request, at, seconds)
        await _call(self.watch.after, one)
        return reply


async def _call(hooks: list[Hook], one: Passed) -> None:
    for hook in list(hooks):
        result = hook(one)
        if result is not None:
            await result


def kind_of(request: Request) -> tuple[str, bytes]:
    """read, write or restart, and the message; by the manuals."""
    if isinstance(request, HttpRequest):
        if request.target.startswith("/do?say="):
            return _sedge(unquote_to_bytes(request.target.partition("say=")[2]))
        if request.target == "/call":
            return _rowan(request.body)
        return ("write" if request.method == "PATCH" else "read"), request.body
    family, _, verb = request.topic.split("/")
    if family == "sedge":
        return _sedge(request.payload)
    if family == "rowan":
        return _rowan(request.payload)
    return ("write" if verb == "patch" else "read"), request.payload


def _sedge(message: bytes) -> tuple[str, bytes]:
    return {b"report": "read", b"restart": "restart"}.get(message, "write"), message


def _rowan(message: bytes) -> tuple[str, bytes]:
    call: dict[str, Any] = json.loads(message)
    kinds = {"settings.show": "read", "unit.restart": "restart"}
    # The identifier differs from message to message; the settings must not.
    return kinds.get(call["method"], "write"), json.dumps(call.get("params")).encode()
