"""How long after a device is back until it is found, by each way and by all at once.

    python -m benchmarks.finding [ROUNDS]

A device of the lab restarts on loopback again and again, each time with a new address of the new
network; it is looked for as a run does it, every 0.2 s. Time counts from the moment when it serves
again (the lab's own word) to the moment when it was read and told its MAC. The baseline is the
lease file alone. Neighbours and DNS-SD are not shown: loopback has neither.
"""

from __future__ import annotations

import asyncio
import statistics
import sys
import tempfile
from collections.abc import Sequence
from dataclasses import replace
from ipaddress import IPv4Network
from pathlib import Path

from migrate.lab import Lab, SideSpec, UnitSpec
from migrate.lab.lab import BrokerKind
from migrate.model.playbook import Search, Way
from migrate.ports.files import load_dialect
from migrate.ports.http import HttpLine
from migrate.ports.mqtt_line import MqttLine
from migrate.ports.protocols import Finder
from migrate.ports.sockets import Sockets, now
from migrate.ports.sources.finder import AskingFinder, EveryWay
from migrate.ports.sources.identify import identify
from migrate.ports.sources.leases import LeaseFinder

LOOK_SECONDS = 0.2
NETS = IPv4Network("127.20.0.0/24"), IPv4Network("127.30.0.0/24")
WAYS: dict[str, tuple[Way, ...]] = {
    "leases alone": ("leases",),
    "sweep alone": ("sweep",),
    "both at once": ("leases", "sweep"),
}


async def measured(ways: Sequence[Way], rounds: int) -> list[float]:
    """Seconds from back to found, round by round."""
    with tempfile.TemporaryDirectory() as folder:
        old, new = (
            SideSpec(f"bench-{name}", f"bench {name} 4711", net, Path(folder) / f"{name}.leases")
            for name, net in zip(("old", "new"), NETS, strict=True)
        )
        spec = UnitSpec("lamp", "sedge", "00-00-5E-00-53-01", "lamp", uses_broker=False)
        async with Lab([spec], old, new, brokers=BrokerKind.NONE) as lab:
            if lab.one_address:
                sys.exit("this machine has one loopback address: nothing would be shown")
            return [await _round(lab, new, ways) for _ in range(rounds)]


async def _round(lab: Lab, new: SideSpec, ways: Sequence[Way]) -> float:
    unit, loop = lab.units["lamp"], asyncio.get_running_loop()
    dialect, _ = load_dialect("sedge", Path())
    await unit.power_off()
    lab.dhcp["new"].release(unit.spec.mac)
    unit.store = replace(unit.store, wifi_name=new.ssid, wifi_key=new.secret)
    async with HttpLine() as http, MqttLine({}) as mqtt:
        line = Sockets(http, mqtt)
        # The dialect's port is 80, which needs root: the lab's is asked in its place.
        at_lab = {"sedge": dialect.model_copy(update={"http": dialect.http.model_copy(
            update={"port": unit.http_port})})}  # fmt: skip
        finders: list[Finder] = []
        if "leases" in ways:
            finders.append(LeaseFinder({"new": new.lease_file}, {"new": new.subnet}, now))
        asking = AskingFinder(Search(ways=tuple(ways)), new.subnet, at_lab, line, ())
        finder = EveryWay([*finders, asking])
        unit.power_on()
        while True:
            for address in await finder.addresses(unit.spec.mac, "new"):
                if await identify(address, at_lab.values(), line, 1.0):
                    await asking.stop()
                    return loop.time() - (unit.last_up or 0.0)
            await asyncio.sleep(LOOK_SECONDS)


def main() -> None:
    """Print the table."""
    rounds = int(sys.argv[1]) if len(sys.argv) > 1 else 15
    baseline = 0.0
    print(f"{rounds} rounds each, a look every {LOOK_SECONDS:g} s, a network of /24")
    for name, ways in WAYS.items():
        found = asyncio.run(measured(ways, rounds))
        median = statistics.median(found)
        baseline = baseline or median
        print(
            f"{name:14} median {median:6.3f} s   most {max(found):6.3f} s   "
            f"{median / baseline:5.2f} times the leases"
        )


if __name__ == "__main__":
    main()
