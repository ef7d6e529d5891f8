"""Things served by node-wot, from description to rollback: software that none of us wrote.

Source: W3C Web of Things Thing Description 1.1 as node-wot 0.8.16 serves it (its newest version
with MQTT). It does not check digest at all, and bearer not by that name, so a check stands in front
of it for the latter and digest is not shown here (tests/ports/test_http.py has it).
"""

from __future__ import annotations

import asyncio
import json
import os
import shutil
import tomllib
from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, NoReturn

import pytest

from migrate.lab.brokers import MosquittoBroker
from migrate.lab.ports import free_port
from migrate.lab.signals import Signal
from migrate.model.problems import Exit
from tests.cli.paper import Ended
from tests.commands import migrate

HERE = Path(__file__).parent
pytestmark = [pytest.mark.long, pytest.mark.timeout(120)]
OLD = {"ssid": "mill-old", "key": "cobble stone 1881"}
NEW = {"ssid": "mill-new", "key": "granite kerb 2014"}
WORDS = {"OLD_BROKER": "Tr0wel-dusk", "NEW_BROKER": "Fl1nt-dawn", "TOKEN": "b3arer-of-this-lamp"}


def missing(words: str) -> NoReturn:
    """Skip, or fail where things are required."""
    if os.environ.get("MIGRATE_THINGS") == "required":
        pytest.fail(words)
    pytest.skip(words)


@pytest.fixture(autouse=True)
def _possible() -> None:
    if shutil.which("node") is None:
        missing("no node here: install your system's package nodejs")
    if not (HERE / "node_modules" / "@node-wot" / "core").is_dir():
        missing("no node-wot here: run npm install --no-package-lock in tests/wot")
    if not MosquittoBroker.available():
        missing("no mosquitto here: install your system's package")


@dataclass
class Thing:
    """One thing at work, and what it has told."""

    title: str
    mac: str
    process: asyncio.subprocess.Process
    said: dict[str, Any]
    events: list[dict[str, Any]] = field(default_factory=list)

    @property
    def now(self) -> dict[str, Any]:
        """Its last word; empty before the first."""
        return self.events[-1] if self.events else {}

    @property
    def network(self) -> str | None:
        """Where it is up."""
        up = self.now.get("network")
        return str(up) if up else None


class Mill:
    """Two networks on loopback, a broker on each, and things."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.port = free_port()
        self.things: list[Thing] = []
        self.changed = Signal()
        self.broker_port = free_port()
        self.leases = {side: folder / f"{side}.leases" for side in ("old", "new")}
        for file in self.leases.values():
            file.touch()

    async def command(self, *args: str | Path) -> Ended:
        """The real command."""
        environment = {
            "PATH": os.environ["PATH"],
            "HOME": str(self.folder),
            "XDG_STATE_HOME": str(self.folder / "state"),
            "MIGRATE_LOCKS": str(self.folder / "locks"),
            "OLD_WIFI": OLD["key"],
            "NEW_WIFI": NEW["key"],
            **WORDS,
        }
        return await migrate(args, self.folder, environment, 60)

    async def until(self, predicate: Any) -> None:
        """Asked at every word of a thing."""
        await self.changed.until(predicate, 15)

    def wheres(self) -> list[str | None]:
        """The network each thing is up on."""
        return [thing.network for thing in self.things]

    def write_files(self, fleet: str, change: str, old: str = "") -> None:
        """The owner's files."""
        (self.folder / "fleet.toml").write_text(fleet)
        (self.folder / "mill.toml").write_text(
            f"""
title = "Mill"
{change}
[old]
subnet = "127.20.0.0/16"
leases = "old.leases"
wifi = {{ ssid = "{OLD["ssid"]}", secret = {{ env = "OLD_WIFI" }} }}
{old}
[new]
subnet = "127.30.0.0/16"
leases = "new.leases"
[pace]
stranded_at_most = 2
soak_seconds = 0.3
look_seconds = 0.1
reply_seconds = 2
deadline_seconds = {{ least = 4, most = 15 }}
"""
        )


