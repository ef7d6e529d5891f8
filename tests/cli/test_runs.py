"""Runs against the lab: each way they end, each exit code, and the way on in a new process.

Judged by the lab's own truth: where its devices are, and what they took.
"""

from __future__ import annotations

import asyncio
import os
import resource
import signal
import sqlite3
import subprocess
import sys
from pathlib import Path

import pytest

from migrate.lab import Fault, FaultKind
from migrate.model.problems import Exit

from .house import LAMP, LIGHT, LOGIN, PLUG, House, elsewhere, house
from .paper import SECRETS, tells
from .starter import Starter


def no_secret_in(one: House) -> None:
    kept = one.in_state()
    for secret in (*SECRETS.values(), LOGIN):
        assert secret.encode() not in kept


async def test_the_whole_way_there_and_back(tmp_path: Path, starter: Starter) -> None:
    """Each command in a new process, from another folder, by relative paths where it can be."""
    async with house(tmp_path, starter) as one:
        with elsewhere(tmp_path):
            assert one.cli("plan", "../house.toml", "--fleet", "../fleet.toml").code == 0
        looked = await one.there("run", "house.plan.json", "--dry-run", cwd=tmp_path)
        assert looked.code == Exit.DONE, looked.all
        assert "3 of 3 devices answered as they must. Nothing was changed." in looked.out
        assert "wifi.ssid quarry-attic" in looked.out
        assert '"key":"<hidden>"' in looked.out
        assert one.changed() == [0, 0, 0]
        assert not (one.state / "runs").exists()

        (tmp_path / "elsewhere" / "deep").mkdir()
        moved = await one.there("run", "../../house.plan.json", cwd=tmp_path / "elsewhere" / "deep")
        assert moved.code == Exit.DONE, moved.all
        assert "3 of 3 devices are on the new side" in moved.out
        assert one.wheres() == ["new", "new", "new"]
        assert one.changed() == [1, 1, 1]

        told = await one.there("status", cwd="/")
        assert told.code == Exit.DONE
        assert "3 settled" in told.out
        run = one.run_folder.name
        assert f"migrate rollback {run} --state {one.state}" in told.out
        written = (one.run_folder / "report.html").read_text()
        printed = await one.there("report", "--to", "-", cwd="/")
        assert printed.out == written
        made = await one.there("report", cwd="/")
        assert made.out == f"{one.run_folder / 'report.html'}\n"
        assert (one.run_folder / "report.html").read_text() == written

        back = await one.there("rollback", run, "--only", LIGHT, cwd="/")
        assert back.code == Exit.DONE, back.all
        assert one.wheres() == ["new", "new", "old"]
        back = await one.there("rollback", cwd=tmp_path / "elsewhere")
        assert back.code == Exit.DONE, back.all
        assert one.wheres() == ["old", "old", "old"]
        assert tells(one.cli("status", "--state", one.state), 3, "restored")
        no_secret_in(one)


async def test_held_at_a_gate(tmp_path: Path, starter: Starter) -> None:
    fault = Fault(FaultKind.RETURNS_TO_OLD, times=1)
    async with house(tmp_path, starter, (LAMP, fault)) as one:
        one.plan()
        held = await one.run()
        assert held.code == Exit.HELD, held.all
        assert f"{LAMP} has returned" in held.out
        run = one.run_folder.name
        advice = f"migrate resume {run} --state {one.state} --again {LAMP}"
        assert advice in held.out
        assert advice in one.cli("status", "--state", one.state).out
        assert one.wheres() == ["old", "old", "old"]
        assert one.changed() == [1, 0, 0]
        still = await one.there("resume")
        assert still.code == Exit.HELD
        assert one.changed() == [1, 0, 0]
        done = await one.there(*advice.split()[1:3], "--again", LAMP)
        assert done.code == Exit.DONE, done.all
        assert one.wheres() == ["new", "new", "new"]
        assert one.changed() == [2, 1, 1]
        no_secret_in(one)


async def test_a_device_that_declines_and_is_written_off(tmp_path: Path, starter: Starter) -> None:
    async with house(tmp_path, starter, (LAMP, Fault(FaultKind.DECLINES))) as one:
        one.plan()
        held = await one.run()
        assert held.code == Exit.HELD, held.all
        assert f"{LAMP} has declined" in held.out
        assert "busy" in held.out
        done = await one.there("resume", "--write-off", LAMP)
        assert done.code == Exit.DONE, done.all
        assert "1 written off" in done.out
        assert one.wheres() == ["old", "new", "new"]


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
async def test_stopped_between_devices(
    tmp_path: Path, starter: Starter, number: signal.Signals
) -> None:
    """The first press: what is on its way is followed, nothing more is sent."""
    async with house(tmp_path, starter, soak=1.0) as one:
        one.plan()
        async with one.begun("run", one.plan_file, "--state", one.state) as command:
            await one.lab.wait_until(lambda: one.unit(LAMP).messages_that_changed)
            command.press(number)
            stopped = await command.ended()
        assert stopped.code == Exit.STOPPED, stopped.all
        if number is not signal.SIGHUP:  # then nobody is there to read it
            assert "stopping: nothing more is sent" in stopped.err
            assert f"migrate resume {one.run_folder.name} --state {one.state}" in stopped.out
        assert one.wheres() == ["new", "old", "old"]
        assert one.changed() == [1, 0, 0]
        assert "1 settled" in one.cli("status", "--state", one.state).out
        if number is signal.SIGINT:
            assert (await one.there("resume")).code == Exit.DONE
            assert one.wheres() == ["new", "new", "new"]
            assert one.changed() == [1, 1, 1]


