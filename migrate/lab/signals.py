"""Waiting for a condition by event: no polling anywhere in the lab."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Collection, Coroutine
from typing import Any

_CANCEL_AGAIN = 0.2


class Signal:
    """Says "something changed" to everybody who waits for a condition."""

    def __init__(self) -> None:
        self._waiting: set[asyncio.Future[None]] = set()

    def fire(self) -> None:
        """Let every waiter look at its condition again."""
        waiting, self._waiting = self._waiting, set()
        for future in waiting:
            if not future.done():
                future.set_result(None)

    async def until(self, predicate: Callable[[], object], timeout: float | None = None) -> None:
        """Return as soon as ``predicate()`` is true.

        Raises TimeoutError when ``timeout`` (seconds) passes first.
        """
        async with asyncio.timeout(timeout):
            while not predicate():
                future: asyncio.Future[None] = asyncio.get_running_loop().create_future()
                self._waiting.add(future)
                try:
                    await future
                finally:
                    self._waiting.discard(future)


async def first_of(**waits: Coroutine[Any, Any, object]) -> str:
    """Run all, return the name of the first that ends, cancel the others."""
    tasks = {asyncio.ensure_future(wait): name for name, wait in waits.items()}
    try:
        done, _ = await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
        for task in done:
            task.result()
        return min((tasks[task] for task in done), key=list(waits).index)
    finally:
        await end(tasks)


async def end(tasks: Collection[asyncio.Task[Any]]) -> None:
    """Cancel tasks until they have ended.

    Once is not enough: asyncio.wait_for, up to Python 3.11, swallows a cancellation that comes in
    the same moment as what it waits for, and the MQTT library waits with it.
    """
    while pending := [task for task in tasks if not task.done()]:
        for task in pending:
            task.cancel()
        await asyncio.wait(pending, timeout=_CANCEL_AGAIN)
    for task in tasks:
        if not task.cancelled():
            task.exception()  # looked at, so that nobody warns about it
