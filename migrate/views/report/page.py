"""The report of a run: one HTML file, made from the journal alone, that needs nothing beside it.

Secrets are not in a journal, so not here either. There is no script in it, and its content
security policy lets none run. Words of devices and files are text wherever they stand.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any, Final

from migrate.journal.rows import Row
from migrate.journal.store import Journal
from migrate.model.lifecycle import GOAL
from migrate.views.adrift import adrift_lines, search_of
from migrate.views.look import file_policy, style, templates
from migrate.views.outputs import outputs_of
from migrate.views.report import tables
from migrate.views.report.axis import Axis
from migrate.views.report.devices import time_chart
from migrate.views.report.exposures import exposure_chart, exposure_key
from migrate.views.report.faults import faults_of, run_of
from migrate.views.report.figures import exposure_of, gained_of, returns_of
from migrate.views.report.forms import definitions
from migrate.views.report.pages import NAMED
from migrate.views.report.sides import sides_chart, sides_key
from migrate.views.report.story import story_of
from migrate.views.report.summary import summary
from migrate.views.rescue import Line
from migrate.views.status import advice_of
from migrate.views.words import CAUTION, leg_in_words

PACKAGE: Final = "migrate.views.report"
MARK: Final = "<!-- a report of migrate -->"
MOST_STORIES: Final = 60
"""Devices whose faults are told at length."""
OPEN_UP_TO: Final = 60
"""Devices up to which their table is open when the report is."""


def report(journal: Journal, run: str) -> str:
    """The whole report as HTML. `run`: the run as it is named on the command line."""
    css = style(PACKAGE, "report.css")
    own = {"mark": MARK, "css": css, "policy": file_policy(css)}
    page = templates(PACKAGE).get_template("report.html")
    return page.render(**own, **_told(journal, run))


def is_report(text: str) -> bool:
    """Whether a file is a report, and may be written over by another."""
    return MARK in text[:200]


NO_FILES: Final = (
    "This is from the journal alone. With what your files say as well: migrate adrift {run}."
)


def _told(journal: Journal, run: str) -> dict[str, Any]:
    """Everything that the template fills in."""
    plan, entries = journal.plan, journal.entries()
    rows = {row.name: row for row in journal.rows()}
    story = story_of(plan, entries)
    axis, clock = Axis(story), tables.Clock.of(story)
    figures, key = time_chart(plan, story, rows, axis) if entries else ([], [])
    faults = faults_of(plan, entries, rows, story)
    met = exposure_of(plan, entries, rows, story)
    accepted = len(rows) if plan.leg.together else plan.pace.stranded_at_most
    search = search_of(journal, reason=NO_FILES.format(run=run))
    standings = {name: row.standing for name, row in rows.items()}
    broken = {one.pause for one in axis.breaks}
    first, last = tables.lines(entries, story, clock)
    return {
        "plan": plan,
        "name": journal.path.parent.name,
        "journal": str(journal.path),
        "leg": leg_in_words(plan.leg),
        "sentences": list(summary(journal, entries, story, rows)),
        "advice": advice_of(journal, run),
        "done": all(_is_done(row) for row in rows.values()),
        "clock": clock,
        "begun": bool(entries),
        "shared": definitions(),
        "many": len(rows) > NAMED,
        "figures": figures,
        "key": key,
        "breaks": [(one.label, tables.pause(one.pause, clock)) for one in axis.breaks],
        "pauses": [tables.pause(one, clock) for one in story.pauses if one not in broken],
        "sides": sides_chart(story, axis) if entries else None,
        "sides_key": sides_key(),
        "moments": tables.moments(story, clock),
        "devices": list(tables.devices(plan, story, rows, clock)),
        "open": len(rows) <= OPEN_UP_TO,
        "happened": list(run_of(entries, story))[-MOST_STORIES:],
        "faults": faults[:MOST_STORIES],
        "more_faults": faults[MOST_STORIES:],
        "exposure": met,
        "met_in_words": tables.met_in_words,
        "exposures": exposure_chart(met, accepted),
        "exposures_key": exposure_key(),
        "exposed": tables.exposed(plan, met),
        "gained": [tables.gained(one, plan.pace.confidence) for one in gained_of(plan, standings)],
        "outputs": outputs_of(journal),
        "missing": list(_nested(adrift_lines(search, run))) if search.clues else [],
        "given": tables.given(rows.values()),
        "returns": returns_of(plan, entries),
        "caution": CAUTION,
        "lines": first,
        "last_lines": last,
        "all_lines": len(entries),
    }


def _is_done(row: Row) -> bool:
    """Whether nothing more is to be done about it."""
    return row.written_off or row.state is GOAL[row.direction]


@dataclass(frozen=True)
class Block:
    """Lines of one kind that follow each other."""

    kind: str
    words: list[str]


def _nested(lines: Iterable[Line]) -> Iterator[Block]:
    block = Block("", [])
    for line in lines:
        if line.kind != block.kind or line.kind not in ("item", "tick"):
            if block.words:
                yield block
            block = Block(line.kind, [])
        block.words.append(line.words)
    if block.words:
        yield block
