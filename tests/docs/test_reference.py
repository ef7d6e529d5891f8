"""What the documents say of numbers, tables and keys is what the program does."""

from __future__ import annotations

import re
import subprocess
import sys
import tomllib
from importlib import resources

import pytest
from scipy import stats

from migrate.dialects.schema import Dialect
from migrate.model.fleet import Device
from migrate.model.lifecycle import TRANSITIONS, Direction, State
from migrate.model.parsing import validate
from migrate.model.playbook import Pace
from migrate.model.problems import Exit
from migrate.planning.waves import make_waves

from .markdown import ROOT, blocks, read, table

DOCS = ROOT / "docs"
README = read(ROOT / "README.md")
CI = read(ROOT / ".ci" / "run")


def test_file_reference_is_up_to_date() -> None:
    check = subprocess.run(
        [sys.executable, str(DOCS / "generate.py"), "--check"], capture_output=True, text=True
    )
    assert check.returncode == 0, check.stderr


def test_exit_codes_are_all_told() -> None:
    told = [(int(code), name) for code, name, *_ in table(read(DOCS / "exit-codes.md"), "code")]
    assert told == [(code.value, code.name) for code in Exit]


def test_life_cycle_is_told_step_by_step() -> None:
    told = {
        (state, event.partition(":")[0], after)
        for state, event, after in table(read(DOCS / "how-it-works.md"), "a device that is")
    }
    assert told == {
        (str(state), str(event), str(after))
        for (direction, state, event), after in TRANSITIONS.items()
        if direction is Direction.FORWARD
    }


def test_every_state_is_explained() -> None:
    told = table(read(DOCS / "when-something-goes-wrong.md"), "state")
    assert {word for row in told for word in re.findall(r"[a-z]+", row[0])} >= set(map(str, State))


def test_wave_numbers() -> None:
    # Source: scipy.stats.beta, as the exact bound of Clopper and Pearson (1934).
    for moved, bound, size in table(
        read(DOCS / "how-waves-are-sized.md"), "twins that moved, no fault"
    ):
        exact = stats.beta.ppf(0.95, 1, int(moved))
        assert f"{exact:.4f}" == bound
        assert max(1, int(1 / exact)) == int(size)


@pytest.mark.parametrize(
    ("pace", "number"),
    [(Pace(), 0), (Pace(stranded_at_most=2, confidence=0.9), 1)],
)
def test_wave_sequences(pace: Pace, number: int) -> None:
    text = read(DOCS / "how-waves-are-sized.md")
    told = re.findall(r"^    ((?:\d+ )+\d+)$", text, re.MULTILINE)[number]
    twins = [
        Device(name=f"lamp-{n}", mac=f"00-00-5E-00-53-{n:02X}", dialect="larch", firmware="1")
        for n in range(200)
    ]
    assert " ".join(str(len(wave.names)) for wave in make_waves(twins, pace)) == told


def test_dialect_page_builds_the_shipped_dialect() -> None:
    page = "\n".join(blocks(read(DOCS / "dialects.md"), "toml"))
    shipped = resources.files("migrate.dialects") / "shipped" / "sedge.toml"
    assert tomllib.loads(page) == tomllib.loads(shipped.read_text("utf-8"))
    validate(tomllib.loads(page), Dialect, "dialects.md", DOCS)


def test_dialect_page_names_every_key() -> None:
    told = read(DOCS / "dialects.md")
    for model in (Dialect, *(Dialect.model_fields[k].annotation for k in ("carries", "radio"))):
        for key in getattr(model, "model_fields"):  # noqa: B009 - some are optional types
            assert re.search(rf"\b{key}\b", told), key


def test_two_commands_do_all_set_up() -> None:
    demo, tests = (block.strip() for block in blocks(README, "sh"))
    for command, end in ((demo, ".venv/bin/migrate demo"), (tests, ".venv/bin/pytest")):
        assert "\n" not in command
        assert command.startswith("python3 -m venv .venv && .venv/bin/pip install -q ")
        assert command.endswith(f" && {end}")


def test_ci_runs_the_readme_command_and_the_rest() -> None:
    tests = blocks(README, "sh")[1].strip()
    # .ci/run takes the line out of README.md by this expression.
    expression = re.search(r"grep -E '([^']+)' README\.md", CI)
    assert expression is not None
    assert re.findall(expression[1], README, re.MULTILINE) == [tests]
    for step in ("ruff check", "ruff format --check", "mypy --strict", "lint-imports", "demo"):
        assert step in CI
    assert (ROOT / ".ci" / "run").stat().st_mode & 0o111
    assert subprocess.run(["bash", "-n", str(ROOT / ".ci" / "run")]).returncode == 0
