"""The house of docs/first-steps.md: its files as the document shows them, on a loopback lab."""

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
FAMILY = {"larch": "larch", "sedge": "sedge", "little-sedge": "sedge"}
FIRMWARE = {"larch": "3.1.0", "sedge": "0.9"}


def shown_files() -> dict[str, str]:
    """The files that the document shows, by the path that stands in their first line."""
    found = {}
    for block in blocks(read(ROOT / "docs" / "first-steps.md"), "toml"):
        head, _, text = block.partition("\n")
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
def house(folder: Path, faults: dict[str, Fault]) -> Iterator[House]:
    """The house with its devices up, in a loop of its own, and the files in the folder."""
    lab, http_port, broker_port = _lab(folder, faults)
    loop = asyncio.new_event_loop()
    thread = threading.Thread(target=loop.run_forever, name="lab")
    thread.start()
    try:
        here = House(lab, folder, loop)
        here.ask(lab.__aenter__())
        try:
            _write(here, http_port, broker_port)
            yield here
        finally:
            here.ask(lab.__aexit__(None, None, None))
    finally:
        loop.call_soon_threadsafe(loop.stop)
        thread.join(30)
        loop.close()


def _lab(folder: Path, faults: dict[str, Fault]) -> tuple[Lab, int, int]:
    broker_port, http_port = free_port(), free_port()
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
            lease_file=folder / leases,
            broker_host="127.20.0.2",
            broker_port=broker_port,
        )
        for ssid, key, subnet, leases in (
            ("tide-old", OLD_KEY, "127.20.0.0/24", "leases-old"),
            ("tide-new", NEW_KEY, "127.30.0.0/24", "leases-new"),
        )
    )
    return Lab(units, old, new, http_port=http_port), http_port, broker_port


def _write(here: House, http_port: int, broker_port: int) -> None:
    """The document's files, with its addresses and times replaced by the lab's."""
    for path, text in shown_files().items():
        for device in tomllib.loads(shown_files()["fleet.toml"])["device"]:
            real = f'"{here.lab.units[device["name"]].address}"\nport = {http_port}'
            text = text.replace(f'"{device.get("address", "no address")}"', real)
        text = text.replace("192.0.2.", "127.20.0.").replace("198.51.100.", "127.30.0.")
        text = text.replace("port = 1883", f"port = {broker_port}")
        text = re.sub("soak_seconds = .*", "soak_seconds = 0.2\nlook_seconds = 0.05", text)
        text = re.sub("deadline_seconds = .*", "deadline_seconds = { least = 2, most = 6 }", text)
        target = here.folder / path
        target.parent.mkdir(exist_ok=True)
        target.write_text(text, encoding="utf-8")
