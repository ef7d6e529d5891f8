"""Three towns in network namespaces, each with two real networks, DHCP servers and brokers, and a
worker on its operator's machine; a head office with PostgreSQL over TLS, and a line between that
can be unplugged. Addresses are those of RFC 5737.
"""

from __future__ import annotations

import asyncio
import json
import os
import subprocess
from collections.abc import AsyncIterator
from contextlib import AsyncExitStack, asynccontextmanager
from pathlib import Path

import pytest
import trustme

from tests.namespaces.node import BRIDGE, ip
from tests.namespaces.town import PREFIX, Device, Town, check_possible, write_files

from .postgres import OWNER, Postgres
from .trio import SITES, Process, no_traceback

pytestmark = [pytest.mark.long, pytest.mark.timeout(300)]
OFFICE_ADDRESS = "203.0.113.1"


@pytest.fixture(autouse=True)
def _possible() -> None:
    check_possible()


class Office:
    """The head office, and the wide-area network: a bridge with a cable to each town."""

    def __init__(self, folder: Path) -> None:
        mark = f"{PREFIX}{os.getpid()}"
        self.folder = folder
        self.space, self.wide = f"{mark}-office", f"{mark}-wide"

    def lay(self, towns: dict[str, Town]) -> None:
        """Namespaces and cables; an address of the same network at each end."""
        for space in (self.space, self.wide):
            ip("netns", "add", space)
            ip("-n", space, "link", "set", "lo", "up")
        ip("-n", self.wide, "link", "add", BRIDGE, "type", "bridge")
        ip("-n", self.wide, "link", "set", BRIDGE, "up")
        self._cable(self.space, "office", OFFICE_ADDRESS)
        for number, (name, town) in enumerate(towns.items(), 11):
            self._cable(town.operator, name, f"203.0.113.{number}")

    def _cable(self, space: str, end: str, address: str) -> None:
        ip(
            *("-n", space, "link", "add", "wide", "type", "veth"),
            *("peer", "name", end, "netns", self.wide),
        )
        ip("-n", self.wide, "link", "set", end, "master", BRIDGE, "up")
        ip("-n", space, "address", "add", f"{address}/24", "dev", "wide")
        ip("-n", space, "link", "set", "wide", "up")

    def plug(self, name: str, up: bool) -> None:
        """Plug in the cable of a town, or pull it out: nobody is told."""
        ip("-n", self.wide, "link", "set", name, "up" if up else "down")

    def remove(self) -> None:
        """Take both namespaces down."""
        for space in (self.space, self.wide):
            subprocess.run(["ip", "netns", "delete", space], check=False, capture_output=True)

    def certificate(self, server: Postgres) -> None:
        """TLS as in earnest: an authority that the sites know, and a key that only the server
        reads."""
        authority = trustme.CA()
        issued = authority.issue_cert(OFFICE_ADDRESS)
        authority.cert_pem.write_to_path(str(self.folder / "ca.pem"))
        key, chain = server.folder / "server.key", server.folder / "server.pem"
        issued.private_key_pem.write_to_path(str(key))
        issued.cert_chain_pems[0].write_to_path(str(chain))
        for path in (key, chain):
            server.give(path)


def campaign_files(office: Office, server: Postgres, towns: dict[str, Town]) -> None:
    """The campaign file of the office, and that of each worker."""
    store = f'[store]\nhost = "{OFFICE_ADDRESS}"\nport = {server.port}\nca = "{{ca}}"\n'
    server.keep_words(office.folder)
    own = f'account = "{OWNER}"\npassword = {{ file = "{OWNER}.word" }}\n'
    sites = "".join(f'[[site]]\nname = "{name}"\naccount = "site_{name}"\n' for name in towns)
    pace = "[pace]\nheld_at_most = 2\nconfidence = 0.6\n"
    text = pace + store.format(ca="ca.pem") + own + sites
    (office.folder / "campaign.toml").write_text(text)
    for name, town in towns.items():
        (town.folder / "campaign.toml").write_text(
            store.format(ca=office.folder / "ca.pem")
            + f'[[site]]\nname = "{name}"\naccount = "site_{name}"\nplaybook = "town.toml"\n'
            + f'fleet = "fleet.toml"\npassword = {{ file = "{office.folder}/site_{name}.word" }}\n'
        )


