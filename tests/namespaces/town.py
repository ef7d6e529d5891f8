"""Two networks in namespaces of their own, their servers, the operator's machine, and devices.

    operator --- bridge of the old network (DHCP server, broker) --- devices
        \\------- bridge of the new network (DHCP server, broker) --- devices that moved

Addresses are those of RFC 5737, in these namespaces alone; there is no route out of them. Every
namespace has our prefix and the number of the process that made it, so that what a killed test left
behind can be told and is removed by the next.
"""

from __future__ import annotations

import asyncio
import json
import os
import shutil
import subprocess
import sys
from dataclasses import asdict, dataclass, field
from ipaddress import IPv4Network
from pathlib import Path
from types import TracebackType
from typing import Any, NoReturn, Self

import pytest

from migrate.lab.firmware.base import Store
from migrate.lab.signals import Signal
from migrate.lab.specs import Family
from tests.cli.paper import Ended
from tests.commands import migrate

from .node import BRIDGE, INTERFACE, ip

PREFIX = "mgtown"
NEEDED = ("ip", "dnsmasq", "mosquitto", "mosquitto_passwd", "udhcpc")
PATH = f"{os.environ.get('PATH', '')}:/usr/sbin:/sbin"
ROOT = Path(__file__).parents[2]
WAIT = 40.0


def missing(words: str) -> NoReturn:
    """Skip, or fail where namespaces are required."""
    if os.environ.get("MIGRATE_NAMESPACES") == "required":
        pytest.fail(words)
    pytest.skip(words)


def check_possible() -> None:
    """Say in words why this machine cannot have a town."""
    lacking = [name for name in NEEDED if shutil.which(name, path=PATH) is None]
    if lacking:
        missing(f"no {', '.join(lacking)} here: install your system's packages")
    if os.geteuid() != 0:
        missing("network namespaces need root here")
    name = f"{PREFIX}{os.getpid()}try"
    made = subprocess.run(["ip", "netns", "add", name], capture_output=True, check=False)
    if made.returncode != 0:
        missing("network namespaces are not allowed here")
    ip("netns", "delete", name)


def namespaces() -> list[str]:
    """The named ones of this machine."""
    listed = subprocess.run(["ip", "netns", "list"], capture_output=True, text=True, check=True)
    return [line.split()[0] for line in listed.stdout.splitlines() if line.strip()]


def remove_left_behind() -> None:
    """Namespaces of ours whose process is gone."""
    for name in namespaces():
        number = name.removeprefix(PREFIX).split("-")[0]
        if name.startswith(PREFIX) and number.isdecimal() and not Path(f"/proc/{number}").exists():
            subprocess.run(["ip", "netns", "delete", name], check=False, capture_output=True)


@dataclass
class Network:
    """One network: its access point's words, its addresses, its servers' files."""

    name: str
    namespace: str
    ssid: str
    secret: str
    subnet: IPv4Network
    user: str
    password: str
    folder: Path

    @property
    def router(self) -> str:
        """DHCP server and broker."""
        return str(self.subnet[1])

    @property
    def operator(self) -> str:
        """The operator's address there."""
        return str(self.subnet[2])

    @property
    def leases(self) -> Path:
        return self.folder / f"{self.name}.leases"


