"""The whole job on real networks: plan, run, report, rollback; and what goes wrong there.

What the tool says is held against what others know: each device's own kernel, the DHCP servers'
lease files, the operator's neighbour table.
"""

from __future__ import annotations

import shutil
import tomllib
from pathlib import Path

import pytest

from migrate.model.problems import Exit
from migrate.ports.sources.lease_formats import parse_leases

from .town import PATH, Device, Town, check_possible, missing, write_files

pytestmark = [pytest.mark.long, pytest.mark.timeout(180)]
SERVERS = {"dhcpd": "dhcpd", "kea": "kea-dhcp4"}
ABOUT = (
    ("desk", "larch", "http"),
    ("hall", "larch", "mqtt"),
    ("attic", "rowan", "http"),
    ("cellar", "rowan", "mqtt"),
    ("porch", "sedge", "http"),
    ("shed", "sedge", "mqtt"),
)


@pytest.fixture(autouse=True)
def _possible() -> None:
    check_possible()


def devices(**faults: str) -> list[Device]:
    return [
        Device(name, family, via, f"00-00-5E-00-53-{number:02X}", faults.get(name, ""))  # type: ignore[arg-type]
        for number, (name, family, via) in enumerate(ABOUT, 1)
    ]


def mac_of(lease_file: Path) -> dict[str, str]:
    """MAC by address, as the DHCP server wrote it."""
    lines = [line.split() for line in lease_file.read_text().splitlines()]
    return {fields[2]: fields[1].upper().replace(":", "-") for fields in lines if len(fields) == 5}


async def test_the_whole_fleet_there_and_back(tmp_path: Path) -> None:
    async with Town(tmp_path, devices()) as town:
        write_files(town)
        planned = await town.migrate("plan", "town.toml")
        assert planned.code == Exit.DONE, planned.all
        before = {name: d.now["settings"] for name, d in town.devices.items()}
        looked = await town.migrate("run", "town.plan.json", "--dry-run")
        assert looked.code == Exit.DONE, looked.all
        assert set(town.where().values()) == {"old"}

        moved = await town.migrate("run", "town.plan.json")
        assert moved.code == Exit.DONE, moved.all + str(town.devices["shed"].events)
        assert "6 of 6 devices are on the new side" in moved.out
        assert set(town.where().values()) == {"new"}
        leased, known = mac_of(town.new.leases), town.neighbours()
        for name, device in town.devices.items():
            address = town.kernel_address(name)
            assert address == device.now["address"]
            assert leased[address] == device.mac
            assert device.now["changed"] == 1
            assert device.now["settings"]["host"] == town.new.router
            if device.via == "http":
                assert known[address] == device.mac
                assert address in moved.out

        report = await town.migrate("report")
        assert report.code == Exit.DONE, report.all
        back = await town.migrate("rollback")
        assert back.code == Exit.DONE, back.all
        assert set(town.where().values()) == {"old"}
        assert {name: d.now["settings"] for name, d in town.devices.items()} == before
        assert not any(secret in moved.all + back.all for secret in town.secrets.values())


async def test_a_wrong_passphrase_costs_the_pilot_alone(tmp_path: Path) -> None:
    async with Town(tmp_path, devices(), new_secret="herring bladder 9023") as town:
        write_files(town)
        assert (await town.migrate("plan", "town.toml")).code == Exit.DONE
        held = await town.migrate("run", "town.plan.json")
        assert held.code == Exit.HELD, held.all
        told = [name for name, device in town.devices.items() if device.now["changed"]]
        assert len(told) == 1
        assert f"{told[0]} is adrift" in held.out
        assert town.where() == {name: None if name in told else "old" for name in town.devices}
        # It really is on no network: its kernel has no address, and nobody else was sent anything.
        assert town.kernel_address(told[0]) == ""
        lost = await town.migrate("adrift")
        assert lost.code == Exit.HELD, lost.all
        assert told[0] in lost.out
        assert town.new.ssid in lost.out


async def test_one_that_comes_back_to_the_old_network(tmp_path: Path) -> None:
    async with Town(tmp_path, devices(desk="RETURNS_TO_OLD")) as town:
        write_files(town)
        assert (await town.migrate("plan", "town.toml")).code == Exit.DONE
        held = await town.migrate("run", "town.plan.json")
        assert held.code == Exit.HELD, held.all
        assert "desk has returned" in held.out
        assert town.where()["desk"] == "old"
        # Its lease is on the old network as before; nobody took the other's word for it.
        assert town.devices["desk"].mac in mac_of(town.old.leases).values()
        again = await town.migrate("resume", "--again", "desk")
        assert again.code == Exit.DONE, again.all
        assert set(town.where().values()) == {"new"}
        assert town.devices["desk"].now["changed"] == 2


@pytest.mark.parametrize("kind", ["dhcpd", "kea"])
async def test_lease_files_of_other_servers(tmp_path: Path, kind: str) -> None:
    """ISC dhcpd and Kea, from Debian, write what is read here."""
    if shutil.which(SERVERS[kind], path=PATH) is None:
        missing(f"no {SERVERS[kind]} here: install your system's package")
    async with Town(tmp_path, devices(), dhcp=kind) as town:
        write_files(town)
        assert (await town.migrate("plan", "town.toml")).code == Exit.DONE
        moved = await town.migrate("run", "town.plan.json")
        assert moved.code == Exit.DONE, moved.all
        assert set(town.where().values()) == {"new"}
        for name, device in town.devices.items():
            (lease,) = parse_leases(town.new.leases.read_text())[device.mac][:1]
            assert str(lease.address) == town.kernel_address(name)
            assert lease.name == name


async def test_found_without_any_lease_file(tmp_path: Path) -> None:
    """By a sweep of the new network and by the kernel's neighbours alone: what only a real network
    shows. Over HTTP; on the old side they are found in the lease file."""
    async with Town(tmp_path, devices()) as town:
        more = '[finding]\nways = ["neighbours", "sweep"]\n'
        write_files(town, leases=False, more=more)
        planned = await town.migrate("plan", "town.toml")
        assert planned.code == Exit.DONE, planned.all
        moved = await town.migrate("run", "town.plan.json")
        assert moved.code == Exit.DONE, moved.all
        assert set(town.where().values()) == {"new"}
        back = await town.migrate("rollback")
        assert back.code == Exit.DONE, back.all
        assert set(town.where().values()) == {"old"}


async def test_find_on_a_real_network(tmp_path: Path) -> None:
    """Every device by its own MAC, though no file names one; strangers are told apart."""
    async with Town(tmp_path, devices()) as town:
        write_files(town)
        (tmp_path / "fleet.toml").unlink()
        found = await town.migrate(
            *("find", "--playbook", "town.toml", "--range", "192.0.2.0/24", "--seconds", "1"),
            *("--dialect", "larch", "--dialect", "rowan", "--dialect", "sedge", "--write"),
        )
        assert found.code == Exit.DONE, found.all
        written = tomllib.loads((tmp_path / "fleet.toml").read_text())["device"]
        assert {d["mac"] for d in written} == {d.mac for d in town.devices.values()}
        addresses = {d["mac"]: d["address"] for d in written}
        for name, device in town.devices.items():
            assert addresses[device.mac] == town.kernel_address(name)
