"""Three homes with real devices of the lab, three workers as processes of their own, one store.

Each worker reaches the store through a line of its own. Whoever is killed is started again, as a
service manager does.
"""

from __future__ import annotations

import asyncio
import signal
import sys
from collections.abc import Mapping, Sequence
from contextlib import AsyncExitStack
from pathlib import Path
from typing import Self

from migrate.model.problems import Exit
from tests.engine.harness import Dev
from tests.kills.house import KilledHouse

from .line import Line
from .postgres import OWNER, Postgres

ROOT = Path(__file__).parents[2]
SITES = ("alder", "birch", "cedar")
FLEETS: Mapping[str, list[Dev]] = {
    "alder": [Dev("lamp", "larch"), Dev("fan", "rowan", "mqtt"), Dev("bell", "sedge", "mqtt")],
    "birch": [
        Dev("lamp", "larch", login=True),
        Dev("spot", "larch", "mqtt", cover="stairs"),
        Dev("eave", "larch", reach="ladder", cover="stairs"),
        Dev("plug", "rowan"),
    ],
    "cedar": [
        Dev("vent", "sedge"),
        Dev("fan", "rowan", "mqtt"),
        Dev("attic", "rowan", "mqtt", reach="ladder", feeds="access-point"),
    ],
}
KILLED = -signal.SIGKILL
AGAIN = frozenset({KILLED, int(Exit.UNREACHABLE)})
"""After these a service manager starts it once more; the store may have been away at the start."""


class Process:
    """A command that is started again whenever it was killed. `code` is that of its own end."""

    def __init__(
        self,
        name: str,
        args: list[str],
        env: Mapping[str, str],
        folder: Path,
        again: frozenset[int] = AGAIN,
        inside: Sequence[str] = (),
    ) -> None:
        self.name = name
        self.args = args
        self.said = folder / f"{name}.said"
        self._env, self._folder, self._again = env, folder, again
        self._inside = inside
        self._now: asyncio.subprocess.Process | None = None
        self.starts = 0
        self.over = asyncio.create_task(self._kept())

    async def _kept(self) -> int:
        while True:
            with self.said.open("ab") as said:
                self._now = await asyncio.create_subprocess_exec(
                    *self._inside,
                    sys.executable,
                    "-m",
                    "migrate",
                    *self.args,
                    env=dict(self._env),
                    cwd=self._folder,
                    stdout=said,
                    stderr=said,
                    stdin=asyncio.subprocess.DEVNULL,
                )
            self.starts += 1
            code = await self._now.wait()
            if code not in self._again:
                return code

    def send(self, number: int) -> bool:
        """Send a signal; whether there was somebody to get it."""
        if self._now is None or self._now.returncode is not None:
            return False
        self._now.send_signal(number)
        return True

    async def end(self, seconds: float = 30) -> int:
        """Ask it to leave, and wait; its exit code. Killed if it stays."""
        self.send(signal.SIGTERM)
        try:
            async with asyncio.timeout(seconds):
                return await asyncio.shield(self.over)
        finally:
            if not self.over.done():
                self.over.cancel()
                self.send(signal.SIGKILL)