def dhcp_server(network: Network, kind: str) -> list[str]:
    """The command of a DHCP server for a network, whose configuration is written beside it."""
    conf = network.folder / f"{network.name}.{kind}"
    first, last, leases = network.subnet[50], network.subnet[150], network.leases
    if kind == "kea":
        # Kea makes its own file of leases, and will have nothing of an empty one.
        pool = {"pool": f"{first} - {last}"}
        said = {
            "interfaces-config": {"interfaces": [BRIDGE], "dhcp-socket-type": "raw"},
            "lease-database": {"type": "memfile", "name": str(leases), "lfc-interval": 0},
            "valid-lifetime": 3600,
            "subnet4": [{"subnet": str(network.subnet), "pools": [pool]}],
        }
        conf.write_text(json.dumps({"Dhcp4": said}))
        here = str(network.folder)
        places = [f"KEA_PIDFILE_DIR={here}", f"KEA_LOCKFILE_DIR={here}"]
        return ["env", *places, "kea-dhcp4", "-c", str(conf)]
    leases.touch()
    if kind == "dhcpd":
        conf.write_text(
            "authoritative;\nping-check false;\ndefault-lease-time 3600;\n"
            f"subnet {network.subnet.network_address} netmask {network.subnet.netmask} {{\n"
            f"  range {first} {last};\n}}\n"
        )
        pid = network.folder / f"{network.name}.pid"
        return [
            *("dhcpd", "-4", "-f", "-q", "-cf", str(conf), "-lf", str(leases), "-pf", str(pid)),
            BRIDGE,
        ]
    conf.write_text(
        f"interface={BRIDGE}\nbind-interfaces\nport=0\nno-resolv\nno-ping\nuser=root\n"
        f"dhcp-authoritative\ndhcp-leasefile={leases}\n"
        f"dhcp-range={first},{last},1h\ndhcp-option=3\n"
    )
    return ["dnsmasq", "--keep-in-foreground", f"--conf-file={conf}"]


@dataclass
class Device:
    """One device as it is described, and what it has told."""

    name: str
    family: Family
    via: str
    mac: str
    fault: str = ""
    events: list[dict[str, Any]] = field(default_factory=list)
    process: asyncio.subprocess.Process | None = None

    @property
    def now(self) -> dict[str, Any]:
        """Its last word; empty before the first."""
        return self.events[-1] if self.events else {}


