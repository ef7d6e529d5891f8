"""The tool in processes of their own that can be killed, and be waited for side by side."""

from __future__ import annotations

import asyncio
import os
import signal
import sys
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from tests.cli.starter import Starter

ROOT = Path(__file__).parents[2]
PYTHON = (sys.executable, "-m", "migrate")
LONGEST_SECONDS = 60.0
"""A command that takes longer hangs: that is a failure as well."""


class Fork(Starter):
    """As the starter of the command line's tests, for many waiters at a time.

    A process id that was given away twice is told apart: each end is handed out once.
    """

    def __init__(self) -> None:
        super().__init__()
        self._ends: dict[int, asyncio.Future[int]] = {}

    def begin(self, args: list[str], env: Mapping[str, str], streams: tuple[int, int, int]) -> int:
        """Fork a command; its process id."""
        asyncio.get_running_loop().add_reader(self._socket, self._hear)
        pid = self.start(args, dict(env), "/", streams)
        self._end(pid)
        return pid

    async def wait(self, pid: int) -> int:
        """The exit code of a command, negative for the signal that ended it."""
        try:
            return await self._end(pid)
        finally:
            self._ends.pop(pid, None)

    def close(self) -> None:
        """End the starter."""
        with suppress(RuntimeError):  # no loop any more: nobody reads then
            asyncio.get_running_loop().remove_reader(self._socket)
        super().close()

    def _told(self) -> dict[str, int]:
        told = super()._told()
        if "ended" in told:
            self._end(told["ended"]).set_result(told["code"])
        return told

    def _end(self, pid: int) -> asyncio.Future[int]:
        return self._ends.setdefault(pid, asyncio.get_running_loop().create_future())

    def _hear(self) -> None:
        try:
            self._told()
        except RuntimeError as error:
            asyncio.get_running_loop().remove_reader(self._socket)
            for end in self._ends.values():
                if not end.done():
                    end.set_exception(error)


@dataclass
class Tool:
    """One command. `handle` is a pidfd (pidfd_open(2)): it never means another process."""

    handle: int
    end: asyncio.Task[int]
    said: Path

    async def ended(self) -> int:
        """Its exit code; -9 if it was killed. Raises TimeoutError if it hangs, and kills it."""
        try:
            async with asyncio.timeout(LONGEST_SECONDS):
                return await asyncio.shield(self.end)
        finally:
            self.kill()
            await self.end
            if self.handle >= 0:
                os.close(self.handle)
                self.handle = -1

    def kill(self) -> None:
        """SIGKILL, which no process can catch; nothing if it has ended."""
        if self.handle >= 0:
            with suppress(ProcessLookupError):
                signal.pidfd_send_signal(self.handle, signal.SIGKILL)


async def begin(
    fork: Fork, args: list[str], env: Mapping[str, str], said: Path, *, anew: bool
) -> Tool:
    """Start a command; what it says is appended to a file. `anew`: by `python -m migrate`, with
    the time that this takes; else forked from a process that has imported the tool already."""
    nothing = os.open(os.devnull, os.O_RDONLY)
    out = os.open(said, os.O_CREAT | os.O_WRONLY | os.O_APPEND, 0o600)
    try:
        if anew:
            process = await asyncio.create_subprocess_exec(
                *PYTHON,
                *args,
                env=dict(env),
                cwd=ROOT,
                stdin=nothing,
                stdout=out,
                stderr=out,
            )
            end = asyncio.create_task(process.wait())
            pid = process.pid
        else:
            pid = fork.begin(args, env, (nothing, out, out))
            end = asyncio.create_task(fork.wait(pid))
    finally:
        os.close(nothing)
        os.close(out)
    try:
        handle = os.pidfd_open(pid)
    except ProcessLookupError:
        handle = -1  # ended already
    return Tool(handle, end, said)
