"""The packages of campaigns are extra: a single home needs none of them, and whoever asks for a
campaign without them is told so in words."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from migrate.model.problems import Exit

EXTRA = ("dbos", "sqlalchemy", "psycopg")
WITHOUT = f"""
import importlib.util, sys

found = importlib.util.find_spec
def find_spec(name, package=None):
    return None if name.partition(".")[0] in {EXTRA!r} else found(name, package)
importlib.util.find_spec = find_spec
for name in {EXTRA!r}:
    sys.modules[name] = None  # an import raises ModuleNotFoundError (Python reference, 5.3.1)
from migrate.cli.app import main
main()
"""


def _without(folder: Path, *args: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-c", WITHOUT, *args],
        cwd=folder, capture_output=True, text=True, timeout=60, check=False,
    )  # fmt: skip


@pytest.mark.parametrize(
    "args",
    [
        ("campaign", "prepare"),
        ("campaign", "plan"),
        ("campaign", "run"),
        ("campaign", "status"),
        ("campaign", "stop"),
        ("campaign", "rollback"),
        ("campaign", "report"),
        ("campaign", "demo"),
        ("worker", "--site", "alder"),
    ],
)
def test_what_is_missing_is_told_in_words(tmp_path: Path, args: tuple[str, ...]) -> None:
    ended = _without(tmp_path, *args)
    assert ended.returncode == Exit.MISSING
    assert "pip install 'migrate[campaign]'" in ended.stderr
    assert "Traceback" not in ended.stderr
    assert list(tmp_path.iterdir()) == []


def test_every_other_command_does_without(tmp_path: Path) -> None:
    assert _without(tmp_path, "--help").returncode == 0
    told = _without(tmp_path, "campaign", "--help")
    assert told.returncode == 0
    assert "worker" in told.stdout
    ended = _without(tmp_path, "status", "--state", str(tmp_path))
    assert ended.returncode == Exit.BAD_FILE  # there is no run, which is all that is wrong


def test_a_single_home_loads_nothing_of_it(tmp_path: Path) -> None:
    script = (
        "import sys\nimport migrate.cli.app\nimport migrate.cli.run\n"
        f"print([name for name in {EXTRA!r} if name in sys.modules])"
    )
    ended = subprocess.run(
        [sys.executable, "-c", script], cwd=tmp_path, capture_output=True, text=True, check=True
    )
    assert ended.stdout.strip() == "[]"