@asynccontextmanager
async def campaign_of_towns(folder: Path) -> AsyncIterator[tuple[Office, dict[str, Town]]]:
    """Everything up; the workers have still to be started."""
    office = Office(folder)
    towns: dict[str, Town] = {}
    for name in SITES:
        (folder / name).mkdir()
        devices = [
            Device("desk", "larch", "http", "00-00-5E-00-53-01"),
            Device("shed", "sedge", "mqtt", "00-00-5E-00-53-02"),
        ]
        towns[name] = Town(folder / name, devices, called=name)
    extra = ["-c", f"listen_addresses={OFFICE_ADDRESS}", "-c", "ssl=on"]
    async with AsyncExitStack() as stack:
        stack.callback(office.remove)
        await asyncio.gather(*(stack.enter_async_context(town) for town in towns.values()))
        office.lay(towns)
        server = Postgres(
            *(f"site_{name}" for name in SITES),
            inside=("ip", "netns", "exec", office.space),
            extra=extra,
        )
        extra += ["-c", f"ssl_cert_file={server.folder}/server.pem"]
        extra += ["-c", f"ssl_key_file={server.folder}/server.key"]
        server.options(extra, hba="hostssl all all 203.0.113.0/24 scram-sha-256")
        office.certificate(server)
        stack.enter_context(server)
        accounts: dict[str, str | None] = {name: f"site_{name}" for name in SITES}
        await asyncio.to_thread(server.prepare, accounts)
        campaign_files(office, server, towns)
        for town in towns.values():
            write_files(town, stranded=2)
        yield office, towns


async def test_a_town_whose_line_is_unplugged_goes_on_and_is_told_later(tmp_path: Path) -> None:
    async with campaign_of_towns(tmp_path) as (office, towns):
        workers = {
            name: Process(
                name,
                ["worker", "--site", name, "campaign.toml"],
                town.environment(),
                town.folder,
                inside=("ip", "netns", "exec", town.operator),
            )
            for name, town in towns.items()
        }
        office_environment = towns["alder"].environment() | {"NEW_WIFI": "", "OLD_WIFI": ""}
        inside = ("ip", "netns", "exec", office.space)

        async def command(*args: str) -> int:
            one = Process(
                "command", list(args), office_environment, tmp_path, frozenset(), inside=inside
            )
            return await one.over

        try:
            assert await command("campaign", "plan") == 0, said(tmp_path, "command")
            run = Process("run", ["campaign", "run"], office_environment, tmp_path, inside=inside)
            # Only outwards: nobody listens on the operator's machine (ss(8)).
            for town in towns.values():
                heard = subprocess.run(  # noqa: ASYNC221
                    ["ip", "netns", "exec", town.operator, "ss", "-Hltun"],
                    capture_output=True, text=True, check=True,
                )  # fmt: skip
                assert heard.stdout == ""
            while "sending" not in said(towns["alder"].folder, "alder"):  # noqa: ASYNC110
                await asyncio.sleep(0.02)
            office.plug("alder", up=False)
            await towns["alder"].until(lambda: set(towns["alder"].where().values()) == {"new"})
            assert "alder: moved" not in said(tmp_path, "run")
            office.plug("alder", up=True)
            async with asyncio.timeout(150):
                assert await run.over == 0, said(tmp_path, "run")
            assert "alder: moved, 2 of 2 devices" in said(tmp_path, "run")
            for town in towns.values():
                assert set(town.where().values()) == {"new"}
            assert await command("campaign", "rollback") == 0, said(tmp_path, "command")
            for town in towns.values():
                assert set(town.where().values()) == {"old"}
            assert await command("campaign", "status", "--json") == 0
            states = {
                site["site"]: site["state"]
                for site in json.loads(said(tmp_path, "command").splitlines()[-1])["sites"]
            }
            assert states == dict.fromkeys(SITES, "back")
        finally:
            for worker in workers.values():
                await worker.end()
        for name, town in towns.items():
            assert not no_traceback(said(town.folder, name))


def said(folder: Path, name: str) -> str:
    """What a process has said so far."""
    place = folder / f"{name}.said"
    return place.read_text(encoding="utf-8") if place.exists() else ""
