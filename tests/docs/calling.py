"""Running what a document shows, and laying its excerpts beside what is said."""

from __future__ import annotations

import re
from pathlib import Path

from typer.testing import CliRunner

from migrate.cli.app import app

from .house import BROKER_KEY, NEW_KEY, OLD_KEY
from .markdown import Command, commands

SECRETS = (OLD_KEY, NEW_KEY, BROKER_KEY)


def call(command: Command, code: int = 0) -> str:
    """Run a command as shown; its output goes where the command says."""
    result = CliRunner().invoke(app, command.arguments)
    assert result.exit_code == code, f"{command.text}: {result.exit_code}\n{result.output}"
    assert not any(secret in result.output for secret in SECRETS)
    if command.target:
        Path(command.target).write_text(result.stdout, encoding="utf-8")
    return result.output


def typed(line: str) -> Command:
    """A command that no document shows, as if one did."""
    (command,) = commands(f"```console\n$ {line}\n```\n")
    return command


def says(output: str, excerpt: str) -> None:
    """Every line of an excerpt stands in the output, in this order. Numbers, times and addresses
    differ from run to run."""
    said = iter([_shape(line) for line in output.splitlines()])
    for line in excerpt.splitlines():
        if line.strip():
            assert _shape(line) in said, f"not said, or not any more: {line}\n{output}"


def _shape(line: str) -> str:
    return re.sub(r"\d+(\.\d+)?", "#", line.strip())
