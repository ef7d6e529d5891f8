"""Standard output that nobody reads, that is full, or that is closed: the run goes on all the same,
and ends by its own exit code."""

from __future__ import annotations

import asyncio
import os
import sys
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

import pytest

from migrate.journal.look import looked_into
from migrate.model.problems import Exit
from migrate.ports.sockets import now

from .house import House, house
from .starter import Starter

pytestmark = pytest.mark.long

FULL = Path("/dev/full")
"""Every write fails there for want of room (full(4))."""
NOWHERE = 'exec "$@" >&-'
"""A shell that closes standard output (POSIX, Shell Command Language, 2.7.6)."""


def stalled() -> tuple[int, int]:
    """A pipe (pipe(7)) that takes nothing more until somebody reads it."""
    reading, writing = os.pipe()
    os.set_blocking(writing, False)
    try:
        while os.write(writing, b"\n" * 65536):
            pass
    except BlockingIOError:
        os.set_blocking(writing, True)
    return reading, writing


@asynccontextmanager
async def running(
    one: House, out: int, *args: str, shell: str = 'exec "$@"'
) -> AsyncIterator[asyncio.subprocess.Process]:
    """`migrate run` with a standard output of ours, killed if it has not ended by then."""
    process = await asyncio.create_subprocess_exec(
        *("sh", "-c", shell, "sh", sys.executable, "-m", "migrate", "run"),
        *(str(one.plan_file), "--state", str(one.state), *args),
        stdin=asyncio.subprocess.DEVNULL,
        stdout=out,
        stderr=asyncio.subprocess.PIPE,
        env={**os.environ, **{k: v for k, v in one.env.items() if v is not None}},
    )
    try:
        async with asyncio.timeout(30):
            yield process
    finally:
        if process.returncode is None:
            process.kill()
            await process.wait()


async def test_lines_that_nobody_reads_hold_up_no_run(tmp_path: Path, starter: Starter) -> None:
    """As in `| less`, while somebody reads its first page."""
    async with house(tmp_path, starter) as one:
        one.plan()
        reading, writing = stalled()
        async with running(one, writing) as process:
            os.close(writing)
            # Of a process that can say nothing, its last file is the only news.
            while not list(one.state.glob("runs/*/report.html")):  # noqa: ASYNC110
                await asyncio.sleep(0.05)
            assert one.wheres() == ["new", "new", "new"]
            with looked_into(one.run_folder / "journal.sqlite3", now) as journal:
                assert journal.last_of("finished")
            assert process.returncode is None  # it has more to say
            with os.fdopen(reading, "rb") as reader:
                said = await asyncio.to_thread(reader.read)
            assert await process.wait() == Exit.DONE
        lines = said.decode().splitlines()
        (last,) = (n for n, line in enumerate(lines) if line.endswith("gate after wave 3: open"))
        assert lines[last + 1] == "3 of 3 devices are on the new side"


@pytest.mark.skipif(not FULL.exists(), reason="there is no /dev/full")
@pytest.mark.parametrize("more", [[], ["--json"]])
async def test_a_full_disk_for_words_ends_no_run(
    tmp_path: Path, starter: Starter, more: list[str]
) -> None:
    async with house(tmp_path, starter) as one:
        one.plan()
        full = os.open(FULL, os.O_WRONLY)
        async with running(one, full, *more) as process:
            os.close(full)
            _, err = await process.communicate()
        assert process.returncode == Exit.DONE, err
        assert one.wheres() == ["new", "new", "new"]
        if not more:
            assert b"standard output cannot be written: No space left on device" in err


@pytest.mark.parametrize("more", [[], ["--json"]])
async def test_no_standard_output_at_all(tmp_path: Path, starter: Starter, more: list[str]) -> None:
    async with house(tmp_path, starter) as one:
        one.plan()
        async with running(one, asyncio.subprocess.DEVNULL, *more, shell=NOWHERE) as process:
            _, err = await process.communicate()
        assert process.returncode == Exit.DONE, err
        assert one.wheres() == ["new", "new", "new"]
        assert err == b""
