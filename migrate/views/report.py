"""The report of a run, from its journal alone: Markdown, readable as it is."""

from __future__ import annotations

import re

from migrate.journal.rows import RETURN, SEEMED_UNSENT, UPTIME, Entry
from migrate.journal.store import Journal
from migrate.model.lifecycle import FAULTS
from migrate.views.adrift import adrift_lines, search_of
from migrate.views.outputs import outputs_of
from migrate.views.status import summary
from migrate.views.words import leg_in_words, settings_in_words

BOOKKEEPING = (RETURN, UPTIME, SEEMED_UNSENT)
"""Kinds of lines that the tool keeps for itself."""


def report(journal: Journal) -> str:
    """The whole report as Markdown text. Secrets are not in a journal, so not here either."""
    plan, entries = journal.plan, journal.entries()
    parts = [f"# {_safe(plan.title)}", "", f"{summary(journal)}.", ""]
    if leg := leg_in_words(plan.leg):
        parts += [f"This is {_safe(leg)}.", ""]
    if entries:
        parts += [f"From {entries[0].at} to {entries[-1].at}. Plan digest `{plan.digest}`.", ""]
    parts += [
        "## Devices",
        "",
        "| wave | device | place | state | last words |",
        "|---|---|---|---|---|",
    ]
    for row in sorted(journal.rows(), key=lambda row: row.wave):
        place = plan.device(row.name).place
        state = f"{row.state}{' (written off)' if row.written_off else ''}"
        cells = (str(row.wave + 1), row.name, place, state, row.note)
        parts.append("| " + " | ".join(_safe(cell) for cell in cells) + " |")
    parts += ["", "## Faults, and what was done", "", *_faults(entries), ""]
    parts += _missing(journal)
    parts += _outputs(journal)
    parts += ["## What each device was given", ""]
    given: dict[str, list[str]] = {}
    for row in journal.rows():
        if row.given:
            given.setdefault(settings_in_words(row.given), []).append(row.name)
    parts += [f"* {_safe(', '.join(names))}: {_safe(words)}" for words, names in given.items()]
    if not given:
        parts.append("Nothing.")
    parts += ["", "## Everything in order", "", "| time | wave | device | step | words |"]
    parts.append("|---|---|---|---|---|")
    for entry in entries:
        moved = entry.after and entry.after != entry.before
        step = f"{entry.before} to {entry.after}" if moved else entry.kind
        wave = "" if entry.wave is None else str(entry.wave + 1)
        cells = (entry.at, wave, entry.name or "", step, entry.detail)
        parts.append("| " + " | ".join(_safe(cell) for cell in cells) + " |")
    return "\n".join(parts) + "\n"


def _outputs(journal: Journal) -> list[str]:
    """Outputs that were not, or are not, as before."""
    found = outputs_of(journal)
    if not found:
        return []
    lines = [f"* {'' if one.well else '**look at it**: '}{_safe(str(one))}" for one in found]
    return ["## What they switch", "", *lines, ""]


def _faults(entries: list[Entry]) -> list[str]:
    faulty = {str(state) for state in FAULTS}
    lines = [
        f"* {entry.at}: {_safe(entry.name or 'the run')}: {_safe(entry.after or entry.kind)}: "
        f"{_safe(entry.detail)}"
        for entry in entries
        if (entry.after in faulty and entry.before != entry.after)
        or entry.kind in ("note", "gate shut", "written off", "turn", "held")
    ]
    return lines or ["None."]


def _missing(journal: Journal) -> list[str]:
    """What helps with the devices that nobody can find."""
    words = "This is from the journal alone. With what your files say as well: migrate adrift"
    search = search_of(journal, reason=f"{words} {journal.path.parent.name}.")
    if not search.clues:
        return []
    marks = {"head": "### ", "item": "1. ", "tick": "- [ ] "}
    parts = ["## Not found, and how to get it back", ""]
    for line in adrift_lines(search, journal.path.parent.name):
        # A command is to be copied: what would end the code it stands in is left out.
        plain = "".join(char for char in line.words if char.isprintable() and char != "`")
        words = f"`{plain}`" if line.kind == "command" else _safe(line.words)
        listed = line.kind in ("item", "tick")
        if not listed and parts[-1]:
            parts.append("")
        parts.append(f"**{words}**" if line.kind == "name" else marks.get(line.kind, "") + words)
        if not listed:
            parts.append("")
    return [*parts, ""] if parts[-1] else parts


def _safe(text: str) -> str:
    """Text that can neither break a table nor become markup, whoever wrote it."""
    flat = "".join(char if char.isprintable() else " " for char in text)
    flat = re.sub(r"([\\`*_{}\[\]<>|#!&~$])", r"\\\1", flat)
    # Some readers make a link of what looks like an address (GitHub Flavored Markdown, autolinks).
    return re.sub(r"(?i)(?<![a-z0-9])(https?|ftp|mailto|xmpp)(:)|\b(www)(\.)", r"\1\3\\\2\4", flat)
