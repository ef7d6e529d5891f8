"""A house for tests: devices, two sides, the owner's files, a plan, a journal, the conductor.

The tool under test is the real one, on real sockets; what became of the devices is asked of the
lab alone. Passphrases here are canaries: `scan.py` looks for them in everything that was written.
"""

from __future__ import annotations

import asyncio
import os
from collections.abc import AsyncIterator, Awaitable, Callable, Iterable, Iterator, Mapping
from contextlib import asynccontextmanager
from dataclasses import dataclass, field, replace
from ipaddress import IPv4Network
from pathlib import Path
from typing import Literal, Protocol, Self

import trustme

from migrate.cli.conduct import world_for
from migrate.engine.conductor import Conductor
from migrate.engine.crew import Crew, muster
from migrate.engine.tidings import Outcome, Tidings
from migrate.journal.store import Journal
from migrate.lab import BrokerKind, EmbeddedBroker, Fault, Lab, SideSpec, Unit, UnitSpec, free_ports
from migrate.lab.firmware.base import Store
from migrate.model.lifecycle import State
from migrate.planning.make import make_plan
from migrate.planning.plan import Plan
from migrate.ports.files import load
from migrate.ports.protocols import World
from migrate.ports.secret_reader import SecretReader
from migrate.ports.sockets import now

Family = Literal["larch", "rowan", "sedge"]
Change = Literal["wifi", "broker", "group"]
FAMILIES: tuple[Family, ...] = ("larch", "rowan", "sedge")
FIRMWARE = {"larch": "3.1.0", "rowan": "1.8.2", "sedge": "0.9"}
# Two test runs on one machine must not meet: the MACs are the same in both, so a device of the
# other would be taken for one's own.
_OCTET = 40 + os.getpid() % 80
OLD_NET, NEW_NET = IPv4Network(f"127.{_OCTET}.0.0/16"), IPv4Network(f"127.{_OCTET + 100}.0.0/16")
OLD_BROKER, NEW_BROKER, NEW_BROKER_THERE = str(OLD_NET[2]), str(NEW_NET[2]), str(OLD_NET[3])
SECRETS = {
    "old-wifi": "old quay & plum + 7%",
    "new-wifi": 'new "quay" = plum/9 #1',
    "old-broker": "harbour-word-41",
    "new-broker": "lantern-word-52",
    "login": "quill: ink+umber%63",
}
"""Canaries, with signs that each way of writing changes; no semicolon: one family has none."""
AN_HOUR = 3600.0


@dataclass(frozen=True)
class Dev:
    """A device as a test wants it; the rest is made up."""

    name: str
    family: Family = "larch"
    via: Literal["http", "mqtt"] = "http"
    reach: str = "table"
    cover: str = ""
    feeds: str = ""
    load: str = ""
    fault: Fault | None = None
    login: bool = False
    restart_seconds: float = 0.05
    fixed_address: str = ""
    wakes: float | None = None
    awake: float = 0.5
    cleanly: bool = True
    quiet: str = ""


@dataclass(frozen=True)
class Pace:
    """Quick, but with upper limits that a busy machine keeps."""

    stranded_at_most: int = 1000
    confidence: float = 0.9
    widest_wave: int = 1000
    soak_seconds: float = 0.15
    least: float = 10
    most: float = 20
    reply_seconds: float = 2
    look_seconds: float = 0.05


class HouseMaker(Protocol):
    """What the fixture `make_house` gives."""

    def __call__(self, *devices: Dev, **more: object) -> House: ...


Work = Callable[[Conductor], Awaitable[Outcome]]
Bend = Callable[[World], World]


def six(**more: object) -> list[Dev]:
    """One device of every family over both transports, after a pilot."""
    return [
        Dev(f"{family}-{via}", family, via, **more)  # type: ignore[arg-type]
        for family in FAMILIES
        for via in ("http", "mqtt")
    ]