async def test_stopped_at_once_and_busy_meanwhile(tmp_path: Path, starter: Starter) -> None:
    """The second press ends a wait without end; before that, nobody else gets at the devices."""
    async with house(
        tmp_path, starter, (LAMP, Fault(FaultKind.NO_RETURN, times=1)), most=600
    ) as one:
        one.edit(one.playbook, "least = 1", "least = 600")
        one.plan()
        async with one.begun("run", one.plan_file, "--state", one.state) as command:
            await one.lab.wait_until(lambda: one.unit(LAMP).last_restart_began)

            # The same plan; then an edited fleet file, in which the lamp has another name.
            busy = await one.run()
            assert busy.code == Exit.BUSY, busy.all
            assert "another run is working on desk-lamp and 2 more" in busy.err
            one.edit(one.fleet, f'name = "{LAMP}"', 'name = "lamp"')
            other = one.folder / "other.plan.json"
            assert one.plan("--to", str(other)).code == 0
            assert (await one.there("run", other)).code == Exit.BUSY
            assert (await one.there("resume")).code == Exit.BUSY
            assert (await one.there("rollback")).code == Exit.BUSY
            one.edit(one.fleet, 'name = "lamp"', f'name = "{LAMP}"')
            assert len(list((one.state / "runs").glob("*/journal.sqlite3"))) == 1

            told = one.cli("status", "--state", one.state)  # reading is free
            assert tells(told, 1, "away")
            assert 'looks for "quarry-loft", with the passphrase in the' in told.out

            command.press()
            await command.until_it_says("stopping:")
            command.press()
            stopped = await command.ended()
        assert stopped.code == Exit.STOPPED, stopped.all
        assert "stopped at once, as you asked" in stopped.out
        assert tells(one.cli("status", "--state", one.state), 1, "away")
        await one.unit(LAMP).power_cycle()
        done = await one.there("resume")
        assert done.code == Exit.DONE, done.all
        assert one.changed() == [1, 1, 1]  # nothing was sent twice


async def test_killed_and_resumed(tmp_path: Path, starter: Starter) -> None:
    """SIGKILL: locks are gone with the process, the journal is whole."""
    async with house(tmp_path, starter, soak=0.5) as one:
        one.plan()
        async with one.begun("run", one.plan_file, "--state", one.state) as command:
            await one.lab.wait_until(lambda: one.unit(LAMP).messages_that_changed)
            command.press(signal.SIGKILL)
            assert (await command.ended()).code == -signal.SIGKILL
        done = await one.there("resume")
        assert done.code == Exit.DONE, done.all
        assert one.changed() == [1, 1, 1]
        assert one.wheres() == ["new", "new", "new"]


async def test_a_reader_that_goes_away_does_not_end_a_run(tmp_path: Path, starter: Starter) -> None:
    """As in `migrate run ... | head -1`."""
    async with house(tmp_path, starter) as one:
        one.plan()
        async with one.begun("run", one.plan_file, "--state", one.state) as command:
            await one.lab.wait_until(lambda: one.unit(LAMP).messages_that_changed)
            command.stop_reading()
            ended = await command.ended()
        assert (ended.code, ended.err) == (Exit.DONE, "")
        assert one.wheres() == ["new", "new", "new"]
        assert (one.run_folder / "report.html").exists()


# 10: journal


async def test_a_journal_that_cannot_be_written_any_more(tmp_path: Path, starter: Starter) -> None:
    """In the middle of a run. The database itself refuses the next step, as on a disk error."""
    async with house(tmp_path, starter, soak=1.0) as one:
        one.plan()
        async with one.begun("run", one.plan_file, "--state", one.state) as command:
            await one.lab.wait_until(lambda: one.unit(LAMP).messages_that_changed)
            with sqlite3.connect(one.run_folder / "journal.sqlite3", timeout=10) as journal:
                journal.execute(
                    "CREATE TRIGGER broken BEFORE INSERT ON event WHEN NEW.after = 'settled' "
                    "BEGIN SELECT RAISE(ABORT, 'disk I/O error'); END"
                )
            journal.close()
            failed = await command.ended()
        assert failed.code == Exit.JOURNAL, failed.all
        assert "disk I/O error" in failed.err
        assert str(one.run_folder / "journal.sqlite3") in failed.err
        assert "broken off; nothing more was sent" in failed.out
        assert one.changed() == [1, 0, 0]
        with sqlite3.connect(one.run_folder / "journal.sqlite3") as journal:
            journal.execute("DROP TRIGGER broken")
        journal.close()
        assert (await one.there("resume")).code == Exit.DONE
        assert one.changed() == [1, 1, 1]


