"""What all commands share: folders, secrets, problems in words, exit codes."""

from __future__ import annotations

import getpass
import re
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Annotated

import platformdirs
import typer
from filelock import FileLock, Timeout
from rich.console import Console
from rich.text import Text

import migrate
from migrate.engine.tidings import Outcome
from migrate.journal.store import Journal
from migrate.model.problems import BadFile, Busy, Exit, Problem, Trouble
from migrate.planning.plan import Plan
from migrate.ports.sockets import now
from migrate.ports.vault import Vault

out = Console(highlight=False)
err = Console(stderr=True, highlight=False)

TOOL = migrate.__version__

StateDir = Annotated[
    Path | None,
    typer.Option(
        "--state",
        help="Folder for journals and reports, instead of the system's own.",
        show_default=False,
    ),
]
RunName = Annotated[
    str | None,
    typer.Argument(help="Name of the run; without it, the newest.", show_default=False),
]
WriteOff = Annotated[
    list[str] | None,
    typer.Option(
        "--write-off", help="Go on without this device. Can be repeated.", metavar="DEVICE"
    ),
]


def vault() -> Vault:
    """Secrets by reference; asks the person only if there is one."""
    return Vault(lambda words: getpass.getpass(f"{words}: ")) if sys.stdin.isatty() else Vault()


def runs_folder(state: Path | None) -> Path:
    """Where the runs are, one folder each."""
    return (state or Path(platformdirs.user_state_dir("migrate"))) / "runs"


def new_run(state: Path | None, title: str) -> Path:
    """The folder of a new run: date, time and the playbook's title. Not created yet."""
    slug = re.sub(r"[^a-z0-9]+", "-", title.lower()).strip("-")[:40] or "change"
    return runs_folder(state) / f"{now():%Y%m%d-%H%M%S-%f}-{slug}"


def find_run(state: Path | None, name: str | None) -> Path:
    """The folder of a run, the newest without a name. Raises BadFile."""
    folder = runs_folder(state)
    found = sorted(path.parent for path in folder.glob("*/journal.sqlite3"))
    if name is not None:
        found = [path for path in found if path.name == name]
    if not found:
        what = f"there is no run {name!r}" if name else "there is no run yet"
        raise BadFile(Problem(what, "see the folder, or name another with --state", str(folder)))
    return found[-1]


def open_run(state: Path | None, name: str | None) -> Journal:
    """The journal of a run. Raises BadFile or JournalTrouble."""
    return Journal.open(find_run(state, name) / "journal.sqlite3", now)


@contextmanager
def fleet_lock(state: Path | None, plan: Plan) -> Iterator[None]:
    """Keeps a second run off this fleet. The system lets go of the lock when a process ends,
    however it ends. Raises Busy."""
    folder = runs_folder(state)
    folder.mkdir(parents=True, exist_ok=True, mode=0o700)
    lock = FileLock(folder / f"fleet-{plan.sources.fleet.sha256[:16]}.lock", timeout=0, mode=0o600)
    try:
        lock.acquire()
    except Timeout:
        raise Busy(
            Problem(
                "another run is working on this fleet",
                "wait for it, or stop it with Ctrl-C where it runs",
                plan.sources.fleet.path,
            )
        ) from None
    try:
        yield
    finally:
        lock.release()


@contextmanager
def problems_in_words() -> Iterator[None]:
    """Ends a command that met trouble with words and its exit code, never with a traceback."""
    try:
        yield
    except Trouble as trouble:
        show_problems(trouble)
        raise typer.Exit(trouble.exit) from None
    except KeyboardInterrupt:
        err.print(Text("stopped at once, as you asked"))
        raise typer.Exit(Exit.STOPPED) from None


def show_problems(trouble: Trouble) -> None:
    """Every problem: where, what, and what to do."""
    for problem in trouble.problems:
        place = ", ".join(part for part in (problem.where, problem.key, problem.device) if part)
        head = Text(f"{place}: " if place else "", "bold") + Text(problem.what)
        err.print(head, soft_wrap=True)
        if problem.remedy:
            err.print(Text(f"    what to do: {problem.remedy}"), soft_wrap=True)


def show_outcome(outcome: Outcome) -> None:
    """How it ended, and why."""
    out.print(Text(outcome.headline, "bold"))
    for reason in outcome.reasons:
        out.print(Text(f"  {reason}"))
