"""Outputs that a run found otherwise than they were, from its journal alone; and what the plan says
of them beforehand."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass

from rich.console import Console
from rich.text import Text

from migrate.journal.store import Journal
from migrate.model.lifecycle import GOAL
from migrate.planning.outputs import AS_BEFORE, RESTORED, Line, trips
from migrate.planning.plan import Plan
from migrate.views.lines import harmless, say
from migrate.views.words import some

AMISS = "Look at these now; what they switch is not as it was, or nobody can tell"
MENDED = "Switched otherwise by their restart, and restored"
UNSEEN = "output not yet compared with what it was: migrate resume does it"


@dataclass(frozen=True)
class OutputsOf:
    """What became of the outputs of one device, in words. `well`: they are as they were."""

    name: str
    load: str
    words: str
    well: bool

    def __str__(self) -> str:
        load = f" ({self.load} hangs on it)" if self.load else ""
        return f"{self.name}{load}: {self.words}"


def outputs_of(journal: Journal) -> list[OutputsOf]:
    """Every device of whose outputs there is something to tell, in the order of the plan."""
    lines: dict[str, list[Line]] = defaultdict(list)
    for entry in journal.entries():
        if entry.name is not None:
            lines[entry.name].append(Line(entry.kind, entry.detail))
    found = []
    for row in journal.rows():
        last = next(iter(trips(lines[row.name])[-1:]), None)
        if last is None or last.kind == AS_BEFORE or not (last.before or last.kind):
            continue
        # While a device is on its way there is nothing to tell of its outputs yet.
        words = last.words or (UNSEEN if row.state is GOAL[row.direction] else "")
        if words:
            load = journal.plan.device(row.name).load or ""
            found.append(OutputsOf(row.name, load, words, last.kind == RESTORED))
    return found


def show_outputs(journal: Journal, console: Console, *, apart: bool = False) -> None:
    """Print them, those that are not well first; nothing if there are none. `apart`: with an empty
    line before."""
    found = outputs_of(journal)
    if found and apart:
        console.print()
    for well, heading in ((False, AMISS), (True, MENDED)):
        these = [one for one in found if one.well is well]
        if these:
            say(console, f"{heading}:", "" if well else "bold")
        for one in these:
            say(console, Text(harmless(str(one))), indent=2, hang=2, whole=True)


def outputs_planned(plan: Plan) -> list[str]:
    """What the plan does about outputs, in sentences."""
    by_care: dict[str | None, list[str]] = defaultdict(list)
    for device in plan.devices:
        load = f" ({device.load})" if device.load else ""
        by_care[device.outputs].append(device.name + load)
    told = []
    if names := by_care["restored"]:
        told.append(
            "Outputs that a restart changes are set as they were just before, with nobody there: "
            f"{some(names)}. To leave one alone: outputs.leave in the playbook."
        )
    if names := by_care["told"]:
        told.append(
            f"Outputs that a restart changes are only told of: {some(names)}. The dialect cannot "
            "set them."
        )
    if names := by_care["left"]:
        told.append(f"Outputs left alone and only told of, as you wrote: {some(names)}.")
    if names := [d.name for d in plan.devices if d.outputs is None and d.load]:
        told.append(
            f"Outputs that nobody looks at, since the dialect names none: {some(names)}. See "
            "after the run what hangs on them."
        )
    return told
