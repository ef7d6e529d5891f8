"""The small house on loopback: a lab in this process, commands in processes of their own."""

from __future__ import annotations

import asyncio
import os
import signal
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager, contextmanager
from ipaddress import IPv4Network
from pathlib import Path
from typing import Any

from migrate.lab import Fault, Lab, SideSpec, Unit, UnitSpec, free_ports

from .paper import SECRETS, Ended, Paper, checked
from .starter import Starter

OLD_NET, NEW_NET = IPv4Network("127.20.0.0/16"), IPv4Network("127.30.0.0/16")
LOGIN = "c4nary owner's word"
LAMP, PLUG, LIGHT = "desk-lamp", "hall-plug", "shed-light"


def units(*faulty: tuple[str, Fault]) -> list[UnitSpec]:
    """Three devices of three families. The pilot is the desk lamp, the shed light goes last."""
    faults = dict(faulty)
    quick: dict[str, Any] = {"restart_seconds": 0.05, "join_seconds": 0.02}
    about: list[tuple[str, Any, int, dict[str, Any]]] = [
        (LAMP, "larch", 1, {"http_password": LOGIN}),
        (PLUG, "rowan", 2, {}),
        (LIGHT, "sedge", 3, {}),
    ]
    return [
        UnitSpec(
            name=name,
            family=family,
            mac=f"00-00-5E-00-53-{number:02X}",
            topic=name,
            fault=faults.get(name),
            **quick,
            **more,
        )
        for name, family, number, more in about
    ]


class House(Paper):
    """Files that describe the lab as it is, and commands in other processes."""

    def __init__(
        self, folder: Path, lab: Lab, starter: Starter, *, soak: float, most: float
    ) -> None:
        self.lab = lab
        self.starter = starter
        self._soak, self._most = soak, most
        super().__init__(folder, {**SECRETS, "LAMP_LOGIN": LOGIN})

    def __post_init__(self) -> None:
        self.fleet.write_text(self._fleet(), encoding="utf-8")
        self.playbook.write_text(self._playbook(), encoding="utf-8")

    def unit(self, name: str) -> Unit:
        """A device of the lab."""
        return self.lab.units[name]

    def wheres(self) -> list[str]:
        """Where the devices really are."""
        return [self.lab.where(name) for name in self.lab.units]

    def changed(self) -> list[int]:
        """How many settings messages each device took."""
        return [len(unit.messages_that_changed) for unit in self.lab.units.values()]

    @property
    def run_folder(self) -> Path:
        """The folder of the newest run."""
        return sorted((self.state / "runs").glob("*/journal.sqlite3"))[-1].parent

    @asynccontextmanager
    async def begun(self, *args: str | Path, cwd: str | Path = "/") -> AsyncIterator[Command]:
        """A command in a process of its own, killed if it has not ended by then."""
        env = {
            "PATH": os.environ["PATH"],
            "HOME": str(self.folder),
            "XDG_STATE_HOME": str(self.folder / "xdg"),
            "MIGRATE_LOCKS": str(self.folder / "locks"),
            **{name: value for name, value in self.env.items() if value is not None},
        }
        command = Command(self.starter)
        await command.begin([str(arg) for arg in args], env, str(cwd))
        try:
            yield command
        finally:
            await command.kill()

    async def there(self, *args: str | Path, cwd: str | Path = "/") -> Ended:
        """Run a command to its end in a process of its own."""
        async with self.begun(*args, "--state", self.state, cwd=cwd) as command:
            return await command.ended()

    async def run(self, *more: str) -> Ended:
        """migrate run"""
        return await self.there("run", self.plan_file, *more)

    def in_state(self) -> bytes:
        """Every octet in the state folder, for looking for what must not be there."""
        return b"\n".join(
            path.read_bytes() for path in self.state.rglob("*") if path.is_file()
        ) + b"\n".join(str(path).encode() for path in self.state.rglob("*"))

    def _fleet(self) -> str:
        lamp, plug, light = (self.unit(name) for name in (LAMP, PLUG, LIGHT))
        return f"""
[[device]]
name = "{LAMP}"
mac = "{lamp.spec.mac}"
dialect = "larch"
address = "{lamp.address}"
port = {lamp.http_port}
topic = "{LAMP}"
place = "study"
login = {{ username = "owner", password = {{ env = "LAMP_LOGIN" }} }}

[[device]]
name = "{PLUG}"
mac = "{plug.spec.mac}"
dialect = "rowan"
via = "mqtt"
topic = "{PLUG}"
reach = "ladder"

[[device]]
name = "{LIGHT}"
mac = "{light.spec.mac}"
dialect = "sedge"
address = "{light.address}"
port = {light.http_port}
topic = "{LIGHT}"
reach = "ladder"
feeds = ["access-point"]
"""

    def _playbook(self) -> str:
        old, new = self.lab.old, self.lab.new
        return f"""
title = "New access point"

[wifi]
ssid = "quarry-loft"
secret = {{ env = "NEW_WIFI" }}

[broker]
host = "{new.broker_host}"
port = {new.broker_port}
username = "cottage"
password = {{ env = "NEW_BROKER" }}

[old]
subnet = "{OLD_NET}"
leases = "leases-old"
wifi = {{ ssid = "quarry-attic", secret = {{ env = "OLD_WIFI" }} }}
broker = {{ host = "{old.broker_host}", port = {old.broker_port} }}
feeds_own_way_back = ["{LIGHT}"]

[new]
subnet = "{NEW_NET}"
leases = "leases-new"

[pace]
soak_seconds = {self._soak}
deadline_seconds = {{ least = 1, most = {self._most} }}
reply_seconds = 2
look_seconds = 0.05
"""


