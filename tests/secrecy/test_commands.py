"""Every command, on a house whose devices tell what they were told: what it prints, what it leaves
in files and in the folder for temporary ones, its arguments and its environment."""

from __future__ import annotations

import asyncio
import os
import sys
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from migrate.cli.app import app
from migrate.cli.sheet import sheet
from migrate.lab import Unit, two_networks_possible
from migrate.lab.firmware.base import Facts
from migrate.model.problems import Exit
from tests.cli.house import Command
from tests.cli.starter import Starter
from tests.engine.harness import SECRETS, Dev, House, Pace
from tests.engine.scan import leaks, leaks_in_folder

SSIDS = ("old-net", "new-net")
PACE = Pace(soak_seconds=0.1, least=3, most=5, reply_seconds=2, look_seconds=0.1)

pytestmark = pytest.mark.skipif(
    not two_networks_possible(), reason="this machine has one loopback address"
)


def blabs(unit: Unit, words: str | None) -> None:
    """The device declines with these words; None: it does not."""
    truth = type(unit)._facts

    def facts() -> Facts:
        return replace(truth(unit), declines=words)

    unit._facts = facts  # type: ignore[method-assign]


class Shell:
    """Runs commands with a folder of their own for everything, and keeps all they print."""

    def __init__(self, house: House, starter: Starter) -> None:
        self._house, self._starter = house, starter
        self.printed = b""
        self.left = house.folder / "left"
        self.state = self.left / "state"
        (self.left / "tmp").mkdir(parents=True)
        self.env = {
            "PATH": os.environ["PATH"],
            "MIGRATE_LOCKS": os.environ["MIGRATE_LOCKS"],
            "HOME": str(self.left),
            "TMPDIR": str(self.left / "tmp"),
            "COLUMNS": "200",
            "PYTHONASYNCIODEBUG": "1",
        }

    async def __call__(self, *words: str | Path) -> int:
        """Run one to its end; its exit code."""
        args = [str(word) for word in words]
        if args[0] not in ("rehearse",):
            args += ["--state", str(self.state)]
        command = Command(self._starter)
        await command.begin(args, self.env, str(self._house.folder))
        ended = await command.ended()
        self.printed += ended.all.encode()
        assert "Traceback" not in ended.all
        return ended.code

    async def with_a_look_inside(self, *words: str | Path) -> int:
        """Run one as a process of its own, and look at what the system shows of it meanwhile."""
        command = await asyncio.create_subprocess_exec(
            sys.executable,
            "-m",
            "migrate",
            *(str(word) for word in (*words, "--state", self.state)),
            cwd=self._house.folder,
            env={**self.env, "PYTHONPATH": str(Path(__file__).parents[2])},
            stdin=asyncio.subprocess.DEVNULL,
            stdout=asyncio.subprocess.PIPE,
            stderr=asyncio.subprocess.STDOUT,
        )
        ended = asyncio.create_task(command.communicate())
        unit = self._house.unit("lamp")
        moved = asyncio.create_task(
            self._house.lab.wait_until(lambda: bool(unit.messages_that_changed), 60)
        )
        await asyncio.wait({ended, moved}, return_when=asyncio.FIRST_COMPLETED)
        self.shown = b"\n".join(shown_by_the_system(command.pid))
        assert b"migrate" in self.shown or sys.platform != "linux"
        out, _ = await asyncio.wait_for(ended, 90)
        moved.cancel()
        self.printed += out
        assert b"Traceback" not in out
        assert command.returncode is not None
        return command.returncode


def shown_by_the_system(pid: int) -> Iterator[bytes]:
    """Arguments and environment of a process and of all its children: proc(5)."""
    about = Path(f"/proc/{pid}")
    if not about.exists():
        return
    for name in ("cmdline", "environ"):
        yield (about / name).read_bytes()
    for children in about.glob("task/*/children"):
        for child in children.read_text().split():
            yield from shown_by_the_system(int(child))


