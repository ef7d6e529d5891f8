"""A whole life by the command line, each command in a process of its own, killed in the middle.

The house is in this process; whatever the commands print and leave behind is looked through for
secrets.
"""

from __future__ import annotations

import asyncio
import os
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from migrate.lab import BrokerKind, Fault, FaultKind, MosquittoBroker, two_networks_possible
from migrate.model.problems import Exit
from tests.engine.harness import SECRETS, Change, Dev, House, Pace
from tests.engine.scan import leaks, leaks_in_folder

SSIDS = ("old-net", "new-net")
FLEET = [
    Dev("a-pilot", "larch", login=True),
    Dev("lamp", "larch", "mqtt"),
    Dev("plug", "rowan", login=True),
    Dev("radio", "rowan", "mqtt", cover="music"),
    Dev("fan", "sedge", cover="music"),
    Dev("rail", "sedge", "mqtt", fault=Fault(FaultKind.DECLINES, 1)),
]


class Shell:
    """Runs commands, and keeps everything they print."""

    def __init__(self, house: House) -> None:
        self._house = house
        self.printed = b""

    async def start(self, *words: str) -> asyncio.subprocess.Process:
        """A command, in a folder of its own."""
        return await asyncio.create_subprocess_exec(
            sys.executable,
            "-m",
            "migrate",
            *words,
            cwd=self._house.folder,
            env={**os.environ, "COLUMNS": "200"},
            stdin=asyncio.subprocess.DEVNULL,
            stdout=asyncio.subprocess.PIPE,
            stderr=asyncio.subprocess.STDOUT,
        )

    async def end(self, command: asyncio.subprocess.Process) -> int:
        """Its exit code."""
        out, _ = await asyncio.wait_for(command.communicate(), 90)
        self.printed += out
        assert command.returncode is not None
        return command.returncode

    async def run(self, *words: str) -> int:
        """The exit code of a command."""
        return await self.end(await self.start(*words))

    async def killed(self, when: Callable[[], object], *words: str) -> None:
        """A command that gets SIGKILL the moment something is true in the house."""
        command = await self.start(*words)
        ended = asyncio.create_task(command.wait())
        moment = asyncio.create_task(self._house.lab.wait_until(when, 60))
        await asyncio.wait({ended, moment}, return_when=asyncio.FIRST_COMPLETED)
        assert not ended.done(), (await command.communicate())[0].decode()
        await moment
        command.kill()
        await ended
        await self.end(command)


async def test_killed_twice_declined_once_and_taken_back(tmp_path: Path) -> None:
    """Over Mosquitto where it is installed, else over the embedded broker."""
    if not two_networks_possible():
        pytest.skip("this machine has one loopback address: nothing can change its network here")
    brokers = BrokerKind.MOSQUITTO if MosquittoBroker.available() else BrokerKind.EMBEDDED
    pace = Pace(soak_seconds=0.3, least=10, most=15, reply_seconds=2, look_seconds=0.1)
    change: tuple[Change, ...] = ("wifi", "broker", "group")
    async with House(
        tmp_path, FLEET, change=change, brokers=brokers, secure=True, pace=pace
    ) as house:
        shell, state, units = Shell(house), str(house.folder / "left" / "state"), house.lab.units
        plan = str(house.folder / "left" / "a.plan.json")
        assert await shell.run("plan", "playbook.toml", "--to", plan) == Exit.DONE

        # Killed when the first device has taken its bundle, and when half the next have.
        def taken() -> int:
            return sum(len(unit.messages_that_changed) for unit in units.values())

        await shell.killed(lambda: taken() == 1, "run", plan, "--state", state)
        await shell.killed(lambda: taken() >= 3, "resume", "--state", state)
        code = await shell.run("resume", "--state", state)
        for _ in range(3):
            if code != Exit.DONE:
                code = await shell.run("resume", "--again", "rail", "--state", state)
        assert code == Exit.DONE
        assert [name for name in units if not house.moved(name)] == []
        assert {house.bundles(name) for name in units} == {1}

        assert await shell.run("status", "--state", state) == Exit.DONE
        await shell.killed(lambda: taken() >= 8, "rollback", "--state", state)
        code = await shell.run("rollback", "--state", state)
        for _ in range(3):
            if code != Exit.DONE:
                code = await shell.run("rollback", "--state", state)
        assert code == Exit.DONE
        assert [name for name in units if not house.as_before(name)] == []
        assert await shell.run("report", "--state", state) == Exit.DONE

        assert b"Traceback" not in shell.printed
        assert leaks(shell.printed, SECRETS, SSIDS) == []
        assert leaks_in_folder(house.folder / "left", SECRETS, SSIDS) == {}
