"""Quarry Cottage: the invented house of the demo. Its devices, its two networks, its files.

Nobody lives there. Names, topics, passphrases and MACs (RFC 7042 documentation range) are made up;
the files are written the way an owner would write them.
"""

from __future__ import annotations

import os
import secrets
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from ipaddress import IPv4Network
from pathlib import Path

from migrate.lab.faults import Fault, FaultKind
from migrate.lab.lab import BrokerKind, Lab
from migrate.lab.ports import free_ports
from migrate.lab.specs import Family, SideSpec, UnitSpec

TITLE = "Quarry Cottage moves to a new access point and broker"
OLD_SSID, NEW_SSID = "quarry-attic", "quarry-loft"
MOST_ITEMS = 32
"""Of one house, where there are several: their MACs must not meet."""
TROUBLED = "greenhouse-fan"
"""The device that comes back on the old network by itself, the first time."""


@dataclass(frozen=True)
class Item:
    """A device of the house, with what the owner wrote about it."""

    name: str
    family: Family
    via: str
    place: str
    reach: str = "table"
    cover: str = ""
    load: str = ""
    feeds: str = ""


ITEMS = (
    Item("desk-lamp", "larch", "http", "study"),
    Item("reading-lamp", "larch", "http", "sitting room"),
    Item("hall-lamp", "larch", "mqtt", "hall"),
    Item("shelf-light", "larch", "mqtt", "study"),
    Item("stair-light-low", "larch", "http", "stairs", "ladder", cover="stairs"),
    Item("stair-light-high", "larch", "mqtt", "stairs", "ladder", cover="stairs"),
    Item("porch-light", "larch", "http", "porch", "ladder"),
    Item("attic-light", "larch", "mqtt", "attic", "tools"),
    Item("kettle-plug", "rowan", "http", "kitchen"),
    Item("radio-plug", "rowan", "mqtt", "kitchen"),
    Item("bench-plug", "rowan", "http", "workshop"),
    Item("saw-dust-sensor", "rowan", "mqtt", "workshop"),
    Item("yard-light", "rowan", "http", "yard", "ladder"),
    Item("gate-sensor", "rowan", "mqtt", "yard", "tools"),
    Item("freezer-plug", "rowan", "http", "cellar", load="the freezer"),
    Item("loft-plug", "rowan", "mqtt", "attic", feeds="access-point"),
    Item("bed-lamp-left", "sedge", "http", "bedroom", cover="bedroom"),
    Item("bed-lamp-right", "sedge", "mqtt", "bedroom", cover="bedroom"),
    Item("mirror-light", "sedge", "http", "bathroom"),
    Item("towel-rail", "sedge", "mqtt", "bathroom", load="a heater"),
    Item("greenhouse-fan", "sedge", "http", "greenhouse", load="the seedlings"),
    Item("greenhouse-lamp", "sedge", "mqtt", "greenhouse", "ladder"),
    Item("shed-light", "sedge", "http", "shed", "ladder"),
    Item("well-sensor", "sedge", "mqtt", "well", "tools"),
)


DEMO_PACE = """stranded_at_most = 2
confidence = 0.9
soak_seconds = 0.4
deadline_seconds = { least = 3, most = 8 }
reply_seconds = 2
look_seconds = 0.1
"""
"""Quick enough to watch; a real house wants a longer soak and more patience."""


