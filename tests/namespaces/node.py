"""One device in a network namespace of its own: the lab's unit on a real interface.

It joins a network by having the other end of its interface put into that network's bridge, when and
only when it knows name and passphrase. Its address comes from that network's DHCP server, by a real
client. It tells what happens to it as lines of JSON.

    python -m tests.namespaces.node    in its namespace, with its description as JSON on stdin
"""

from __future__ import annotations

import asyncio
import json
import subprocess
import sys
import time
from collections.abc import Mapping
from ipaddress import IPv4Address, IPv4Network
from pathlib import Path
from typing import Any

from migrate.lab.air import Air, Network
from migrate.lab.dhcp import DhcpServer, PoolExhaustedError
from migrate.lab.faults import Fault, FaultKind
from migrate.lab.firmware.base import Store
from migrate.lab.specs import UnitSpec
from migrate.lab.unit import Unit
from migrate.lab.world import World

INTERFACE = "wlan"
BRIDGE = "br0"
CLIENT_SCRIPT = f"""#!/bin/sh
# Called by the DHCP client: what it was given is put on the interface, and told.
case "$1" in
bound|renew)
    ip address replace "$ip/$mask" dev {INTERFACE}
    echo "$ip" >"$TOLD"
    ;;
esac
"""


def ip(*words: str) -> None:
    """ip(8), here or, with -n, in another namespace."""
    subprocess.run(["ip", *words], check=True, capture_output=True, timeout=20)


class Cable:
    """The other end of this device's interface, and the namespace it is in."""

    def __init__(self, end: str, namespace: str) -> None:
        self.end, self.namespace = end, namespace

    def into(self, namespace: str) -> None:
        """Plug it into the bridge of a network."""
        if namespace != self.namespace:
            ip("-n", self.namespace, "link", "set", self.end, "netns", namespace)
            self.namespace = namespace
        ip("-n", namespace, "link", "set", self.end, "master", BRIDGE, "up")
        ip("link", "set", INTERFACE, "up")

    def unplug(self) -> None:
        """Off the air: nothing goes in or out, and the address is gone."""
        ip("link", "set", INTERFACE, "down")
        ip("address", "flush", "dev", INTERFACE)


class RealAir(Air):
    """Whoever is let in is plugged in; where a packet gets to is the kernel's business."""

    def __init__(
        self, networks: list[Network], cable: Cable, namespaces: Mapping[str, str]
    ) -> None:
        super().__init__(networks)
        self._cable, self._namespaces = cable, namespaces

    def join(self, ssid: str, key: str) -> Network | None:
        network = super().join(ssid, key)
        if network is not None:
            self._cable.into(self._namespaces[network.name])
        return network

    def can_reach(self, network: Network, host: str, port: int) -> bool:
        return True


class RealDhcp(DhcpServer):
    """Asks the server of whatever network the interface is plugged into (RFC 2131)."""

    def __init__(self, network: Network, folder: Path) -> None:
        super().__init__(network)
        self._folder = folder

    def lease(self, mac: str, hostname: str) -> IPv4Address:
        told = self._folder / "address"
        told.unlink(missing_ok=True)
        asked = subprocess.run(
            [
                *("udhcpc", "-i", INTERFACE, "-f", "-n", "-q", "-t", "5", "-T", "1", "-A", "1"),
                *("-x", f"hostname:{hostname}", "-s", str(self._folder / "client")),
            ],
            env={"PATH": "/usr/sbin:/usr/bin:/sbin:/bin", "TOLD": str(told)},
            capture_output=True,
            check=False,
            timeout=30,
        )
        if asked.returncode != 0 or not told.exists():
            raise PoolExhaustedError
        return IPv4Address(told.read_text().strip())


class Node(Unit):
    """Tells what happens to it."""

    def __init__(self, *args: Any, cable: Cable) -> None:
        self._cable = cable
        super().__init__(*args)

    def _note(self, what: str) -> None:
        if what == "left":
            self._cable.unplug()
        super()._note(what)
        event = {
            "what": what,
            "at": time.time(),
            "network": self.network.name if self.network else None,
            "address": str(self.address) if self.address else None,
            "changed": len(self.messages_that_changed),
            "settings": {
                "wifi": self.store.wifi_name,
                "host": self.store.broker_host,
                "user": self.store.broker_user,
                "group": self.store.group,
            },
        }
        print(json.dumps(event), flush=True)


async def main(said: dict[str, Any]) -> None:
    """Live until standard input ends."""
    folder = Path(said["folder"])
    (folder / "client").write_text(CLIENT_SCRIPT)
    (folder / "client").chmod(0o700)
    networks = [
        Network(name, one["ssid"], one["secret"], IPv4Network(one["subnet"]), folder / "unused")
        for name, one in said["networks"].items()
    ]
    cable = Cable(said["cable"], said["networks"]["old"]["namespace"])
    air = RealAir(networks, cable, {n: one["namespace"] for n, one in said["networks"].items()})
    world = World(air, {network.name: RealDhcp(network, folder) for network in networks})
    fault = Fault(FaultKind[said["fault"]], times=1) if said.get("fault") else None
    unit = Node(
        UnitSpec(**said["spec"], fault=fault), Store(**said["store"]), world, 80, cable=cable
    )
    unit.power_on()
    reader = asyncio.StreamReader()
    await asyncio.get_running_loop().connect_read_pipe(
        lambda: asyncio.StreamReaderProtocol(reader), sys.stdin
    )
    while await reader.readline():
        pass
    await unit.power_off()


if __name__ == "__main__":
    asyncio.run(main(json.loads(sys.stdin.readline())))