@asynccontextmanager
async def mill(
    folder: Path, titles: Sequence[str], *, scheme: str = "nosec", mqtt: bool = False
) -> AsyncIterator[Mill]:
    one = Mill(folder)
    brokers = [
        MosquittoBroker("127.20.0.1", one.broker_port, "mill", WORDS["OLD_BROKER"]),
        MosquittoBroker("127.30.0.1", one.broker_port, "mill-new", WORDS["NEW_BROKER"]),
    ]
    reading: list[asyncio.Task[None]] = []
    try:
        for broker in brokers if mqtt else ():
            await broker.start()
        for number, title in enumerate(titles, 1):
            thing = await begin(one, number, title, scheme, mqtt=mqtt)
            one.things.append(thing)
            reading.append(asyncio.create_task(listen(one, thing)))
        await one.until(lambda: one.wheres() == ["old"] * len(titles))
        yield one
    finally:
        for thing in one.things:
            if thing.process.stdin:
                thing.process.stdin.close()
            try:
                async with asyncio.timeout(5):
                    await thing.process.wait()
            except TimeoutError:
                thing.process.kill()
                await thing.process.wait()
        for task in reading:
            task.cancel()
        await asyncio.gather(*reading, return_exceptions=True)
        for broker in brokers if mqtt else ():
            await broker.stop()


async def begin(one: Mill, number: int, title: str, scheme: str, *, mqtt: bool) -> Thing:
    mac = f"00-00-5E-00-53-{number:02X}"
    said = {
        "title": title,
        "mac": mac.lower().replace("-", ":"),
        "scheme": scheme,
        "token": WORDS["TOKEN"],
        "port": one.port,
        "mqtt": mqtt,
        "td": str(one.folder / f"{number}.td.json"),
        "networks": [
            {
                "name": name,
                **access,
                "address": f"127.{net}.0.{10 + number}",
                "leases": str(one.leases[name]),
            }
            for name, access, net in (("old", OLD, 20), ("new", NEW, 30))
        ],
        "settings": {
            **OLD,
            "host": "127.20.0.1",
            "port": one.broker_port,
            "user": "mill",
            "word": WORDS["OLD_BROKER"],
        },
    }
    process = await asyncio.create_subprocess_exec(
        "node", "thing.mjs",
        cwd=HERE, stdin=asyncio.subprocess.PIPE, stdout=asyncio.subprocess.PIPE,
        stderr=(one.folder / f"{number}.log").open("wb"),
    )  # fmt: skip
    assert process.stdin
    process.stdin.write(json.dumps(said).encode() + b"\n")
    return Thing(title, mac, process, said)


async def listen(one: Mill, thing: Thing) -> None:
    assert thing.process.stdout
    async for line in thing.process.stdout:
        if line.startswith(b"{"):
            thing.events.append(json.loads(line))
            one.changed.fire()


WIFI = f'[wifi]\nssid = "{NEW["ssid"]}"\nsecret = {{ env = "NEW_WIFI" }}'


async def test_found_surveyed_moved_and_rolled_back_over_http(tmp_path: Path) -> None:
    async with mill(tmp_path, ["lamp", "lamp"]) as one:
        made = await one.command("dialect", "from-thing", "1.td.json", "--to", "dialects/lamp.toml")
        assert made.code == Exit.DONE, made.all
        found = await one.command("find", "--range", "127.20.0.8/29", "--write")
        assert found.code == Exit.DONE, found.all
        devices = tomllib.loads((tmp_path / "fleet.toml").read_text())["device"]
        assert [d["mac"] for d in devices] == [thing.mac for thing in one.things]
        one.write_files((tmp_path / "fleet.toml").read_text(), WIFI)

        surveyed = await one.command("survey", "mill.toml")
        assert surveyed.code == Exit.DONE, surveyed.all
        planned = await one.command("plan", "mill.toml")
        assert planned.code == Exit.DONE, planned.all
        moved = await one.command("run", "mill.plan.json")
        assert moved.code == Exit.DONE, moved.all
        assert one.wheres() == ["new", "new"]
        back = await one.command("rollback")
        assert back.code == Exit.DONE, back.all
        assert one.wheres() == ["old", "old"]
        (run,) = (tmp_path / "state" / "migrate" / "runs").iterdir()
        same = await one.command("survey", "mill.toml", "--against", run.name)
        assert same.code == Exit.DONE, same.all


