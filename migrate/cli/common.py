"""What all commands share: folders, secrets, problems in words, exit codes."""

from __future__ import annotations

import getpass
import os
import re
import shlex
import sys
import traceback
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Annotated, Any

import platformdirs
import typer
from rich.console import Console
from rich.text import Text

import migrate
from migrate.engine.tidings import Outcome
from migrate.journal.store import Journal
from migrate.model.problems import BadFile, Exit, Problem, Trouble
from migrate.planning.plan import Plan
from migrate.ports.locks import device_locks, of_this_machine
from migrate.ports.secret_reader import SecretReader
from migrate.ports.sockets import now
from migrate.views.lines import harmless, say, tamed


class Screen(Console):
    """A console that falls silent when nobody reads it any more, or its disk is full: a run is not
    ended by that. What is printed cannot steer the terminal, wherever it is from."""

    def print(self, *objects: Any, **how: Any) -> None:
        """As rich's, with words that are tamed."""
        try:
            super().print(*(_tamed(one) for one in objects), **how)
        except OSError as error:
            self.on_broken_pipe()
            if not self.stderr:
                err.print(Text(f"standard output cannot be written: {error.strerror}"))

    def on_broken_pipe(self) -> None:
        """Called by rich. Nothing is raised, and nothing is left to be flushed into the pipe."""
        self.quiet = True
        with suppress(OSError, ValueError):  # it is no file of the system
            number = self.file.fileno()
            nowhere = os.open(os.devnull, os.O_WRONLY)
            os.dup2(nowhere, number)
            os.close(nowhere)

    def document(self, text: str) -> None:
        """A whole file, as it is. Raises BadFile if it cannot be written there."""
        try:
            self.file.write(text)
            self.file.flush()
        except BrokenPipeError:
            self.on_broken_pipe()
        except OSError as error:
            self.on_broken_pipe()
            what, remedy = f"cannot be written: {error.strerror}", "name a file with --to"
            raise BadFile(Problem(what, remedy, "standard output")) from None


def _tamed(one: Any) -> Any:
    if isinstance(one, Text):
        return tamed(one, keep="\n")
    return harmless(one, keep="\n") if isinstance(one, str) else one


out = Screen(highlight=False)
err = Screen(stderr=True, highlight=False)

TOOL = migrate.__version__
STOPPED_AT_ONCE = "stopped at once, as you asked"
STDOUT = Path("-")
"""Standard output, where a file is named."""

StateDir = Annotated[
    Path | None,
    typer.Option(
        "--state",
        metavar="FOLDER",
        help="Folder for journals and reports, instead of the system's own.",
        show_default=False,
    ),
]
RunName = Annotated[
    str | None,
    typer.Argument(
        metavar="RUN", help="Name of the run; without it, the newest.", show_default=False
    ),
]
WriteOff = Annotated[
    list[str] | None,
    typer.Option(
        "--write-off", help="Go on without this device. Can be repeated.", metavar="DEVICE"
    ),
]


def secret_reader() -> SecretReader:
    """Secrets by reference; asks the person only if there is one."""
    return (
        SecretReader(lambda words: getpass.getpass(f"{words}: "))
        if sys.stdin.isatty()
        else SecretReader()
    )


def runs_folder(state: Path | None) -> Path:
    """Where the runs are, one folder each. Raises BadFile for what can be no folder."""
    folder = (state or Path(platformdirs.user_state_dir("migrate"))).absolute() / "runs"
    try:
        folder.exists()
    except (OSError, ValueError) as error:
        what = f"cannot be used: {getattr(error, 'strerror', None) or 'is not a path'}"
        raise BadFile(Problem(what, "name another folder with --state", str(folder))) from None
    return folder


def new_run(state: Path | None, title: str) -> Path:
    """The folder of a new run: date, time and the playbook's title. Not created yet."""
    return runs_folder(state) / dated(now(), title, "change")


def dated(at: datetime, words: str, otherwise: str) -> str:
    """A folder's name: date, time, and words in small letters and hyphens, at most 40."""
    slug = re.sub(r"[^a-z0-9]+", "-", words.lower()).strip("-")[:40] or otherwise
    return f"{at:%Y%m%d-%H%M%S-%f}-{slug}"


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
    return open_journal(find_run(state, name) / "journal.sqlite3")