@pytest.mark.parametrize("octets", [1, 20_000])
async def test_a_disk_that_is_full(tmp_path: Path, starter: Starter, octets: int) -> None:
    """No file may grow beyond this (RLIMIT_FSIZE, getrlimit(2)), so the journal cannot be begun;
    nothing is sent without it."""
    async with house(tmp_path, starter) as one:
        one.plan()
        failed = await asyncio.to_thread(_with_little_disk, one, octets)
        assert failed.returncode == Exit.JOURNAL, failed.stderr
        assert "the journal cannot be" in failed.stderr
        assert "Traceback" not in failed.stderr
        assert one.changed() == [0, 0, 0]
        assert one.wheres() == ["old", "old", "old"]


def _with_little_disk(one: House, octets: int) -> subprocess.CompletedProcess[str]:
    def limit() -> None:
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (octets, octets))

    return subprocess.run(
        [sys.executable, "-m", "migrate", "run", one.plan_file, "--state", one.state],
        env={
            "PATH": os.environ["PATH"],
            "MIGRATE_LOCKS": os.environ["MIGRATE_LOCKS"],
            "PYTHONDONTWRITEBYTECODE": "1",  # else half a file of it is left behind
            **{k: v for k, v in one.env.items() if v},
        },
        preexec_fn=limit,
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )


# 11: unreachable


async def test_a_device_that_is_not_there(tmp_path: Path, starter: Starter) -> None:
    async with house(tmp_path, starter) as one:
        one.plan()
        await one.unit(LIGHT).power_off()
        looked = await one.there("run", one.plan_file, "--dry-run")
        assert looked.code == Exit.UNREACHABLE
        assert "2 of 3 devices answered" in looked.out
        failed = await one.run()
        assert failed.code == Exit.UNREACHABLE, failed.all
        assert f"{LIGHT}: was found on neither side" in failed.err
        assert f"--write-off {LIGHT}" in failed.err
        assert "no device was sent anything" in failed.out
        assert one.changed() == [0, 0, 0]
        done = await one.there("resume", "--write-off", LIGHT)
        assert done.code == Exit.DONE, done.all
        assert one.wheres() == ["new", "new", "nowhere"]


async def test_a_broker_that_refuses_and_one_that_is_gone(tmp_path: Path, starter: Starter) -> None:
    async with house(tmp_path, starter) as one:
        one.plan()
        one.env["NEW_BROKER"] = "c4nary other words"
        refused = await one.run()
        assert refused.code == Exit.UNREACHABLE, refused.all
        assert "the new broker refuses the user name or password" in refused.err
        assert "[broker]" in refused.err
        assert "c4nary" not in refused.all
        assert one.lab.old_broker is not None
        await one.lab.old_broker.stop()
        gone = await one.run()
        assert gone.code == Exit.UNREACHABLE
        assert "the old broker cannot be reached" in gone.err
        assert "[old.broker]" in gone.err
        assert one.changed() == [0, 0, 0]


async def test_ctrl_c_before_anything_is_open(tmp_path: Path, starter: Starter) -> None:
    """While a broker does not answer: the world is not open, and there is nothing to follow."""
    async with house(tmp_path, starter) as one:

        async def silent(reader: asyncio.StreamReader, _: asyncio.StreamWriter) -> None:
            connected.set()
            await reader.read()

        connected = asyncio.Event()
        server = await asyncio.start_server(silent, "127.0.0.1", 0)
        port = server.sockets[0].getsockname()[1]
        old = f'broker = {{ host = "{one.lab.old.broker_host}", port = {one.lab.old.broker_port}'
        one.edit(one.playbook, old, f'broker = {{ host = "127.0.0.1", port = {port}')
        one.plan()
        async with one.begun("run", one.plan_file, "--state", one.state) as command:
            async with asyncio.timeout(30):
                await connected.wait()
            command.press()
            stopped = await command.ended()
        server.close()
        assert stopped.code == Exit.STOPPED, stopped.all
        assert "stopped at once" in stopped.out
        assert "no device was sent anything" in stopped.out
        assert one.changed() == [0, 0, 0]
        assert PLUG in one.cli("status", "--state", one.state).out
