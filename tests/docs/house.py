"""The house of docs/first-steps.md: its files as the documents show them, on a loopback lab."""

from __future__ import annotations

import asyncio
import re
import threading
import tomllib
from collections.abc import Coroutine, Iterator
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from ipaddress import IPv4Network
from pathlib import Path
from typing import Any, TypeVar

from migrate.lab import Fault, Lab, SideSpec, UnitSpec, free_port

from .markdown import ROOT, blocks, read

Result = TypeVar("Result")
OLD_KEY, NEW_KEY = "the tide goes out", "the tide comes in"
BROKER_KEY = "the tide stands still"
FAMILY = {"larch": "larch", "sedge": "sedge", "little-sedge": "sedge"}
FIRMWARE = {"larch": "3.1.0", "sedge": "0.9"}


def shown_files(document: str = "first-steps.md") -> dict[str, str]:
    """The files that a document shows, by the path that stands in their first line."""
    found = {}
    for block in blocks(read(ROOT / "docs" / document), "toml"):
        head, _, text = block.partition("\n")
        if re.fullmatch(r"# \S+\.toml", head):
            found[head.removeprefix("# ")] = text
    return found


@dataclass
class House:
    """A running lab, and the folder with the owner's files."""

    lab: Lab
    folder: Path
    _loop: asyncio.AbstractEventLoop

    def ask(self, work: Coroutine[Any, Any, Result]) -> Result:
        """Let the lab's loop do something."""
        return asyncio.run_coroutine_threadsafe(work, self._loop).result(30)

    def where(self) -> dict[str, str]:
        """On which side each device really is."""
        return {name: self.lab.where(name) for name in self.lab.units}

    def told(self) -> dict[str, int]:
        """How many messages that change something each device has really taken."""
        return {name: len(unit.messages_that_changed) for name, unit in self.lab.units.items()}

    def stores(self) -> dict[str, dict[str, Any]]:
        """Everything each device has stored, keys included."""
        return {name: asdict(unit.store) for name, unit in self.lab.units.items()}


@contextmanager
def house(
    folder: Path, faults: dict[str, Fault] | None = None, *, new_broker: bool = False
) -> Iterator[House]:
    """The house with its devices up, in a loop of its own, and the files in the folder.

    `new_broker`: it gets another broker, as docs/new-broker.md says, and keeps its network."""
    lab, http_port, broker_ports = _lab(folder, faults or {}, new_broker=new_broker)
    loop = asyncio.new_event_loop()
    thread = threading.Thread(target=loop.run_forever, name="lab")
    thread.start()
    try:
        here = House(lab, folder, loop)
        here.ask(lab.__aenter__())
        try:
            _write(here, http_port, broker_ports)
            yield here
        finally:
            here.ask(lab.__aexit__(None, None, None))
    finally:
        loop.call_soon_threadsafe(loop.stop)
        thread.join(30)
        loop.close()


def _lab(
    folder: Path, faults: dict[str, Fault], *, new_broker: bool
) -> tuple[Lab, int, dict[str, int]]:
    http_port, port = free_port(), free_port()
    hosts = {"old": "127.20.0.2", "new": "127.20.0.3" if new_broker else "127.20.0.2"}
    ports = {hosts["old"]: port} | ({hosts["new"]: free_port()} if new_broker else {})
    units = [
        UnitSpec(
            name=device["name"],
            family=FAMILY[device["dialect"]],  # type: ignore[arg-type]
            mac=device["mac"],
            topic=device.get("topic", device["name"]),
            restart_seconds=0.05,
            join_seconds=0.02,
            firmware=FIRMWARE[FAMILY[device["dialect"]]],
            fault=faults.get(device["name"]),
        )
        for device in tomllib.loads(shown_files()["fleet.toml"])["device"]
    ]
    old, new = (
        SideSpec(
            ssid=ssid,
            secret=key,
            subnet=IPv4Network(subnet),
            lease_file=folder / f"leases-{side}",
            broker_host=hosts[side],
            broker_port=ports[hosts[side]],
            broker_username="tide-devices" if new_broker and side == "new" else None,
            broker_password=BROKER_KEY if new_broker and side == "new" else None,
        )
        for side, ssid, key, subnet in (
            ("old", "tide-old", OLD_KEY, "127.20.0.0/24"),
            ("new", "tide-new", NEW_KEY, "127.30.0.0/24"),
        )
    )
    return Lab(units, old, new, http_port=http_port, routed=new_broker), http_port, ports


def _write(here: House, http_port: int, broker_ports: dict[str, int]) -> None:
    """The documents' files, with their addresses and times replaced by the lab's."""
    for path, text in {**shown_files(), **shown_files("new-broker.md")}.items():
        for device in tomllib.loads(shown_files()["fleet.toml"])["device"]:
            real = f'"{here.lab.units[device["name"]].address}"\nport = {http_port}'
            text = text.replace(f'"{device.get("address", "no address")}"', real)
        text = text.replace("192.0.2.", "127.20.0.").replace("198.51.100.", "127.30.0.")
        for host, port in broker_ports.items():
            # The port stands behind its host, on the same line or on the next.
            text = re.sub(rf'("{re.escape(host)}",?\s+port = )1883', rf"\g<1>{port}", text)
        text = re.sub("soak_seconds = .*", "soak_seconds = 0.2\nlook_seconds = 0.05", text)
        text = re.sub("deadline_seconds = .*", "deadline_seconds = { least = 2, most = 6 }", text)
        target = here.folder / path
        target.parent.mkdir(exist_ok=True)
        target.write_text(text, encoding="utf-8")
