"""Where a run stands, from its journal alone."""

from __future__ import annotations

import shlex
from collections.abc import Iterable, Sequence
from typing import Literal

from rich.console import Console
from rich.table import Table
from rich.text import Text

from migrate.journal.rows import Row
from migrate.journal.store import ALL_TOLD, Journal
from migrate.model.lifecycle import FAULTS, GOAL, UNRESOLVED, Direction, State
from migrate.planning.adrift import OPEN
from migrate.views.adrift import search_of, show_networks
from migrate.views.ending import Advice
from migrate.views.lines import harmless, say, show
from migrate.views.outputs import show_outputs
from migrate.views.words import CAUTION, leg_in_words, settings_in_words, tally


def show_status(journal: Journal, console: Console) -> None:
    """Every device and what is known of it; for those not well, what they were last given."""
    rows = journal.rows()
    say(console, f"{journal.plan.title}: {tally(row.state for row in rows)}", "bold")
    if leg := leg_in_words(journal.plan.leg):
        say(console, leg[0].upper() + leg[1:])
    table = Table(box=None, pad_edge=False)
    for heading in ("wave", "device", "state", "last words"):
        table.add_column(heading, overflow="fold")
    for row in sorted(rows, key=lambda row: row.wave):
        state = f"{row.state}{', written off' if row.written_off else ''}"
        words = Text(harmless(row.note))
        table.add_row(Text(str(row.wave + 1)), Text(row.name), Text(state), words)
    show(console, table)
    show_outputs(journal, console, apart=True)
    ill = [row for row in rows if row.state in FAULTS | UNRESOLVED]
    if ill:
        console.print()
        show_ill(journal, ill, console)


def show_ill(journal: Journal, rows: Sequence[Row], console: Console) -> None:
    """What the owner must know of devices that are not where they should be."""
    for row in sorted(rows, key=lambda row: journal.plan.device(row.name).reach.rank):
        device = journal.plan.device(row.name)
        say(console, Text.assemble((row.name, "bold"), f" {row.state.told} ({device.place})"))
        if row.note:
            say(console, row.note, indent=2)
        if row.given and row.state in OPEN:
            words = harmless(settings_in_words(row.given))
            say(console, f"last given: {words}", indent=2, hang=2)
    search = search_of(journal)
    if search.clues:
        say(console, "By what they were given:")
        show_networks(search, console)
    if any(row.state is State.ADRIFT for row in rows):
        say(console, CAUTION)


Flip = Literal["telling", "waits", "done"] | None
"""For a leg that is one step for all: whether devices are still to be told, or the access point may
be changed now, or has been, as far as the owner said. None for any other leg."""


def flip_of(journal: Journal) -> Flip:
    """How it stands with the access point."""
    if not journal.plan.leg.together:
        return None
    if journal.flipped:
        return "done"
    # Changed before that, it would leave behind whoever has not been told.
    gone = all(row.state is State.AWAY for row in journal.rows() if not row.written_off)
    return "waits" if gone and journal.last_of(ALL_TOLD) else "telling"


def show_advice(advice: Iterable[Advice], console: Console) -> None:
    """Print commands as they are typed, unbroken, each with what it does below it."""
    for one in advice:
        console.print(Text(f"  {harmless(one.command)}"), soft_wrap=True)
        say(console, one.what, indent=6)


def advice_of(journal: Journal, run: str) -> list[Advice]:
    """What the owner can do next. `run`: the run as it is named on the command line."""
    rows = journal.rows()
    if journal.simulated and all(row.state is GOAL[row.direction] for row in rows):
        return []  # a house that does not exist needs no way back
    return how_to_go_on(rows, run, flip=flip_of(journal))


def how_to_go_on(rows: Sequence[Row], run: str, *, flip: Flip = None) -> list[Advice]:
    """Commands that make sense now."""
    lines = []
    ill = [row.name for row in rows if row.state in FAULTS and not row.written_off]
    again = [
        row.name
        for row in rows
        if row.state in (State.DECLINED, State.RETURNED)
        and row.direction is Direction.FORWARD
        and not row.written_off
    ]
    going_back = [
        row.name
        for row in rows
        if row.direction is Direction.BACK
        and row.state is not State.RESTORED
        and not row.written_off
    ]
    unfinished = any(row.state is not GOAL[row.direction] and not row.written_off for row in rows)
    on_their_way = any(
        row.state in UNRESOLVED | {State.ADRIFT} and not row.written_off for row in rows
    )
    moved = any(row.state in (State.SETTLED, State.SEEN, State.ADRIFT) for row in rows)
    if flip == "waits" and on_their_way and not ill:
        lines.append(
            Advice(f"migrate resume {run} --flipped", "once the access point has been changed")
        )
    elif unfinished and not ill:
        lines.append(Advice(f"migrate resume {run}", "goes on where it stopped"))
    if ill:
        lines.append(Advice(f"migrate resume {run}", "looks for the missing again, then goes on"))
    if again:
        name = shlex.quote(again[0])
        lines.append(
            Advice(f"migrate resume {run} --again {name}", "sends it its bundle once more")
        )
    if going_back:
        only = f"migrate rollback {run} --only {shlex.quote(going_back[0])}"
        lines.append(Advice(only, "goes on taking it back"))
    if ill:
        name = shlex.quote(ill[0])
        lines.append(Advice(f"migrate resume {run} --write-off {name}", "goes on without it"))
    if unfinished and not on_their_way and not flip:
        lines.append(Advice(f"migrate replan {run}", "plans the rest anew, with what was learned"))
    if moved and not flip:
        lines.append(Advice(f"migrate rollback {run}", "takes back everything that moved"))
    if any(row.state is State.ADRIFT for row in rows):
        lines.append(
            Advice(f"migrate adrift {run}", "what the missing look for, and how to get them back")
        )
    return lines
