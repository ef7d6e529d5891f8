"""Three homes, moved by three workers in processes of their own, over real stores."""

from __future__ import annotations

import json
import signal
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from migrate.lab import Fault, FaultKind
from migrate.model.problems import Exit
from tests.engine.harness import Dev

from .trio import FLEETS, SITES, Process, Trio, no_traceback

pytestmark = [pytest.mark.long, pytest.mark.timeout(180)]


async def _status(trio: Trio) -> dict[str, dict[str, Any]]:
    assert await trio.command("campaign", "status", "--json") == 0, trio.said()
    seen = json.loads(trio.said().splitlines()[-1])
    return {site["site"]: site for site in seen["sites"]}


async def _states(trio: Trio) -> dict[str, str]:
    return {name: site["state"] for name, site in (await _status(trio)).items()}


def _no_mistakes(trio: Trio) -> None:
    for name in (*SITES, "command"):
        assert not no_traceback(trio.said(name)), trio.said(name)


@pytest.mark.parametrize("postgres", [True, False], ids=["PostgreSQL", "SQLite"])
async def test_there_and_back(tmp_path: Path, postgres: bool) -> None:
    async with Trio(tmp_path, postgres=postgres) as trio:
        assert await trio.command("campaign", "run") == 0, trio.said()
        for home in trio.homes.values():
            assert all(home.moved(name) for name in home.lab.units)
        assert await _states(trio) == dict.fromkeys(SITES, "moved")
        assert await trio.command("campaign", "run") == 0  # nothing is left to do
        assert await trio.command("campaign", "rollback") == 0, trio.said()
        for home in trio.homes.values():
            assert all(home.as_before(name) for name in home.lab.units)
        assert await _states(trio) == dict.fromkeys(SITES, "back")
        assert await trio.command("campaign", "run") == Exit.REFUSED  # it goes forward no more
        assert await trio.command("campaign", "report", "--to", "report.html") == 0
        assert "alder" in (tmp_path / "report.html").read_text(encoding="utf-8")
    _no_mistakes(trio)


def _with_fault(site: str, device: str, fault: Fault) -> Mapping[str, list[Dev]]:
    bent = [replace(d, fault=fault) if d.name == device else d for d in FLEETS[site]]
    return {**FLEETS, site: bent}


async def test_a_held_site_keeps_back_only_those_that_come_after_it(tmp_path: Path) -> None:
    # birch is held; cedar comes after it, alder does not.
    fleets = _with_fault("birch", "plug", Fault(FaultKind.DECLINES))
    async with Trio(tmp_path, after={"cedar": "birch"}, fleets=fleets) as trio:
        assert await trio.command("campaign", "run") == Exit.HELD
        assert await _states(trio) == {"alder": "moved", "birch": "held", "cedar": "waiting"}
        assert trio.homes["cedar"].journals == []
        told = (await _status(trio))["cedar"]["words"]
        assert told == "comes after birch, which is held"
        # An answer for a site that waits for none is refused; nothing is given.
        again = await trio.command("campaign", "run", "--retry", "alder")
        assert again == Exit.REFUSED
        assert await trio.command("campaign", "run", "--write-off", "birch/plug") == 0, trio.said()
        assert await _states(trio) == dict.fromkeys(SITES, "moved")
        home = trio.homes["birch"]
        assert {name for name in home.lab.units if not home.moved(name)} == {"plug"}
    _no_mistakes(trio)


async def test_stopped_it_stops_between_two_devices_and_goes_on(tmp_path: Path) -> None:
    # So slow that no home is through before its worker hears of it.
    slow = {
        name: [replace(device, restart_seconds=2.5) for device in devices]
        for name, devices in FLEETS.items()
    }
    async with Trio(tmp_path, fleets=slow) as trio:
        one = trio.coordinator("run")
        await trio.heard("alder", "sending")
        assert await trio.command("campaign", "stop") == 0
        assert await one.over == Exit.STOPPED
        states = await _states(trio)
        assert "stopped" in states.values()
        assert not {"asked", "under way"} & set(states.values())
        for home in trio.homes.values():
            # What had been sent was followed to its end.
            assert all(home.moved(n) or home.as_before(n) for n in home.lab.units)
        assert await trio.command("campaign", "run") == 0
        assert await _states(trio) == dict.fromkeys(SITES, "moved")
    _no_mistakes(trio)


