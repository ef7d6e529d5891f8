"""Listening to the person at the terminal while other work goes on in the same loop."""

from __future__ import annotations

import asyncio
import os
import signal
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Final

ENDS: Final = (signal.SIGINT, signal.SIGTERM)
"""Signals by which a person ends what goes on until they do: Ctrl-C, and kill(1)."""


@contextmanager
def at_the_end(stop: Callable[[], None], *numbers: signal.Signals) -> Iterator[None]:
    """Calls `stop` at each of these signals while the block runs."""
    loop = asyncio.get_running_loop()
    for number in numbers:
        loop.add_signal_handler(number, stop)
    try:
        yield
    finally:
        for number in numbers:
            loop.remove_signal_handler(number)


async def entered() -> bool:
    """Return when Enter was pressed; False for Ctrl-C, or if the terminal is gone. Where there is
    none, this waits until it is cancelled."""
    loop = asyncio.get_running_loop()
    answer: asyncio.Future[bool] = loop.create_future()
    if not sys.stdin.isatty():
        return await answer
    handle = sys.stdin.fileno()

    def settle(*, yes: bool) -> None:
        if not answer.done():
            answer.set_result(yes)

    def read() -> None:
        try:
            settle(yes=bool(os.read(handle, 4096)))
        except OSError:
            settle(yes=False)

    loop.add_reader(handle, read)
    loop.add_signal_handler(signal.SIGINT, lambda: settle(yes=False))
    try:
        return await answer
    finally:
        loop.remove_reader(handle)
        loop.remove_signal_handler(signal.SIGINT)