class Town:
    """Enter it with ``async with``: networks and servers are there, and every device is up."""

    def __init__(
        self,
        folder: Path,
        devices: list[Device],
        *,
        new_secret: str = "",
        dhcp: str = "dnsmasq",
        called: str = "",
    ) -> None:
        self.folder = folder
        self.devices = {device.name: device for device in devices}
        mark = f"{PREFIX}{os.getpid()}{called and f'-{called}'}"
        self.old = Network(
            "old", f"{mark}-old", "town-old", "quarry kettle 4711", IPv4Network("192.0.2.0/24"),
            "house", "Tr0wel-dusk", folder,
        )  # fmt: skip
        self.new = Network(
            "new", f"{mark}-new", "town-new", "heron ladder 9023", IPv4Network("198.51.100.0/24"),
            "house-new", "Fl1nt-dawn", folder,
        )  # fmt: skip
        self.operator = f"{mark}-op"
        self.secrets = {
            "OLD_WIFI": self.old.secret,
            "NEW_WIFI": new_secret or self.new.secret,
            "OLD_BROKER": self.old.password,
            "NEW_BROKER": self.new.password,
        }
        self.changed = Signal()
        self._servers_of = dhcp
        self._mark = mark
        self._servers: list[asyncio.subprocess.Process] = []
        self._reading: list[asyncio.Task[None]] = []

    # What the tests look at

    def where(self) -> dict[str, str | None]:
        """The network each device says it is on."""
        return {name: device.now.get("network") for name, device in self.devices.items()}

    def kernel_address(self, name: str) -> str:
        """The address of a device's interface, as its own kernel tells it."""
        shown = subprocess.run(
            ["ip", "-n", self._home(name), "-j", "-4", "address", "show", "dev", INTERFACE],
            capture_output=True, text=True, check=True,
        )  # fmt: skip
        found = [info["local"] for one in json.loads(shown.stdout) for info in one["addr_info"]]
        return found[0] if found else ""

    def neighbours(self) -> dict[str, str]:
        """Whom the operator's kernel knows: MAC by address (ip-neighbour(8))."""
        shown = subprocess.run(
            ["ip", "-n", self.operator, "-j", "neighbour"],
            capture_output=True, text=True, check=True,
        )  # fmt: skip
        return {
            one["dst"]: one["lladdr"].upper().replace(":", "-")
            for one in json.loads(shown.stdout)
            if "lladdr" in one
        }

    async def until(self, predicate: Any) -> None:
        """Asked at every word of a device."""
        await self.changed.until(predicate, WAIT)

    async def migrate(self, *args: str | Path) -> Ended:
        """The real command on the operator's machine."""
        inside = ("ip", "netns", "exec", self.operator)
        return await migrate(args, self.folder, self.environment(), 90, inside)

    def environment(self) -> dict[str, str]:
        return {
            "PATH": os.environ["PATH"],
            "HOME": str(self.folder),
            "XDG_STATE_HOME": str(self.folder / "state"),
            "MIGRATE_LOCKS": str(self.folder / "locks"),
            "PYTHONPATH": str(ROOT),
            **self.secrets,
        }

    # Building and taking down

    async def __aenter__(self) -> Self:
        remove_left_behind()
        try:
            for network in (self.old, self.new):
                self._lay(network)
            self._lay_operator()
            for network in (self.old, self.new):  # a bridge without a port is not running
                await self._serve_all(network)
            for device in self.devices.values():
                await self._place(device)
            await self.until(lambda: all(d.now.get("what") == "up" for d in self.devices.values()))
        except BaseException:
            await self._take_down()
            raise
        return self

    async def __aexit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        await self._take_down()

    def _lay(self, network: Network) -> None:
        space = network.namespace
        ip("netns", "add", space)
        ip("-n", space, "link", "set", "lo", "up")
        # A bridge without an address of its own takes one of its ports': it would change, and be
        # unreachable for a while, whenever a device leaves.
        mac = f"00:00:5e:00:53:{'f1' if network.name == 'old' else 'f2'}"
        ip("-n", space, "link", "add", BRIDGE, "address", mac, "type", "bridge")
        length = network.subnet.prefixlen
        ip("-n", space, "address", "add", f"{network.router}/{length}", "dev", BRIDGE)
        ip("-n", space, "link", "set", BRIDGE, "up")

    async def _serve_all(self, network: Network) -> None:
        space = network.namespace
        await self._serve(space, *dhcp_server(network, self._servers_of))
        words = self.folder / f"{network.name}.passwords"
        words.touch(0o600)
        subprocess.run(  # noqa: ASYNC221 - nothing else is at work yet
            ["mosquitto_passwd", "-b", str(words), network.user, network.password],
            check=True, capture_output=True,
        )  # fmt: skip
        broker = self.folder / f"{network.name}.mosquitto"
        broker.write_text(
            f"listener 1883 {network.router}\nallow_anonymous false\npassword_file {words}\n"
            "persistence false\nuser root\nlog_dest none\n"
        )
        await self._serve(space, "mosquitto", "-c", str(broker))

    async def _serve(self, space: str, *words: str) -> None:
        self._servers.append(
            await asyncio.create_subprocess_exec(
                "ip", "netns", "exec", space, *words,
                stdin=asyncio.subprocess.DEVNULL,
                stdout=asyncio.subprocess.DEVNULL,
                stderr=(self.folder / f"{space}-{words[0]}.log").open("wb"),
            )
        )  # fmt: skip

    def _lay_operator(self) -> None:
        ip("netns", "add", self.operator)
        ip("-n", self.operator, "link", "set", "lo", "up")
        for network in (self.old, self.new):
            end = f"op{network.name}"
            ip(
                *("-n", self.operator, "link", "add", network.name, "type", "veth"),
                *("peer", "name", end, "netns", network.namespace),
            )
            ip("-n", network.namespace, "link", "set", end, "master", BRIDGE, "up")
            address = f"{network.operator}/{network.subnet.prefixlen}"
            ip("-n", self.operator, "address", "add", address, "dev", network.name)
            ip("-n", self.operator, "link", "set", network.name, "up")

    def _home(self, name: str) -> str:
        return f"{self._mark}-{name}"

    async def _place(self, device: Device) -> None:
        home, cable = self._home(device.name), f"c{device.mac[-2:]}"
        ip("netns", "add", home)
        ip("-n", home, "link", "set", "lo", "up")
        ip(
            *("-n", home, "link", "add", INTERFACE, "address", device.mac.replace("-", ":")),
            *("type", "veth", "peer", "name", cable, "netns", self.old.namespace),
        )
        folder = self.folder / device.name
        folder.mkdir()
        device.process = await asyncio.create_subprocess_exec(
            "ip", "netns", "exec", home, sys.executable, "-m", "tests.namespaces.node",
            cwd=ROOT,
            stdin=asyncio.subprocess.PIPE, stdout=asyncio.subprocess.PIPE,
            stderr=(folder / "log").open("wb"),
        )  # fmt: skip
        store = Store(
            wifi_name=self.old.ssid,
            wifi_key=self.old.secret,
            broker_host=self.old.router,
            broker_user=self.old.user,
            broker_password=self.old.password,
        )
        spec = {
            "name": device.name,
            "family": device.family,
            "mac": device.mac,
            "topic": device.name,
            "restart_seconds": 0.3,
        }
        networks = {
            one.name: {
                "ssid": one.ssid,
                "secret": one.secret,
                "subnet": str(one.subnet),
                "namespace": one.namespace,
            }
            for one in (self.old, self.new)
        }
        said = {
            "folder": str(folder),
            "cable": cable,
            "networks": networks,
            "spec": spec,
            "store": {**asdict(store), "pending": []},
            "fault": device.fault,
        }
        assert device.process.stdin
        device.process.stdin.write(json.dumps(said).encode() + b"\n")
        self._reading.append(asyncio.create_task(self._listen(device)))

    async def _listen(self, device: Device) -> None:
        assert device.process
        assert device.process.stdout
        async for line in device.process.stdout:
            device.events.append(json.loads(line))
            self.changed.fire()

    async def _take_down(self) -> None:
        for device in self.devices.values():
            if device.process and device.process.stdin:
                device.process.stdin.close()
        processes = [d.process for d in self.devices.values() if d.process] + self._servers
        for server in self._servers:
            if server.returncode is None:
                server.terminate()
        for process in processes:
            try:
                async with asyncio.timeout(10):
                    await process.wait()
            except TimeoutError:
                process.kill()
                await process.wait()
        for task in self._reading:
            task.cancel()
        await asyncio.gather(*self._reading, return_exceptions=True)
        for name in namespaces():
            if name.startswith(f"{self._mark}-"):
                ip("netns", "delete", name)