@dataclass
class House:
    """Enter it with `async with`: the devices are up, the plan is frozen, the journal is open."""

    folder: Path
    devices: Iterable[Dev]
    change: tuple[Change, ...] = ("wifi",)
    brokers: BrokerKind | None = None
    secure: bool = False
    old_login: bool = False
    same_broker: str | None = None
    pace: Pace = field(default_factory=Pace)
    on_fault: str = "hold"
    presence: bool = False
    addressing: Mapping[str, str] | None = None
    age: float = AN_HOUR
    told: list[tuple[float, Tidings]] = field(default_factory=list)
    on_tidings: list[Callable[[Tidings], None]] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.devices = list(self.devices)
        by_mqtt = any(device.via == "mqtt" for device in self.devices)
        if self.brokers is None:
            wanted = by_mqtt or "broker" in self.change
            self.brokers = BrokerKind.EMBEDDED if wanted else BrokerKind.NONE
        self.fleet, self.playbook = self.folder / "fleet.toml", self.folder / "playbook.toml"
        self.state = self.folder / "state"
        self.ca: Path | None = None
        old_port, new_port, http_port = _own_ports()
        old, new = self._sides(old_port, new_port)
        self.lab = Lab(
            list(self._units()),
            old,
            new,
            group="old-group",
            http_port=http_port,
            brokers=_open_broker if self.same_broker else self.brokers,
            # Where not both change, either network leads to the broker.
            routed=not {"wifi", "broker"} <= set(self.change),
        )
        self.before: dict[str, Store] = {}

    @property
    def with_broker(self) -> bool:
        """Whether there is a broker at all."""
        return self.brokers is not BrokerKind.NONE

    def _sides(self, old_port: int, new_port: int) -> tuple[SideSpec, SideSpec]:
        old = SideSpec(
            ssid="old-net",
            secret=SECRETS["old-wifi"],
            subnet=OLD_NET,
            lease_file=self.folder / "leases-old",
            broker_host=OLD_BROKER if self.with_broker else "",
            broker_port=old_port,
            broker_username="house" if self.old_login or self.same_broker else None,
            broker_password=SECRETS["old-broker"] if self.old_login or self.same_broker else None,
        )
        new = old
        if "wifi" in self.change:
            new = replace(
                new,
                ssid="new-net",
                secret=SECRETS["new-wifi"],
                subnet=NEW_NET,
                lease_file=self.folder / "leases-new",
            )
        if self.same_broker is not None:
            # The broker lets in whoever comes: the login is all that changes.
            return old, replace(
                new, broker_username=self.same_broker, broker_password=SECRETS["new-broker"]
            )
        if "broker" in self.change:
            host = NEW_BROKER if "wifi" in self.change else NEW_BROKER_THERE
            new = replace(
                new,
                broker_host=host,
                broker_port=new_port,
                broker_username="house",
                broker_password=SECRETS["new-broker"],
                broker_tls=self._certificate(host) if self.secure else None,
            )
        return old, new

    def _certificate(self, host: str) -> tuple[Path, Path]:
        authority = trustme.CA()
        issued = authority.issue_cert(host)
        self.ca = self.folder / "ca.pem"
        certificate, key = self.folder / "broker.pem", self.folder / "broker.key"
        authority.cert_pem.write_to_path(str(self.ca))
        issued.cert_chain_pems[0].write_to_path(str(certificate))
        issued.private_key_pem.write_to_path(str(key))
        return certificate, key

    def _units(self) -> Iterator[UnitSpec]:
        for number, device in enumerate(self.devices, start=1):
            yield UnitSpec(
                name=device.name,
                family=device.family,
                mac=mac_of(number),
                topic=f"t{number}",
                restart_seconds=device.restart_seconds,
                http_password=SECRETS["login"] if device.login else None,
                firmware=FIRMWARE[device.family],
                fault=device.fault,
                join_seconds=0.02,
                fixed_address=device.fixed_address,
                trusted_ca=self.ca,
                wake_every_seconds=device.wakes,
                awake_seconds=device.awake,
                sleeps_cleanly=device.cleanly,
            )

    async def __aenter__(self) -> Self:
        await self.lab.__aenter__()
        for unit in self.lab.units.values():
            # As in a real house, no device has been started just now.
            unit._booted_at -= self.age
        self.before = {name: unit.store for name, unit in self.lab.units.items()}
        self._write_files()
        self.secret_reader = SecretReader()
        self.plan = self.make_plan()
        self.journal = self.new_journal()
        return self

    async def __aexit__(self, *error: object) -> None:
        self.journal.close()
        await self.lab.__aexit__(None, None, None)

    def make_plan(self) -> Plan:
        """The frozen plan of the files as they are."""
        inputs = load(self.fleet, self.playbook)
        return make_plan(
            inputs.fleet,
            inputs.playbook,
            inputs.dialects,
            self.secret_reader.resolve,
            inputs.sources,
            created=now().isoformat(timespec="seconds"),
            tool="test",
        )

    def new_journal(self, name: str = "run") -> Journal:
        """The journal of a new run."""
        facts = {"fleet": str(self.fleet), "playbook": str(self.playbook)}
        return Journal.create(self.state / name / "journal.sqlite3", self.plan, now, facts)

    def reopen(self) -> Journal:
        """As a new process does after a crash."""
        self.journal.close()
        self.journal = Journal.open(self.journal.path, now)
        return self.journal

    def crew(self, secret_reader: SecretReader) -> Crew:
        """Everything that is known of the devices, as a new process has it."""
        return muster(self.plan, load(self.fleet, self.playbook), secret_reader.resolve)

    @asynccontextmanager
    async def conductor(
        self, journal: Journal | None = None, bend: Bend = lambda world: world
    ) -> AsyncIterator[Conductor]:
        """A conductor in an open world, made as the command line makes it in a new process."""
        secret_reader = SecretReader()
        crew = self.crew(secret_reader)
        async with world_for(crew) as world:
            yield Conductor(
                crew, journal or self.journal, bend(world), secret_reader.redactor(), self._tell
            )

    async def run(
        self, work: Work, journal: Journal | None = None, bend: Bend = lambda world: world
    ) -> Outcome:
        """Let a new conductor work."""
        async with self.conductor(journal, bend) as conductor:
            return await work(conductor)

    async def forward(self, *again: str, bend: Bend = lambda world: world) -> Outcome:
        """Move the fleet, or go on with it."""
        return await self.run(lambda conductor: conductor.forward(again), bend=bend)

    async def back(self, *names: str, bend: Bend = lambda world: world) -> Outcome:
        """Take devices back; all without names."""
        return await self.run(lambda conductor: conductor.back(names or None), bend=bend)

    def _tell(self, tidings: Tidings) -> None:
        self.told.append((asyncio.get_running_loop().time(), tidings))
        for hear in self.on_tidings:
            hear(tidings)

    # What the lab says

    def unit(self, name: str) -> Unit:
        """The device itself."""
        return self.lab.units[name]

    def target(self, name: str) -> Store:
        """What its memory must hold when it has moved; everything else as it was."""
        new, wanted = self.lab.new, self.before[name]
        if "wifi" in self.change:
            wanted = replace(wanted, wifi_name=new.ssid, wifi_key=new.secret)
        if "broker" in self.change:
            wanted = replace(
                wanted,
                broker_host=new.broker_host,
                broker_port=new.broker_port,
                broker_secure=new.broker_tls is not None,
                broker_user=new.broker_username or "",
                broker_password=new.broker_password or "",
            )
        if self.addressing is not None and self.unit(name).spec.family == "rowan":
            address = self.addressing.get(name, "")
            wanted = replace(
                wanted,
                fixed_address=address,
                fixed_mask="255.255.0.0" if address else "",
                fixed_gateway=str(new.subnet[1]) if address else "",
            )
        return replace(wanted, group="new-group") if "group" in self.change else wanted

    def moved(self, name: str) -> bool:
        """Whether it is on the new side in every respect, and everything is in force."""
        return self._is(name, self.target(name), "new" if "wifi" in self.change else "old")

    def as_before(self, name: str) -> bool:
        """Whether it is on the old side, memory and keys as they were, all in force."""
        return self._is(name, self.before[name], "old")

    def _is(self, name: str, wanted: Store, side: str) -> bool:
        unit = self.unit(name)
        by_mqtt = any(one.name == name and one.via == "mqtt" for one in self.devices)
        # Nobody asked for proof of the broker of a device that is moved over HTTP: its link may
        # still be on its way when it counts as moved.
        well = unit.up if by_mqtt or self.presence else unit.serving
        return (
            unit.store == wanted
            and unit.running == wanted
            and self.lab.where(name) == side
            and well
        )

    def bundles(self, name: str) -> int:
        """How many settings messages it took."""
        return len(self.unit(name).messages_that_changed)

    # What the journal says

    def states(self) -> dict[str, State]:
        """State by device."""
        return {row.name: row.state for row in self.journal.rows()}

    def note(self, name: str) -> str:
        """The last words about a device."""
        return self.journal.row(name).note

    # Files

    def _write_files(self) -> None:
        secrets = self.folder / "secrets"
        secrets.mkdir(mode=0o700)
        for name, text in SECRETS.items():
            handle = os.open(secrets / name, os.O_CREAT | os.O_WRONLY, 0o600)
            with os.fdopen(handle, "w", encoding="utf-8") as file:
                file.write(text + "\n")
        self.fleet.write_text("\n".join(self._fleet_lines()) + "\n", encoding="utf-8")
        self.playbook.write_text("\n".join(self._playbook_lines()) + "\n", encoding="utf-8")

    def _fleet_lines(self) -> Iterator[str]:
        for number, device in enumerate(self.devices, start=1):
            unit = self.unit(device.name)
            yield "\n[[device]]"
            yield f'name = "{device.name}"'
            yield f'mac = "{mac_of(number)}"'
            yield f'dialect = "{device.family}"'
            yield f'firmware = "{FIRMWARE[device.family]}"'
            yield f'via = "{device.via}"'
            if device.via == "http":
                # By its lease: one that sleeps is nowhere now.
                there = unit.address or self.lab.dhcp["old"].leases[_colons(unit.spec.mac)].address
                yield f'address = "{there}"'
                yield f"port = {unit.http_port}"
            yield f'topic = "t{number}"'
            yield f'reach = "{device.reach}"'
            for key in ("cover", "load"):
                if getattr(device, key):
                    yield f'{key} = "{getattr(device, key)}"'
            if device.feeds:
                yield f'feeds = ["{device.feeds}"]'
            if device.wakes:
                yield f"wakes_seconds = {device.wakes}"
            if device.quiet:
                yield f'quiet = ["{device.quiet}"]'
            if device.login:
                yield 'login = { username = "owner", password = { file = "secrets/login" } }'

    def _playbook_lines(self) -> Iterator[str]:
        old, new = self.lab.old, self.lab.new
        yield 'title = "a change"'
        if len(self.change) > 1:
            yield 'legs = "joined"'
        if "wifi" in self.change:
            yield f'[wifi]\nssid = "{new.ssid}"\nsecret = {{ file = "secrets/new-wifi" }}'
        if "broker" in self.change:
            yield "[broker]"
            yield from _broker_lines(new, "new-broker", self.ca)
        if "group" in self.change:
            yield '[group]\ntopic = "new-group"'
        if self.addressing is not None:
            fixed = ", ".join(f'{name} = "{one}"' for name, one in self.addressing.items())
            yield f'[addressing]\nfixed = {{ {fixed} }}\ngateway = "{new.subnet[1]}"'
        yield f'[old]\nsubnet = "{OLD_NET}"\nleases = "leases-old"'
        yield f'wifi = {{ ssid = "{old.ssid}", secret = {{ file = "secrets/old-wifi" }} }}'
        carriers = ", ".join(f'"{device.name}"' for device in self.devices if device.feeds)
        yield f"feeds_own_way_back = [{carriers}]"
        if self.with_broker:
            yield "[old.broker]"
            yield from _broker_lines(old, "old-broker", None)
        if "wifi" in self.change:
            yield f'[new]\nsubnet = "{NEW_NET}"\nleases = "leases-new"'
        pace = self.pace
        yield "[pace]"
        yield f"stranded_at_most = {pace.stranded_at_most}\nconfidence = {pace.confidence}"
        yield f"widest_wave = {pace.widest_wave}\nsoak_seconds = {pace.soak_seconds}"
        yield f"deadline_seconds = {{ least = {pace.least}, most = {pace.most} }}"
        yield f"reply_seconds = {pace.reply_seconds}\nlook_seconds = {pace.look_seconds}"
        yield f'[gate]\non_fault = "{self.on_fault}"'
        yield f"[proof]\npresence = {str(self.presence).lower()}"


_TAKEN: set[int] = set()


def _own_ports() -> list[int]:
    """Three free ports that no other house of this process has, up yet or not."""
    while not _TAKEN.isdisjoint(ports := free_ports(3)):
        pass
    _TAKEN.update(ports)
    return ports


def _open_broker(side: SideSpec) -> EmbeddedBroker:
    return EmbeddedBroker(side.broker_host, side.broker_port)


def mac_of(number: int) -> str:
    """A MAC of the documentation range (RFC 7042)."""
    return f"00-00-5E-00-53-{number:02X}"


def _colons(mac: str) -> str:
    return mac.lower().replace("-", ":")


def _broker_lines(side: SideSpec, secret: str, ca: Path | None) -> Iterator[str]:
    yield f'host = "{side.broker_host}"\nport = {side.broker_port}'
    if side.broker_username:
        yield f'username = "{side.broker_username}"'
        yield f'password = {{ file = "secrets/{secret}" }}'
    if side.broker_tls:
        yield f'tls = true\nca = "{ca}"'
