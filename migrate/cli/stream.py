"""Lines for another program, on standard output: whoever reads them never holds up a run."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from queue import SimpleQueue
from threading import Thread
from typing import TextIO


class Lines:
    """Writes lines in a thread of its own, each at once. A reader that is slow is waited for at the
    end alone; one that has gone away, or a disk that is full, is not written to any more."""

    def __init__(self, stream: TextIO) -> None:
        self._put = _writer(stream)
        self._queue: SimpleQueue[str | None] = SimpleQueue()
        # A daemon: when Ctrl-C ends the tool, a reader that does not read cannot keep it.
        self._thread = Thread(target=self._work, name="lines", daemon=True)
        self._thread.start()

    def write(self, line: str) -> None:
        """One line, without its end. Returns at once."""
        self._queue.put(line)

    def close(self) -> None:
        """Return when everything is written, or cannot be."""
        self._queue.put(None)
        self._thread.join()

    def _work(self) -> None:
        well = True
        while (line := self._queue.get()) is not None:
            try:
                if well:
                    self._put(f"{line}\n")
            except (OSError, ValueError):
                well = False


def _writer(stream: TextIO) -> Callable[[str], object]:
    """Writes past the stream's buffer: at its end Python would write once more what is in there,
    and wait for a lock that the thread may hold."""
    stream.flush()
    try:
        number = stream.fileno()
    except (OSError, ValueError):
        return stream.write  # it is no file of the system

    def write(words: str) -> None:
        rest = words.encode()
        while rest:
            rest = rest[os.write(number, rest) :]

    return write


@contextmanager
def lines_out() -> Iterator[Lines]:
    """Lines to standard output, all of them written when this ends."""
    lines = Lines(sys.stdout)
    try:
        yield lines
    finally:
        lines.close()
