"""What is adrift, and how to get it back: for somebody on a ladder, with a phone.

The same lines go to a terminal and into the report; their sentences are in `rescue`.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from rich.console import Console
from rich.text import Text

from migrate.journal.rows import Entry
from migrate.journal.store import Journal
from migrate.model.fleet import Reach
from migrate.model.lifecycle import Event
from migrate.model.problems import Changed, Trouble
from migrate.model.settings import FrozenBundle, FrozenValue, Setting
from migrate.planning.adrift import OPEN, Files, Missing, Search, search_for
from migrate.views.lines import harmless, say
from migrate.views.rescue import (
    AT_EACH,
    HANDS,
    Line,
    alike,
    at_device,
    causes,
    given,
    look_again,
    looks_for,
    lost,
    names_of,
    sought,
    temporary,
    written_off,
)
from migrate.views.words import CAUTION, tally


def search_of(journal: Journal, files: Files | None = None, reason: str = "") -> Search:
    """What follows for the devices of a run that nobody can find."""
    answers = _answers(journal.entries())
    return search_for(
        [
            Missing(
                device=journal.plan.device(row.name),
                state=row.state,
                direction=row.direction,
                given=row.given or {},
                sent_at=row.sent_at,
                before=journal.way_back(row.name) or {},
                read=_read(journal.survey(row.name) or {}),
                written_off=row.written_off,
                words=row.note,
                answer=answers.get(row.name, ""),
            )
            for row in journal.rows()
            if row.state in OPEN
        ],
        files,
        together=journal.plan.leg.together,
        flipped=journal.flipped,
        reason=reason,
    )


def _answers(entries: Iterable[Entry]) -> dict[str, str]:
    """What the last message to each device came to."""
    told: dict[str, str] = {}
    for entry in entries:
        if entry.name and entry.kind == Event.INTEND:
            told.pop(entry.name, None)
        elif entry.name and entry.kind == Event.SENT:
            told[entry.name] = entry.detail
    return told


def _read(survey: dict[str, object]) -> FrozenBundle:
    """Settings that the survey read."""
    settings = survey.get("settings")
    found: dict[Setting, FrozenValue] = {}
    for name, value in settings.items() if isinstance(settings, dict) else ():
        if name in set(Setting) and isinstance(value, str | int):
            found[Setting(name)] = value
    return found


def not_told(trouble: Trouble) -> str:
    """What cannot be told, since the owner's files are not to be used for these reasons."""
    named = isinstance(trouble, Changed)  # its words name the file themselves
    why = "; ".join(
        harmless(problem.what if named or not problem.where else f"{problem.where} {problem.what}")
        for problem in dict.fromkeys(trouble.problems)
    )
    return (
        "This is from the journal alone, since the files are gone, or not those of the plan any "
        f"more ({why}). So it cannot be told here what the radios of these devices can join, where "
        "migrate looks for them (subnets and lease files), and what they have that the change does "
        "not touch and that nobody read."
    )


def show_adrift(search: Search, title: str, run: str, files: Files | None, out: Console) -> None:
    """Print everything that helps. `run`: the run as it is named on the command line."""
    if not search.clues:
        say(out, f"{harmless(title)}: nobody is adrift", "bold")
        return
    states = tally(clue.missing.state for clue in search.clues)
    say(out, f"{harmless(title)}: {states}", "bold")
    number = 0
    for line in adrift_lines(search, run, files):
        number = number + 1 if line.kind == "item" else 0
        if line.kind == "head":
            out.print()
            say(out, line.words, "bold")
        elif line.kind == "name":
            say(out, line.words, "bold", indent=2)
        elif line.kind == "item":
            say(out, f"{number}. {line.words}", indent=2, hang=3)
        elif line.kind == "tick":
            say(out, f"[ ] {line.words}", indent=2, hang=4)
        elif line.kind == "command":
            out.print(Text(f"    {harmless(line.words)}"), soft_wrap=True)
        else:
            say(out, line.words, indent=2)


def show_networks(search: Search, out: Console) -> None:
    """What they look for, a line for each network: for those who read the rest elsewhere."""
    for group in search.groups:
        say(out, looks_for(group), indent=2, hang=2)


def adrift_lines(search: Search, run: str, files: Files | None = None) -> Iterator[Line]:
    """Everything that helps, in the order in which it is needed."""
    yield from look_again(search, run)
    yield Line("head", "What each was given")
    for clues in alike(search.clues):
        yield from given(clues)
    yield Line("head", "What they look for")
    for group in search.groups:
        yield from sought(group)
    moving = [(one, one.network) for one in search.groups if one.network and lost(one)]
    if moving:
        yield Line("head", "Without a ladder: an access point for a while")
    for group, network in moving:
        yield from temporary(group, network)
    yield Line("head", "What may have happened, likeliest first")
    for group in search.groups:
        if len(search.groups) > 1:
            yield Line("name", names_of(group))
        for words in causes(group, files, run):
            yield Line("item", words)
    yield from _walk(search, run)


def _walk(search: Search, run: str) -> Iterator[Line]:
    yield Line("head", "By hand, in this order")
    yield Line("text", CAUTION)
    if any(clue.missing.device.reach is not Reach.TABLE for clue in search.clues):
        yield Line("text", HANDS)
    yield Line("text", AT_EACH)
    for stop in search.stops:
        yield Line("name", harmless(stop.place))
        for clue in stop.clues:
            yield Line("tick", at_device(clue, search.clues))
    yield from written_off(search, run)