class Cottage:
    """The house on loopback: writes its files into a folder, and makes its lab.

    Other `items` make another house; `pace` is the text of the playbook's [pace] table. `number`:
    of several houses at a time, which; each has networks and MACs of its own.
    """

    def __init__(
        self,
        folder: Path,
        items: Sequence[Item] = ITEMS,
        *,
        pace: str = DEMO_PACE,
        brokers: BrokerKind = BrokerKind.EMBEDDED,
        one_address: bool | None = None,
        number: int = 0,
    ) -> None:
        self._items = items
        self._specs = list(_units(items, 1 + MOST_ITEMS * number))
        old_net = IPv4Network(f"127.{20 + number}.0.0/16")
        new_net = IPv4Network(f"127.{30 + number}.0.0/16")
        self._pace = pace
        self.folder = folder
        self.fleet = folder / "fleet.toml"
        self.playbook = folder / "playbook.toml"
        self._secrets = {
            name: secrets.token_urlsafe(12) for name in ("old-wifi", "new-wifi", "new-broker")
        }
        old_port, new_port, http_port = free_ports(3)
        old = SideSpec(
            ssid=OLD_SSID,
            secret=self._secrets["old-wifi"],
            subnet=old_net,
            lease_file=folder / "leases-old",
            broker_host=str(old_net[2]),
            broker_port=old_port,
        )
        new = SideSpec(
            ssid=NEW_SSID,
            secret=self._secrets["new-wifi"],
            subnet=new_net,
            lease_file=folder / "leases-new",
            broker_host=str(new_net[2]),
            broker_port=new_port,
            broker_username="cottage",
            broker_password=self._secrets["new-broker"],
        )
        self.lab = Lab(
            self._specs,
            old,
            new,
            group="cottage",
            http_port=http_port,
            brokers=brokers,
            one_address=one_address,
        )

    def write(self) -> None:
        """Fleet, playbook and secret files, as the owner would have them. Call it when the lab is
        up: the fleet file names the addresses that the devices have then."""
        self.folder.mkdir(parents=True, exist_ok=True, mode=0o700)
        (self.folder / "secrets").mkdir(exist_ok=True, mode=0o700)
        for name, text in self._secrets.items():
            _write_secret(self.folder / "secrets" / name, text)
        self.fleet.write_text("\n".join(self._fleet_lines()) + "\n", encoding="utf-8")
        self.playbook.write_text(self._playbook_text(), encoding="utf-8")

    def _fleet_lines(self) -> Iterator[str]:
        yield 'title = "Quarry Cottage"'
        for item, spec in zip(self._items, self._specs, strict=True):
            unit = self.lab.units[item.name]
            yield "\n[[device]]"
            yield f'name = "{item.name}"'
            yield f'mac = "{spec.mac}"'
            yield f'dialect = "{item.family}"'
            yield f'firmware = "{spec.firmware}"'
            yield f'via = "{item.via}"'
            if item.via == "http":
                yield f'address = "{unit.address}"'
                yield f"port = {unit.http_port}"
            yield f'topic = "{spec.topic}"'
            yield f'place = "{item.place}"'
            yield f'reach = "{item.reach}"'
            for key, value in (("cover", item.cover), ("load", item.load)):
                if value:
                    yield f'{key} = "{value}"'
            if item.feeds:
                yield f'feeds = ["{item.feeds}"]'

    def _playbook_text(self) -> str:
        old, new = self.lab.old, self.lab.new
        nets = "" if self.lab.one_address else f'subnet = "{old.subnet}"\n'
        new_net = "127.0.0.0/8" if self.lab.one_address else str(new.subnet)
        carriers = ", ".join(f'"{item.name}"' for item in self._items if item.feeds)
        accepted = f"feeds_own_way_back = [{carriers}]\n" if carriers else ""
        return f"""title = "{TITLE}"

[wifi]
ssid = "{NEW_SSID}"
secret = {{ file = "secrets/new-wifi" }}

[broker]
host = "{new.broker_host}"
port = {new.broker_port}
username = "cottage"
password = {{ file = "secrets/new-broker" }}

[old]
{nets}leases = "leases-old"
wifi = {{ ssid = "{OLD_SSID}", secret = {{ file = "secrets/old-wifi" }} }}
broker = {{ host = "{old.broker_host}", port = {old.broker_port} }}
{accepted}
[new]
subnet = "{new_net}"
leases = "leases-new"

[pace]
{self._pace}"""


_SIGNAL = {"table": -48, "ladder": -60, "tools": -70}
"""Made up: what is hard to reach is mostly far off."""


def _units(items: Sequence[Item], first: int) -> Iterator[UnitSpec]:
    firmware = {"larch": "3.1.0", "rowan": "1.8.2", "sedge": "0.9"}
    for number, item in enumerate(items, start=first):
        fault = Fault(FaultKind.RETURNS_TO_OLD, times=1) if item.name == TROUBLED else None
        yield UnitSpec(
            name=item.name,
            family=item.family,
            mac=f"00-00-5E-00-53-{number:02X}",
            topic=item.name,
            place=item.place,
            restart_seconds=0.3 + 0.1 * (number % 4),
            firmware=firmware[item.family],
            fault=fault,
            signal_dbm=_SIGNAL[item.reach] - 3 * (number % 4),
        )


def _write_secret(path: Path, text: str) -> None:
    handle = os.open(path, os.O_CREAT | os.O_WRONLY | os.O_TRUNC, 0o600)
    with os.fdopen(handle, "w", encoding="utf-8") as file:
        file.write(text + "\n")
