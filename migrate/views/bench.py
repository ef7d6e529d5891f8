"""A trial on the bench in words: what each step has shown, and what follows from it."""

from __future__ import annotations

from collections.abc import Sequence

from rich.console import Console
from rich.text import Text

from migrate.engine.crew import Member
from migrate.engine.seek import Sighting
from migrate.planning.refusals.bench import in_words
from migrate.planning.trials import Mark, Trial
from migrate.views.lines import harmless, say
from migrate.views.words import CAUTION


def show_before(member: Member, console: Console, *, restarts: bool) -> None:
    """What is about to be done, and what the device switches and feeds."""
    names = list(member.dialect.harmless)[:2]
    say(console, f"{harmless(member.name)}: {harmless(member.device.place)}", "bold")
    say(
        console,
        f"Its {harmless(' and '.join(names))} will be written up to fifty times, and put back at "
        "the end. Nothing else is written.",
    )
    if restarts:
        say(console, "It will be restarted.")
    if member.device.load:
        say(console, f"It switches: {harmless(member.device.load)}")
    if member.device.feeds:
        say(console, f"It feeds: {harmless(', '.join(member.device.feeds))}")
    # A write that should restart nothing may do so all the same: that is what trials are for.
    say(console, CAUTION)


def show_found(member: Member, found: Sighting, console: Console) -> None:
    """That it answers, and which of its settings it does not tell."""
    said = found.readings
    say(
        console,
        f"1. It answers as {said.mac} at {found.place}, firmware "
        f"{harmless(said.firmware or 'not told')}.",
        hang=3,
    )
    written = member.device.firmware
    if written != said.firmware:
        what = f"says {harmless(written)}" if written else "does not tell it"
        say(
            console,
            f"The fleet file {what}: what is found counts for later plans only where it has the "
            "firmware that the device tells.",
            indent=3,
        )
    dialect = member.dialect
    silent = [
        str(setting)
        for setting, word in dialect.settings.items()
        if word.read is not None and setting not in said.settings
    ]
    if silent:
        words = f"It does not tell: {', '.join(silent)}. See [settings] in the dialect."
        say(console, words, indent=3)


def show_trial(shown: Trial, console: Console, *, broken: bool = False) -> None:
    """Each step with its outcome. `broken`: the trial was broken off."""
    told = [
        ("2. One text written alone", shown.alone, "took hold", "did NOT take hold"),
        ("3. Two texts in one message", shown.together, "both took hold", "did NOT both take hold"),
    ]
    for what, good, yes, no in told:
        outcome = "nobody can tell" if good is None else yes if good else no
        if good is None and (broken or (what.startswith("3") and not shown.alone)):
            outcome = "not tried"
        say(console, Text.assemble(f"{what}: ", (outcome, "" if good else "bold")), hang=3)
    if shown.lasting is not None:
        there = "still there" if shown.lasting else "NOT there any more"
        say(console, f"After a restart they are {there}.", indent=3)
    for words in shown.words:
        say(console, f"({harmless(words)})", indent=3)
    if not shown.marks:
        return
    kept = sum(mark.kept is True for mark in shown.marks)
    say(console, f"4. Characters: {kept} of {len(shown.marks)} came back as they were.", hang=3)
    agreed = sum(mark.kept is False and not mark.claimed for mark in shown.marks)
    if agreed:
        say(console, f"That {agreed} do not, the dialect says itself: no harm.", indent=3)
    _list(
        "The dialect says that these are carried, and they are NOT (dangerous; add them to "
        "carries.cannot, or set trims or ascii_only):",
        shown.lost,
        console,
    )
    _list(
        "The dialect says that these are not carried, and they are (over-careful, does no harm):",
        shown.spared,
        console,
    )
    _list("Of these nobody can tell, since it could not be read:", shown.unknown, console)
    if shown.length is not None:
        given, had = shown.length
        outcome = "whole" if given == had else f"as {had}: it is cut or changed"
        say(console, f"A text of {given} octets came back {outcome}.", indent=3)


def _list(head: str, marks: Sequence[Mark], console: Console) -> None:
    if not marks:
        return
    say(console, head, indent=3)
    for mark in marks:
        why = f" ({harmless(mark.words)})" if mark.words else ""
        say(console, f"a text that {in_words(mark.sign)}{why}", indent=6, hang=2)