@asynccontextmanager
async def house(
    folder: Path, starter: Starter, *faulty: tuple[str, Fault], soak: float = 0.1, most: float = 5
) -> AsyncIterator[House]:
    """The house with its devices up on the old side."""
    old_port, new_port, http_port = free_ports(3)
    old = SideSpec(
        ssid="quarry-attic",
        secret=SECRETS["OLD_WIFI"],
        subnet=OLD_NET,
        lease_file=folder / "leases-old",
        broker_host="127.20.0.2",
        broker_port=old_port,
    )
    new = SideSpec(
        ssid="quarry-loft",
        secret=SECRETS["NEW_WIFI"],
        subnet=NEW_NET,
        lease_file=folder / "leases-new",
        broker_host="127.30.0.2",
        broker_port=new_port,
        broker_username="cottage",
        broker_password=SECRETS["NEW_BROKER"],
    )
    async with Lab(units(*faulty), old, new, http_port=http_port) as lab:
        yield House(folder, lab, starter, soak=soak, most=most)


class Command:
    """A command that runs in another process."""

    def __init__(self, starter: Starter) -> None:
        self._starter = starter
        self._pid = 0
        self._code: int | None = None
        self._texts: dict[str, str] = {"out": "", "err": ""}
        self._said = asyncio.Event()
        self._reading: list[asyncio.Task[None]] = []
        self._pipes: dict[str, asyncio.ReadTransport] = {}

    async def begin(self, args: list[str], env: dict[str, str], cwd: str) -> None:
        """Start it, and read what it says."""
        nothing = os.open(os.devnull, os.O_RDONLY)
        out, err = os.pipe(), os.pipe()
        self._pid = self._starter.start(args, env, cwd, (nothing, out[1], err[1]))
        for end in (nothing, out[1], err[1]):
            os.close(end)
        for name, end in (("out", out[0]), ("err", err[0])):
            reader = asyncio.StreamReader()
            loop = asyncio.get_running_loop()
            self._pipes[name], _ = await loop.connect_read_pipe(
                lambda reader=reader: asyncio.StreamReaderProtocol(reader),  # type: ignore[misc]
                os.fdopen(end, "rb"),
            )
            self._reading.append(asyncio.create_task(self._read(name, reader)))

    async def until_it_says(self, words: str, where: str = "err") -> None:
        """Return when these words stood on its standard error (or "out")."""
        async with asyncio.timeout(30):
            while words not in self._texts[where]:
                await self._said.wait()
                self._said.clear()

    @property
    def said(self) -> str:
        """What stood on its standard output so far."""
        return self._texts["out"]

    def press(self, number: signal.Signals = signal.SIGINT) -> None:
        """Ctrl-C, or another signal."""
        os.kill(self._pid, number)

    def stop_reading(self) -> None:
        """As `| head -1` does: what it says is not read any more."""
        self._pipes["out"].close()

    async def ended(self) -> Ended:
        """Its end, and everything it said."""
        async with asyncio.timeout(60):
            self._code = await self._starter.wait(self._pid)
            await asyncio.gather(*self._reading)
        for pipe in self._pipes.values():
            pipe.close()
        ended = Ended(self._code, self._texts["out"], self._texts["err"])
        assert LOGIN not in ended.all
        return checked(ended)

    async def kill(self) -> None:
        """End it, if it has not ended."""
        if self._code is None:
            self.press(signal.SIGKILL)
            await self.ended()

    async def _read(self, name: str, reader: asyncio.StreamReader) -> None:
        while octets := await reader.read(65536):
            self._texts[name] += octets.decode()
            self._said.set()


@contextmanager
def elsewhere(folder: Path) -> Iterator[Path]:
    """Another folder to call commands from."""
    place = folder / "elsewhere"
    place.mkdir(exist_ok=True)
    before = Path.cwd()
    os.chdir(place)
    try:
        yield place
    finally:
        os.chdir(before)
