"""The real command in a process of its own, with an environment of its own."""

from __future__ import annotations

import asyncio
import sys
from collections.abc import Mapping, Sequence
from pathlib import Path

from migrate.model.problems import Exit
from tests.cli.paper import Ended


async def migrate(
    args: Sequence[str | Path],
    folder: Path,
    environment: Mapping[str, str],
    seconds: float,
    before: Sequence[str] = (),
) -> Ended:
    """To its end, in this folder; `before` are words in front of it, such as those of ip(8)."""
    process = await asyncio.create_subprocess_exec(
        *before, sys.executable, "-m", "migrate", *map(str, args),
        cwd=folder, env=environment, stdin=asyncio.subprocess.DEVNULL,
        stdout=asyncio.subprocess.PIPE, stderr=asyncio.subprocess.PIPE,
    )  # fmt: skip
    try:
        async with asyncio.timeout(seconds):
            out, err = await process.communicate()
    finally:
        if process.returncode is None:
            process.kill()
            await process.wait()
    return Ended(process.returncode or Exit.DONE, out.decode(), err.decode())
