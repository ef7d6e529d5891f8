"""Where a run stands, from its journal alone."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

from rich.console import Console
from rich.table import Table
from rich.text import Text

from migrate.journal.store import ALL_TOLD, Journal, Row
from migrate.model.lifecycle import FAULTS, GOAL, UNRESOLVED, State
from migrate.model.settings import Setting, shown
from migrate.views.lines import say, show
from migrate.views.words import CAUTION, count, leg_in_words, settings_in_words, tally


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
        table.add_row(Text(str(row.wave + 1)), Text(row.name), Text(state), Text(row.note))
    show(console, table)
    ill = [row for row in rows if row.state in FAULTS | UNRESOLVED]
    if ill:
        console.print()
        show_ill(journal, ill, console)


def show_ill(journal: Journal, rows: Sequence[Row], console: Console) -> None:
    """What the owner must know of devices that are not where they should be."""
    for row in sorted(rows, key=lambda row: journal.plan.device(row.name).reach.rank):
        device = journal.plan.device(row.name)
        say(console, Text.assemble((row.name, "bold"), f" is {row.state} ({device.place})"))
        say(console, row.note, indent=2)
        if row.given and row.state in (State.ADRIFT, State.AWAY, State.SENDING):
            say(console, f"last given: {settings_in_words(row.given)}", indent=2, hang=2)
            ssid = row.given.get(Setting.WIFI_SSID)
            if ssid is not None:
                say(console, f"so it now looks for the network {shown(ssid)}", indent=2)
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


def how_to_go_on(rows: Sequence[Row], run: str, *, flip: Flip = None) -> list[str]:
    """Commands that make sense now, one a line."""
    lines = []
    ill = [row.name for row in rows if row.state in FAULTS and not row.written_off]
    again = [
        row.name
        for row in rows
        if row.state in (State.DECLINED, State.RETURNED) and not row.written_off
    ]
    unfinished = any(row.state is not GOAL[row.direction] and not row.written_off for row in rows)
    on_their_way = any(
        row.state in UNRESOLVED | {State.ADRIFT} and not row.written_off for row in rows
    )
    moved = any(row.state in (State.SETTLED, State.SEEN, State.ADRIFT) for row in rows)
    if flip == "waits" and on_their_way and not ill:
        lines.append(f"migrate resume {run} --flipped   once the access point has been changed")
    elif unfinished and not ill:
        lines.append(f"migrate resume {run}   goes on where it stopped")
    if ill:
        lines.append(f"migrate resume {run}   looks for the missing again, then goes on")
    if again:
        lines.append(f"migrate resume {run} --again {again[0]}   sends it its bundle once more")
    if ill:
        lines.append(f"migrate resume {run} --write-off {ill[0]}   goes on without it")
    if unfinished and not on_their_way and not flip:
        lines.append(f"migrate replan {run}   plans the rest anew, with what was learned")
    if moved and not flip:
        lines.append(f"migrate rollback {run}   takes back everything that moved")
    return lines


def summary(journal: Journal) -> str:
    """The run in one sentence, in numbers."""
    rows = journal.rows()
    off = sum(row.written_off for row in rows)
    words = f"{count(len(rows), 'device')} in {count(len(journal.plan.waves), 'wave')}: "
    words += tally(row.state for row in rows)
    return words + (f"; {off} of them written off" if off else "")