async def test_one_coordinator_and_one_worker_a_site(tmp_path: Path) -> None:
    async with Trio(tmp_path) as trio:
        one = trio.coordinator("run")
        await trio.heard("coordinator", "under way")
        assert await trio.command("campaign", "run") == Exit.BUSY
        # The same folder, and another one: neither is a second worker of this site.
        same = ["worker", "--site", "alder", "alder/worker.toml", "--state"]
        assert await trio.command(*same, str(trio.homes["alder"].state)) == Exit.BUSY
        assert await trio.command(*same, str(tmp_path / "elsewhere")) == Exit.BUSY
        assert "another worker" in trio.said()
        assert await one.over == 0
    _no_mistakes(trio)


async def test_a_worker_that_leaves_keeps_its_errand(tmp_path: Path) -> None:
    async with Trio(tmp_path) as trio:
        one = trio.coordinator("run")
        await trio.heard("alder", "sending")
        assert await trio.workers["alder"].end() == Exit.STOPPED
        assert (await _states(trio))["alder"] == "under way"
        trio.start_worker("alder")
        assert await one.over == 0
        assert await _states(trio) == dict.fromkeys(SITES, "moved")
    _no_mistakes(trio)


async def test_a_coordinator_that_is_ended_leaves_the_sites_at_work(tmp_path: Path) -> None:
    async with Trio(tmp_path) as trio:
        one: Process = trio.coordinator("run")
        await trio.heard("coordinator", "under way")
        assert await one.end() == Exit.STOPPED
        assert "go on by themselves" in trio.said("coordinator")
        while "moved" not in (await _states(trio)).values():
            pass
        assert await trio.command("campaign", "run") == 0
    _no_mistakes(trio)


async def test_what_was_changed_at_a_site_is_not_run(tmp_path: Path) -> None:
    async with Trio(tmp_path) as trio:
        fleet = trio.homes["birch"].fleet
        fleet.write_text(fleet.read_text() + "\n# a word more\n")
        assert await trio.command("campaign", "run") == Exit.HELD
        seen = await _status(trio)
        assert seen["birch"]["state"] == "refused"
        assert "was changed since" in seen["birch"]["words"]
        assert all(trio.homes["birch"].as_before(n) for n in trio.homes["birch"].lab.units)
        assert {seen["alder"]["state"], seen["cedar"]["state"]} == {"moved"}
        # And a changed campaign file here.
        place = tmp_path / "campaign.toml"
        place.write_text(place.read_text() + "\n# a word more\n")
        assert await trio.command("campaign", "run") == Exit.CHANGED
        assert await trio.command("campaign", "status") == 0
    _no_mistakes(trio)


async def test_a_worker_is_ended_at_once_by_a_second_signal(tmp_path: Path) -> None:
    async with Trio(tmp_path) as trio:
        one = trio.coordinator("run")
        await trio.heard("alder", "sending")
        worker = trio.workers["alder"]
        worker.send(signal.SIGINT)
        await trio.heard("alder", "leaving")
        worker.send(signal.SIGINT)
        assert await worker.over == Exit.STOPPED
        trio.start_worker("alder")
        assert await one.over == 0
    _no_mistakes(trio)


async def test_a_worker_that_was_taken_over_leaves(tmp_path: Path) -> None:
    async with Trio(tmp_path) as trio:
        words = ["worker", "--site", "alder", "alder/worker.toml", "--take-over", "--state"]
        other = Process(
            "other", [*words, str(tmp_path / "elsewhere")], trio.env("alder"), trio.folder
        )
        assert await trio.workers["alder"].over == Exit.BUSY
        assert "has another worker now" in trio.said("alder")
        assert await other.end() == 0
        trio.start_worker("alder")
        assert await trio.workers["alder"].over == Exit.BUSY


async def test_an_errand_that_was_cancelled_in_the_database_is_not_done_beside_the_next(
    tmp_path: Path,
) -> None:
    """Whoever administers the server can do that; two runs must not follow one fleet."""
    async with Trio(tmp_path) as trio:
        one = trio.coordinator("run")
        await trio.heard("alder", "sending")
        assert trio.postgres is not None
        with trio.postgres.admin("campaign") as db:
            db.execute(
                "UPDATE dbos.workflow_status SET status = 'CANCELLED' "
                "WHERE workflow_uuid LIKE 'alder/%/move/1'"
            )
        assert await one.over == Exit.HELD
        assert await trio.command("campaign", "run", "--retry", "alder") == 0, trio.said()
        assert await _states(trio) == dict.fromkeys(SITES, "moved")
        home = trio.homes["alder"]
        assert {name: home.bundles(name) for name in home.lab.units} == dict.fromkeys(
            home.lab.units, 1
        )
    _no_mistakes(trio)