async def test_every_command(tmp_path: Path, starter: Starter) -> None:
    devices = [
        Dev("a-pilot", "larch", login=True),
        Dev("lamp", "rowan"),
        Dev("fan", "sedge", "mqtt"),
    ]
    change: Any = ("wifi", "broker", "group")
    async with House(tmp_path, devices, change=change, pace=PACE) as house:
        shell = Shell(house, starter)
        plan, rest = shell.left / "a.plan.json", shell.left / "rest.plan.json"
        blabs(house.unit("fan"), f"no {SECRETS['new-wifi'].upper()}")
        assert await shell("plan", house.playbook, "--fleet", house.fleet, "--to", plan) == 0
        assert await shell("plan", house.playbook, "--fleet", house.fleet, "--why", "fan") == 0
        assert await shell("rehearse", plan, "--times", "20") == 0
        assert await shell("run", plan, "--dry-run") == 0
        assert await shell.with_a_look_inside("run", plan) == Exit.HELD
        assert await shell("status") == 0
        assert await shell("report") == 0
        assert await shell("sheet", "recovery") == 0
        assert await shell("replan", "--to", rest) == 0
        blabs(house.unit("fan"), None)
        # Something goes wrong in each way that stops a command.
        fleet = house.fleet.read_text()
        house.fleet.write_text(fleet + "\n# a remark\n")
        assert await shell("resume") == Exit.CHANGED
        house.fleet.write_text(fleet)
        (house.folder / "secrets" / "new-wifi").chmod(0o644)
        assert await shell("resume") == Exit.SECRET
        (house.folder / "secrets" / "new-wifi").chmod(0o600)
        assert await shell("resume", "--again", "fan", "--json") == Exit.DONE
        assert await shell("rollback") == Exit.DONE
        assert await shell("survey", house.playbook, "--fleet", house.fleet) == Exit.DONE
        assert await shell("status", "no-such-run") == Exit.BAD_FILE
        assert b"<hidden>" in shell.printed
        assert leaks(shell.printed, SECRETS, SSIDS) == []
        assert leaks(shell.shown, SECRETS, SSIDS) == []
        # The journals, what SQLite keeps beside them, reports, findings, plans, temporary files.
        names = {path.name for path in shell.left.rglob("*") if path.is_file()}
        left = {"journal.sqlite3", "report.html", "recovery.html", "findings.json"}
        assert {*left, plan.name, rest.name} <= names
        assert leaks_in_folder(shell.left, SECRETS, SSIDS) == {}


COMMANDS = [one.callback.__name__ for one in app.registered_commands if one.callback]
SHEETS = [f"sheet {one.callback.__name__}" for one in sheet.registered_commands if one.callback]


@pytest.mark.parametrize("command", ["", *COMMANDS, *SHEETS])
def test_no_help_text_tells_a_secret(command: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Not even where the environment holds them: no option takes its value from there unasked."""
    for name, secret in SECRETS.items():
        monkeypatch.setenv(name.upper().replace("-", "_"), secret)
        monkeypatch.setenv(f"MIGRATE_{name.upper().replace('-', '_')}", secret)
    words = [*command.replace("_", "-").split(), "--help"]
    shown = CliRunner().invoke(app, words)
    assert shown.exit_code == 0
    assert leaks(shown.output.encode(), SECRETS, SSIDS) == []


async def test_a_mistake_that_holds_a_secret(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Something raises with a secret in its words: neither these nor a traceback are shown."""

    def broken(*_: object, **__: object) -> None:
        raise RuntimeError(f"with {SECRETS['new-wifi']}") from ValueError(SECRETS["login"])

    async with House(tmp_path, [Dev("a-pilot", login=True)], pace=PACE) as house:
        plan = str(tmp_path / "a.plan.json")
        args = ["plan", str(house.playbook), "--fleet", str(house.fleet), "--to", plan]
        made = CliRunner().invoke(app, args, env={"XDG_STATE_HOME": str(tmp_path)})
        assert made.exit_code == 0, made.output
        monkeypatch.setattr("migrate.cli.run.resolve_all", broken)
        ended = CliRunner().invoke(app, ["run", plan, "--state", str(tmp_path / "state")])
        assert ended.exit_code == Exit.BUG
        assert "made a mistake and stopped: RuntimeError" in ended.output
        assert "Traceback" not in ended.output
        assert leaks(ended.output.encode(), SECRETS, SSIDS) == []
