"""Virtual time: an event loop that jumps to its next timer instead of waiting for it.

The loop is asyncio's own; only its selector and its clock are ours. Where nothing is ready and
no timer is set, nothing can ever happen again, and the loop says so instead of hanging.
"""

from __future__ import annotations

import asyncio
import selectors
from collections.abc import Coroutine, Generator, Mapping
from itertools import count
from typing import Any, TypeVar

T = TypeVar("T")


class Standstill(RuntimeError):
    """Nothing is ready and no timer is set: whoever waits now waits for ever."""


class _NoSockets(selectors.BaseSelector):
    """Reports no file as ready, and lets the time of a wait pass at once."""

    def __init__(self) -> None:
        self.now = 0.0
        self._known: dict[Any, selectors.SelectorKey] = {}

    def register(self, fileobj: Any, events: int, data: Any = None) -> selectors.SelectorKey:
        number = fileobj if isinstance(fileobj, int) else fileobj.fileno()
        key = selectors.SelectorKey(fileobj, number, events, data)
        self._known[fileobj] = key
        return key

    def unregister(self, fileobj: Any) -> selectors.SelectorKey:
        return self._known.pop(fileobj)

    def select(self, timeout: float | None = None) -> list[tuple[selectors.SelectorKey, int]]:
        if timeout is None:
            raise Standstill
        self.now += max(timeout, 0.0)
        return []

    def get_map(self) -> Mapping[Any, selectors.SelectorKey]:
        return self._known


class _Task(asyncio.Task[Any]):
    """A task whose place in a set does not hang on where it lies in memory: the order in which
    asyncio ends or looks through tasks is then the same in every process."""

    _numbers = count()

    def __init__(self, *args: Any, **more: Any) -> None:
        self._number = next(_Task._numbers)
        super().__init__(*args, **more)

    def __hash__(self) -> int:
        return self._number


class VirtualLoop(asyncio.SelectorEventLoop):
    """`time()` starts at 0 and moves only when everything waits."""

    def __init__(self) -> None:
        self._virtual = _NoSockets()
        super().__init__(self._virtual)
        self.set_task_factory(_make_task)

    def time(self) -> float:
        """Seconds of virtual time since the loop was made."""
        return self._virtual.now


def _make_task(
    loop: asyncio.AbstractEventLoop,
    coro: Coroutine[Any, Any, T] | Generator[Any, None, T],
    **more: Any,
) -> asyncio.Task[T]:
    return _Task(coro, loop=loop, **more)


def run_virtual(main: Coroutine[Any, Any, T]) -> T:
    """Run to its end in a new loop of virtual time. Raises Standstill if it can never end."""
    loop = VirtualLoop()
    _Task._numbers = count()
    try:
        return loop.run_until_complete(main)
    finally:
        try:
            _cancel_rest(loop)
        finally:
            loop.close()


def _cancel_rest(loop: asyncio.AbstractEventLoop) -> None:
    rest = asyncio.all_tasks(loop)
    for task in rest:
        task.cancel()
    if rest:
        loop.run_until_complete(asyncio.gather(*rest, return_exceptions=True))