def open_journal(path: Path) -> Journal:
    """A journal; if it had to be mended, that is said. Raises JournalTrouble."""
    journal = Journal.open(path, now)
    if journal.salvaged:
        say(err, f"{path.parent.name}: {journal.salvaged}", hang=4, whole=True)
    return journal


def run_words(journal: Journal, state: Path | None) -> str:
    """A run as it is named on the command line, folder included."""
    name = journal.path.parent.name
    return f"{name} --state {shlex.quote(str(state))}" if state else name


@contextmanager
def fleet_lock(plan: Plan, simulated: Path | None = None) -> Iterator[None]:
    """Keeps other runs on this machine off the plan's devices, whoever started them. `simulated`:
    the folder of a run of simulated devices, which are nobody else's. Raises Busy, JournalTrouble.
    """
    macs = {device.name: device.mac for device in plan.devices}
    path = simulated / "devices.lock" if simulated else of_this_machine(os.environ)
    with device_locks(path, macs, shared=simulated is None):
        yield


@contextmanager
def problems_in_words() -> Iterator[None]:
    """Ends a command that met trouble with words and its exit code, never with a traceback."""
    try:
        yield
    except (KeyboardInterrupt, typer.Abort):  # the latter where a question is open
        err.print(Text(STOPPED_AT_ONCE))
        raise typer.Exit(Exit.STOPPED) from None
    except (typer.Exit, typer.BadParameter):
        raise
    except Exception as error:  # noqa: BLE001 - the last resort; nothing is hidden, see there
        first = innermost(error)
        if isinstance(first, Trouble):
            show_problems(first)
            raise typer.Exit(first.exit) from None
        show_mistake(first, "made a mistake and stopped")
        raise typer.Exit(Exit.BUG) from None


def innermost(error: BaseException) -> BaseException:
    """The first of what a group was raised for."""
    while isinstance(error, BaseExceptionGroup):
        error = error.exceptions[0]
    return error


def show_mistake(error: BaseException, what: str) -> None:
    """A mistake of the tool, and what came of it. Its kind and place alone: its words could hold a
    secret."""
    own = Path(migrate.__file__).parent
    places = [
        f"{Path(frame.filename).relative_to(own)}:{frame.lineno}"
        for frame in traceback.extract_tb(error.__traceback__)
        if Path(frame.filename).is_relative_to(own)
    ]
    err.print(
        Text(
            f"migrate {TOOL} {what}: {type(error).__name__} at "
            f"{' < '.join(reversed(places[-3:])) or 'an unknown place'}"
        ),
        soft_wrap=True,
    )
    err.print(
        Text(
            "    what to do: if devices were on their way, their run goes on with migrate resume; "
            "please report the line above to whoever you have migrate from"
        ),
        soft_wrap=True,
    )


def show_problems(trouble: Trouble) -> None:
    """Every problem: where, what, and what to do. What several devices have alike is said once,
    with the names of all of them."""
    devices: dict[Problem, list[str]] = {}
    for problem in trouble.problems:
        devices.setdefault(replace(problem, device=""), []).append(problem.device)
    for problem, found in devices.items():
        names = [name for name in dict.fromkeys(found) if name]
        who = f"each of {len(names)} devices" if len(names) > 1 else "".join(names)
        place = ", ".join(part for part in (_short(problem.where), problem.key, who) if part)
        told = f"{harmless(place)}: " if place else ""
        head = Text.assemble((told, "bold"), harmless(problem.what))
        say(err, head, hang=4, whole=True)
        if len(names) > 1:
            say(err, harmless(", ".join(names)), indent=4, whole=True)
        if problem.remedy:
            say(err, f"what to do: {harmless(problem.remedy)}", indent=4, whole=True)


def _short(place: str) -> str:
    """A path below the folder one is in, as one would type it; anything else as it is."""
    try:
        here, path = Path.cwd(), Path(place)
    except OSError:
        return place  # The folder one is in is gone.
    below = path.is_absolute() and path.is_relative_to(here) and here != Path(here.anchor)
    return str(path.relative_to(here)) if below else place


def show_outcome(outcome: Outcome) -> None:
    """How it ended, and why."""
    say(out, outcome.headline, "bold", hang=2, whole=True)
    for reason in outcome.reasons:
        say(out, reason, indent=2, hang=2, whole=True)
