"""The house whose moves are killed: eight devices, and the files and folders of a real owner."""

from __future__ import annotations

import os
import shutil
import sqlite3
from collections.abc import Iterator, Mapping, Sequence
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Self

import migrate
from migrate.planning.make import make_plan
from migrate.planning.plan import Plan
from migrate.ports.files import load
from migrate.ports.secret_reader import SecretReader
from migrate.ports.sockets import now
from tests.engine.harness import Dev, House, Pace

from .processes import Fork, Tool, begin

FLEET = [
    Dev("lamp", "larch", login=True),
    Dev("spot", "larch", "mqtt", cover="stairs"),
    Dev("plug", "rowan", login=True),
    Dev("fan", "rowan", "mqtt"),
    Dev("vent", "sedge"),
    Dev("bell", "sedge", "mqtt"),
    Dev("eave", "larch", reach="ladder", cover="stairs"),
    Dev("attic", "rowan", "mqtt", reach="ladder", feeds="access-point"),
]
"""Every family over both transports; a cover, two hard to reach, and one that feeds the others.
It makes four waves."""
PACE = Pace(stranded_at_most=2, confidence=0.6, soak_seconds=0.4, least=5, most=20)
"""The soak is longer than what lies between an answer and the restart that it announces (0.2 s, the
manuals) and the restart itself: else a device that a process before had restarted, and that is told
to restart once more, is well for the whole soak just before it goes."""


class KilledHouse(House):
    """Enter it with `async with`: the devices are up, and the frozen plan is a file."""

    def __init__(
        self,
        folder: Path,
        fork: Fork | None,
        *,
        anew: bool = False,
        fleet: Sequence[Dev] = FLEET,
    ) -> None:
        super().__init__(folder, fleet, change=("wifi", "broker"), old_login=True, pace=PACE)
        self.plan_file = folder / "plan.json"
        self.said = folder / "said"
        self._fork, self._anew = fork, anew
        self._env: Mapping[str, str] = {
            "PATH": os.environ["PATH"],
            "HOME": str(self._folder("home")),
            "TMPDIR": str(self._folder("tmp")),
            "NO_PROXY": "127.0.0.0/8",
            # The same devices are in many houses at once.
            "MIGRATE_LOCKS": str(self._folder("locks")),
        }
        self.owned: dict[Path, bytes] = {}

    async def __aenter__(self) -> Self:
        await self.lab.__aenter__()
        for unit in self.lab.units.values():
            # As in a real house, no device has been started just now.
            unit._booted_at -= self.age
        self.before = {name: unit.store for name, unit in self.lab.units.items()}
        self._write_files()
        self.plan_file.write_text(self.make_plan().to_json(), encoding="utf-8")
        self.owned = {path: path.read_bytes() for path in self._owners_files()}
        return self

    async def __aexit__(self, *error: object) -> None:
        await self.lab.__aexit__(None, None, None)

    def make_plan(self) -> Plan:
        """The plan that `migrate plan` would freeze."""
        inputs = load(self.fleet, self.playbook)
        return make_plan(
            inputs.fleet,
            inputs.playbook,
            inputs.dialects,
            SecretReader().resolve,
            inputs.sources,
            created=now().isoformat(timespec="seconds"),
            tool=migrate.__version__,
        )

    async def begin(self, command: str) -> Tool:
        """run, resume or rollback, in a process of its own."""
        about = [str(self.plan_file)] if command == "run" else []
        args = [command, *about, "--state", str(self.state)]
        assert self._fork is not None
        return await begin(self._fork, args, self._env, self.said, anew=self._anew)

    @property
    def journals(self) -> list[Path]:
        """The journals of all runs, the newest last."""
        return sorted((self.state / "runs").glob("*/journal.sqlite3"))

    @property
    def lock_file(self) -> Path:
        """Where the tool locks its devices."""
        return self.folder / "locks" / "migrate-devices.lock"

    @contextmanager
    def copied(self) -> Iterator[sqlite3.Connection | None]:
        """The newest journal as it lies on the disk, read from a copy: merely to open a database
        may mend it, and that is for the tool to do. None if there is none, or it has no tables."""
        if not self.journals:
            yield None
            return
        place = self.folder / "copy"
        shutil.copytree(self.journals[-1].parent, place)
        try:
            with closing(sqlite3.connect(place / "journal.sqlite3")) as db:
                tables = db.execute("SELECT count(*) FROM sqlite_schema").fetchone()
                yield None if tables == (0,) else db
        finally:
            shutil.rmtree(place)

    def _owners_files(self) -> list[Path]:
        secrets = sorted((self.folder / "secrets").iterdir())
        return [self.fleet, self.playbook, self.plan_file, *secrets]

    def _folder(self, name: str) -> Path:
        place = self.folder / name
        place.mkdir(mode=0o700)
        return place
