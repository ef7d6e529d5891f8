"""Lines for another program, on standard output: whoever reads them never holds up a run."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from queue import SimpleQueue
from threading import Event, Thread
from typing import IO


class Lines:
    """Writes lines in a thread of its own, each at once. A reader that is slow is waited for at the
    end alone; one that has gone away, or a disk that is full, is not written to any more. `stream`:
    None is none at all, where a shell has closed it."""

    def __init__(self, stream: IO[str] | None) -> None:
        self._put = _writer(stream) if stream else lambda words: None
        self._queue: SimpleQueue[str | Event | None] = SimpleQueue()
        # A daemon: when Ctrl-C ends the tool, a reader that does not read cannot keep it.
        self._thread = Thread(target=self._work, name="lines", daemon=True)
        self._thread.start()

    def write(self, line: str) -> None:
        """One line, without its end. Returns at once."""
        self._queue.put(line)

    def drain(self) -> None:
        """Return when all that was put in so far is written, or cannot be."""
        done = Event()
        self._queue.put(done)
        done.wait()

    def leave(self) -> None:
        """Nothing more will come; returns at once."""
        self._queue.put(None)

    def close(self) -> None:
        """Return when everything is written, or cannot be."""
        self._queue.put(None)
        self._thread.join()

    def _work(self) -> None:
        well = True
        while (line := self._queue.get()) is not None:
            if isinstance(line, Event):
                line.set()
                continue
            try:
                if well:
                    self._put(f"{line}\n")
            except Exception:  # noqa: BLE001 - somebody may wait for this thread
                well = False


def _writer(stream: IO[str]) -> Callable[[str], object]:
    """Writes past the stream's buffer: at its end Python would write once more what is in there,
    and wait for a lock that the thread may hold."""
    stream.flush()
    try:
        number = stream.fileno()
    except (OSError, ValueError):
        return stream.write  # it is no file of the system

    encoding = getattr(stream, "encoding", None) or "utf-8"

    def write(words: str) -> None:
        rest = words.encode(encoding, "backslashreplace")
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
