"""`migrate survey`: read the whole fleet, wherever it is; change nothing."""

from __future__ import annotations

import asyncio
import shlex
from contextlib import closing
from pathlib import Path
from typing import Annotated

import typer
from rich.text import Text

from migrate.cli.common import (
    TOOL,
    StateDir,
    find_run,
    open_journal,
    out,
    problems_in_words,
    runs_folder,
    secret_reader,
)
from migrate.cli.conduct import resolve_all
from migrate.engine.crew import Crew, muster_to_read
from migrate.engine.roll_call import roll_call, snapshot_of_run
from migrate.engine.seek import Seeker
from migrate.engine.talk import Talker
from migrate.model.problems import BadFile, Exit, Problem, Unreachable
from migrate.model.secrets import Redactor
from migrate.planning.snapshots import Comparison, Seen, Snapshot, compare
from migrate.ports.files import load
from migrate.ports.protocols import SideName
from migrate.ports.snapshots import free_place, named, place_for, read_snapshot, write_snapshot
from migrate.ports.sockets import now, real_world
from migrate.ports.sources.leases import lease_files, unreadable
from migrate.views.snapshot import show_comparison, show_snapshot

FLEET = Path("fleet.toml")


def survey(
    playbook: Annotated[
        Path, typer.Argument(metavar="PLAYBOOK", help="The playbook, which names both sides.")
    ],
    fleet: Annotated[
        Path, typer.Option("--fleet", metavar="FILE", help="The fleet file, TOML or CSV.")
    ] = FLEET,
    against: Annotated[
        str | None,
        typer.Option(
            "--against",
            metavar="SNAPSHOT|RUN",
            help="Tell what has changed since this snapshot, or since before this run.",
            show_default=False,
        ),
    ] = None,
    out_file: Annotated[
        Path | None,
        typer.Option(
            "--to",
            metavar="FILE",
            help="Where to write the snapshot; without it, into the state folder.",
            show_default=False,
        ),
    ] = None,
    state: StateDir = None,
) -> None:
    """Read every device, wherever it is, and keep what they tell. Changes nothing.

    Tells who is where, what differs from the fleet file and among twins, who hears the access
    point weakly, and who is missing. The snapshot is kept, without secrets. With --against the
    exit code is 6 if a device has changed, 11 if one cannot be compared, and 0 if all are the same.

    Example: migrate survey home-wifi.toml --to before.json
    """
    with problems_in_words():
        folder = runs_folder(state).parent / "surveys"
        before = earlier(state, folder, against) if against is not None else None
        inputs = load(fleet, playbook)
        at = now()
        place = free_place(out_file or place_for(folder, inputs.fleet.title, at))
        created = at.isoformat(timespec="seconds")
        crew = muster_to_read(inputs, secret_reader().resolve, created=created, tool=TOOL)
        redactor = resolve_all(crew)
        notes = [f"Look at this first: {words}." for words in unreadable(lease_files(crew.sides))]
        seen, unheard = asyncio.run(_read(crew, redactor))
        found = Snapshot(
            kind="survey",
            title=inputs.fleet.title,
            at=created,
            tool=TOOL,
            device=tuple(seen),
        )
        write_snapshot(place, found)
        show_snapshot(found, inputs.fleet, [*notes, *unheard], out)
        told = compare(before, found) if before is not None else None
        if before is not None and told is not None:
            show_comparison(before, told, out)
        out.print()
        out.print(Text(f"Nothing was changed. Kept in {place}"), soft_wrap=True)
        if before is None:
            out.print("Later, to see what has changed since:")
            name = place.stem if out_file is None else str(place)
            words = ["migrate", "survey", str(playbook)]
            words += ["--fleet", str(fleet)] if fleet != FLEET else []
            words += ["--state", str(state)] if state is not None else []
            out.print(Text(f"  {shlex.join([*words, '--against', name])}"), soft_wrap=True)
        raise typer.Exit(exit_of(found, told))


def exit_of(found: Snapshot, told: Comparison | None) -> Exit:
    """A change is told before that something could not be compared; to be read, no sleeper needs
    to be awake, but to be compared it must."""
    if told is not None and told.changed:
        return Exit.CHANGED
    missing = any(one.standing == "missing" for one in found.device)
    return Exit.UNREACHABLE if missing or (told is not None and told.unproven) else Exit.DONE


def earlier(state: Path | None, folder: Path, name: str) -> Snapshot:
    """The snapshot that the owner means: a file, the name of one in the folder of snapshots, or a
    run. Raises BadFile or JournalTrouble."""
    place = named(folder, name)
    if place is not None:
        return read_snapshot(place)
    try:
        run = find_run(state, name)
    except BadFile:
        raise BadFile(
            Problem(
                f"there is no snapshot and no run {name!r}",
                f"name a file, a snapshot in {folder}, or a run",
                "--against",
            )
        ) from None
    # From the journal itself: that is what a rollback restores.
    with closing(open_journal(run / "journal.sqlite3")) as journal:
        return snapshot_of_run(journal)


async def _read(crew: Crew, redactor: Redactor) -> tuple[list[Seen], list[str]]:
    """All devices, and in words which broker was not to be had."""
    # What befalls a task that nobody waits for is not printed: it could hold a secret.
    asyncio.get_running_loop().set_exception_handler(lambda loop, context: None)
    heard, unheard = await _brokers(crew)
    async with real_world(crew.sides, heard, _topics(crew), crew.resolve) as world:
        seeker = Seeker(crew, world, Talker(world.line, redactor))
        return await roll_call(crew, seeker, heard), unheard


def _topics(crew: Crew) -> list[str]:
    return [topic for member in crew.members.values() for topic in member.mqtt_topics]


async def _brokers(crew: Crew) -> tuple[list[SideName], list[str]]:
    """Sides whose broker can be had. One that is not there yet, or no longer, is no reason to read
    nobody."""
    heard: list[SideName] = []
    unheard: list[str] = []
    if not _topics(crew):
        return heard, unheard
    for side, its in crew.sides.items():
        if its.broker is None:
            continue
        try:
            async with real_world(crew.sides, [side], [], crew.resolve):
                heard.append(side)
        except Unreachable as trouble:
            what = "; ".join(str(problem) for problem in trouble.problems)
            unheard.append(f"Not heard, so nobody is found over it: {what}")
    return heard, unheard