class Trio:
    """Enter it with `async with`: devices and workers are up, and the campaign is planned."""

    def __init__(
        self,
        folder: Path,
        *,
        postgres: bool = True,
        pace: str = "",
        after: Mapping[str, str] | None = None,
        fleets: Mapping[str, list[Dev]] = FLEETS,
    ) -> None:
        self.folder = folder
        self.pace = pace or "held_at_most = 2\nconfidence = 0.6"
        self.after, self.fleets = after or {}, fleets
        self.homes: dict[str, KilledHouse] = {}
        self.lines: dict[str, Line] = {}
        self.workers: dict[str, Process] = {}
        self.postgres = Postgres(*(f"site_{name}" for name in SITES)) if postgres else None
        self._server = asyncio.Lock()
        self._stack = AsyncExitStack()

    async def __aenter__(self) -> Self:
        try:
            for name in SITES:
                (self.folder / name).mkdir()
                home = KilledHouse(self.folder / name, None, fleet=self.fleets[name])
                self.homes[name] = await self._stack.enter_async_context(home)
            if self.postgres:
                self._stack.enter_context(self.postgres)
                for name in SITES:
                    line = Line(self.postgres.port)
                    self.lines[name] = await self._stack.enter_async_context(line)
                accounts: dict[str, str | None] = {name: f"site_{name}" for name in SITES}
                await asyncio.to_thread(self.postgres.prepare, accounts)
                self.postgres.keep_words(self.folder)
            self._write_files()
            for name in SITES:
                self.start_worker(name)
            if (code := await self.command("campaign", "plan")) != 0:
                raise RuntimeError(f"the campaign was not planned: {code}\n{self.said()}")
        except BaseException:
            await self.__aexit__()
            raise
        return self

    async def __aexit__(self, *error: object) -> None:
        for line in self.lines.values():
            line.mend()
        for worker in self.workers.values():
            await worker.end()
        await self._stack.aclose()

    def start_worker(self, name: str) -> Process:
        """A worker with the file that is its site's alone."""
        home = self.homes[name]
        args = ["worker", "--site", name, f"{name}/worker.toml", "--state", str(home.state)]
        self.workers[name] = Process(name, args, self.env(name), self.folder)
        return self.workers[name]

    def coordinator(self, *args: str) -> Process:
        """`migrate campaign ...` with these arguments, started again when it is killed."""
        return Process("coordinator", ["campaign", *args], self.env(SITES[0]), self.folder)

    async def command(self, *args: str) -> int:
        """Run a command to its end; its exit code."""
        one = Process("command", list(args), self.env(SITES[0]), self.folder, frozenset())
        return await one.over

    async def heard(self, name: str, words: str) -> None:
        """Return when a process has said that."""
        place = self.folder / f"{name}.said"
        # A file tells nobody when it grows.
        while not place.exists() or words not in self.said(name):  # noqa: ASYNC110
            await asyncio.sleep(0.02)

    def said(self, name: str = "command") -> str:
        """What a process has said so far."""
        return (self.folder / f"{name}.said").read_text(encoding="utf-8")

    def env(self, name: str) -> dict[str, str]:
        """A small environment; every site is a machine of its own."""
        return {
            **self.homes[name]._env,
            "PYTHONPATH": str(ROOT),
            "PYTHONUNBUFFERED": "1",
        }

    async def server_away(self, seconds: float) -> None:
        """The database server is killed, and started again after so long; one at a time."""
        assert self.postgres is not None
        async with self._server:
            await asyncio.to_thread(self.postgres.kill)
            await asyncio.sleep(seconds)
            await asyncio.to_thread(self.postgres.start)

    def _write_files(self) -> None:
        site = '[[site]]\nname = "{0}"\naccount = "site_{0}"\n'
        everybody = "".join(
            site.format(name) + (f'after = ["{self.after[name]}"]\n' if name in self.after else "")
            for name in SITES
        )
        head = f'title = "three homes"\n[pace]\n{self.pace}\n'
        own = self._store(None)
        (self.folder / "campaign.toml").write_text(head + own + everybody, encoding="utf-8")
        for name in SITES:
            text = self._store(name) + site.format(name)
            text += 'playbook = "playbook.toml"\nfleet = "fleet.toml"\n'
            if self.postgres:
                text += f'password = {{ file = "../site_{name}.word" }}\n'
            (self.folder / name / "worker.toml").write_text(text, encoding="utf-8")

    def _store(self, name: str | None) -> str:
        if self.postgres is None:
            file = self.folder / "campaign.sqlite3"
            return f'[store]\nfile = "{file}"\n'
        port = self.lines[name].port if name else self.postgres.port
        text = f'[store]\nhost = "127.0.0.1"\nport = {port}\n'
        if name is None:
            text += f'account = "{OWNER}"\npassword = {{ file = "{OWNER}.word" }}\n'
        return text


def no_traceback(text: str) -> list[str]:
    """Signs that a process has made a mistake."""
    return [sign for sign in ("Traceback", "made a mistake", "Exception") if sign in text]
