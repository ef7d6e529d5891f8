"""A small house on paper: fleet, playbook and secrets in a folder, for commands that only read."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from typer.testing import CliRunner

from migrate.cli.app import app

SECRETS = {
    "OLD_WIFI": "c4nary old wifi words",
    "NEW_WIFI": "c4nary new wifi words",
    "NEW_BROKER": "c4nary broker words",
}

FLEET = """
title = "Quarry Cottage"

[[device]]
name = "desk-lamp"
mac = "00-00-5E-00-53-01"
dialect = "larch"
address = "192.0.2.11"
topic = "desk-lamp"
place = "study"

[[device]]
name = "hall-plug"
mac = "00-00-5E-00-53-02"
dialect = "rowan"
via = "mqtt"
topic = "hall-plug"
"""

PLAYBOOK = """
title = "New access point"

[wifi]
ssid = "quarry-loft"
secret = { env = "NEW_WIFI" }

[broker]
host = "198.51.100.2"
username = "cottage"
password = { env = "NEW_BROKER" }

[old]
subnet = "192.0.2.0/24"
wifi = { ssid = "quarry-attic", secret = { env = "OLD_WIFI" } }
broker = { host = "192.0.2.2" }

[new]
subnet = "198.51.100.0/24"
leases = "leases-new"
"""


@dataclass(frozen=True)
class Ended:
    """How a command ended."""

    code: int
    out: str
    err: str

    @property
    def all(self) -> str:
        """Everything it said, on one line each way it was wrapped."""
        return f"{self.out}\n{self.err}"


def tells(ended: Ended, number: int, state: str) -> bool:
    """Whether a summary says that so many devices are in this state, in whichever order."""
    words = rf"\b{number} {state}\b|\b{state} {number}\b"
    return re.search(words, ended.out) is not None


def checked(ended: Ended) -> Ended:
    """What must be true of every command: no traceback, no secret, nothing that steers a
    terminal."""
    for text in (ended.out, ended.err):
        assert "Traceback" not in text, text
        assert 'File "' not in text, text
        assert "\x1b" not in text, text
        assert not [secret for secret in SECRETS.values() if secret in text], text
    return ended


@dataclass
class Paper:
    """The folder, and commands run on it in this process."""

    folder: Path
    env: dict[str, str | None] = field(default_factory=lambda: dict(SECRETS))

    def __post_init__(self) -> None:
        self.fleet.write_text(FLEET, encoding="utf-8")
        self.playbook.write_text(PLAYBOOK, encoding="utf-8")

    @property
    def fleet(self) -> Path:
        return self.folder / "fleet.toml"

    @property
    def playbook(self) -> Path:
        return self.folder / "house.toml"

    @property
    def plan_file(self) -> Path:
        return self.folder / "house.plan.json"

    @property
    def state(self) -> Path:
        return self.folder / "state"

    def edit(self, path: Path, old: str, new: str) -> None:
        """Change a file, as its owner would."""
        text = path.read_text(encoding="utf-8")
        assert old in text
        path.write_text(text.replace(old, new, 1), encoding="utf-8")

    def cli(self, *args: str | Path, **more: Any) -> Ended:
        """Run a command in this process."""
        env = {"XDG_STATE_HOME": str(self.folder / "xdg"), **self.env}
        result = CliRunner().invoke(app, [str(arg) for arg in args], env=env, **more)
        return checked(Ended(result.exit_code, result.stdout, result.stderr))

    def plan(self, *more: str) -> Ended:
        """migrate plan"""
        return self.cli("plan", self.playbook, "--fleet", self.fleet, *more)

    def dry_run(self) -> Ended:
        """migrate run --dry-run"""
        return self.cli("run", self.plan_file, "--dry-run", "--state", self.state)