def write_files(town: Town, *, leases: bool = True, stranded: int = 4, more: str = "") -> None:
    """The owner's files: no address stands in them, MACs do."""
    old, new = town.old, town.new
    fleet = "\n".join(
        f'[[device]]\nname = "{d.name}"\nmac = "{d.mac}"\ndialect = "{d.family}"\n'
        f'via = "{d.via}"\ntopic = "{d.name}"\nfirmware = "1.0.0"\n'
        for d in town.devices.values()
    )
    (town.folder / "fleet.toml").write_text(fleet)
    tables = f"""
title = "Town"
[wifi]
ssid = "{new.ssid}"
secret = {{ env = "NEW_WIFI" }}
[broker]
host = "{new.router}"
username = "{new.user}"
password = {{ env = "NEW_BROKER" }}
[old]
subnet = "{old.subnet}"
leases = "{old.leases}"
wifi = {{ ssid = "{old.ssid}", secret = {{ env = "OLD_WIFI" }} }}
broker = {{ host = "{old.router}", username = "{old.user}", password = {{ env = "OLD_BROKER" }} }}
[new]
subnet = "{new.subnet}"
{f'leases = "{new.leases}"' if leases else ""}
[pace]
stranded_at_most = {stranded}
soak_seconds = 1
look_seconds = 0.2
reply_seconds = 3
deadline_seconds = {{ least = 8, most = 25 }}
{more}
"""
    (town.folder / "town.toml").write_text(tables)