async def test_moved_to_another_network_and_broker_over_mqtt(tmp_path: Path) -> None:
    async with mill(tmp_path, ["lamp-1", "lamp-2"], mqtt=True) as one:
        made = await one.command(
            "dialect", "from-thing", "1.td.json",
            "--instance", "lamp-1", "--name", "lamp", "--to", "dialects/lamp.toml",
        )  # fmt: skip
        assert made.code == Exit.DONE, made.all
        dialect = tomllib.loads((tmp_path / "dialects" / "lamp.toml").read_text())
        assert dialect["write"]["mqtt"]["topic"] == "{topic}/actions/change"
        fleet = "".join(
            f'[[device]]\nname = "{t.title}"\nmac = "{t.mac}"\ndialect = "lamp"\n'
            f'via = "mqtt"\ntopic = "{t.title}"\n'
            for t in one.things
        )
        broker = (
            f'[broker]\nhost = "127.30.0.1"\nport = {one.broker_port}\nusername = "mill-new"\n'
            'password = { env = "NEW_BROKER" }'
        )
        old = (
            f'broker = {{ host = "127.20.0.1", port = {one.broker_port}, username = "mill", '
            'password = { env = "OLD_BROKER" } }'
        )
        one.write_files(fleet, f"{WIFI}\n{broker}", old)
        planned = await one.command("plan", "mill.toml")
        assert planned.code == Exit.DONE, planned.all
        moved = await one.command("run", "mill.plan.json")
        assert moved.code == Exit.DONE, moved.all
        assert one.wheres() == ["new", "new"]
        changed = [e["settings"] for t in one.things for e in t.events if e["what"] == "changed"]
        assert [said["host"] for said in changed] == ["127.30.0.1", "127.30.0.1"]
        back = await one.command("rollback")
        assert back.code == Exit.DONE, back.all
        assert one.wheres() == ["old", "old"]


@pytest.mark.parametrize("scheme", ["basic", "bearer"])
async def test_a_login(tmp_path: Path, scheme: str) -> None:
    async with mill(tmp_path, ["lamp"], scheme=scheme) as one:
        made = await one.command("dialect", "from-thing", "1.td.json", "--to", "dialects/lamp.toml")
        assert made.code == Exit.DONE, made.all
        dialect = tomllib.loads((tmp_path / "dialects" / "lamp.toml").read_text())
        assert dialect["http"]["auth"] == scheme
        login = (
            'token = { env = "TOKEN" }'
            if scheme == "bearer"
            else 'username = "owner", password = { env = "TOKEN" }'
        )
        device = f'[[device]]\nname = "lamp"\nmac = "{one.things[0].mac}"\ndialect = "lamp"\n'
        one.write_files(device, WIFI)
        assert (await one.command("plan", "mill.toml")).code == Exit.DONE
        stranger = await one.command("run", "mill.plan.json", "--dry-run")
        assert stranger.code == Exit.UNREACHABLE, stranger.all
        one.write_files(f"{device}login = {{ {login} }}\n", WIFI)
        assert (await one.command("plan", "mill.toml")).code == Exit.DONE
        moved = await one.command("run", "mill.plan.json")
        assert moved.code == Exit.DONE, moved.all
        assert one.wheres() == ["new"]
        assert WORDS["TOKEN"] not in stranger.all + moved.all
