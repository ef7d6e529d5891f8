"""The report of a run, from its journal alone: Markdown, readable as it is."""

from __future__ import annotations

import re

from migrate.journal.store import Entry, Journal
from migrate.model.lifecycle import FAULTS
from migrate.views.status import summary
from migrate.views.words import leg_in_words, settings_in_words


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
        step = f"{entry.before} to {entry.after}" if entry.after else entry.kind
        wave = "" if entry.wave is None else str(entry.wave + 1)
        cells = (entry.at, wave, entry.name or "", step, entry.detail)
        parts.append("| " + " | ".join(_safe(cell) for cell in cells) + " |")
    return "\n".join(parts) + "\n"


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


def _safe(text: str) -> str:
    """Text that can neither break a table nor become markup, whoever wrote it."""
    flat = "".join(char if char.isprintable() else " " for char in text)
    return re.sub(r"([\\`*_{}\[\]<>|#!&~])", r"\\\1", flat)
