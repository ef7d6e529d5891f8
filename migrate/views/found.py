"""What was found, in words: devices, conflicts, and the difference to the fleet file."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path

from rich.console import Console
from rich.table import Table
from rich.text import Text

from migrate.planning.finding.difference import WRITTEN, Difference
from migrate.planning.finding.merge import Found, Gathered
from migrate.ports.sources.identify import Closed
from migrate.views.lines import harmless, say, show
from migrate.views.words import count

MOST_TOLD = 40
"""Hosts that are listed one by one; more are only counted."""


def show_found(
    gathered: Gathered,
    difference: Difference,
    closed: Sequence[Closed],
    fleet: Path | None,
    console: Console,
) -> None:
    """All of it. `fleet`: the file it is compared with; None if there is none yet."""
    _devices(gathered, difference, console)
    _conflicts(gathered, difference, console)
    if fleet is not None:
        _difference(difference, fleet, console)
    _closed(gathered, closed, console)
    _others(gathered, console)


def _devices(gathered: Gathered, difference: Difference, console: Console) -> None:
    if not gathered.devices:
        console.print(Text("No device was found that one of these dialects understands.", "bold"))
        return
    say(console, f"{count(len(gathered.devices), 'device')} answered and told who they are", "bold")
    names = {one.found.mac: one.name for one in difference.new}
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0))
    table.add_column("MAC", no_wrap=True)
    table.add_column("dialect", overflow="fold")
    table.add_column("firmware", overflow="fold")
    table.add_column("where", overflow="fold")
    table.add_column("found by", overflow="fold")
    if names:
        table.add_column("new, as", overflow="fold")
    for one in gathered.devices:
        told = [
            one.addresses[0] if one.addresses else "",
            f"topic {one.topic}" if one.topic else "",
        ]
        by, where = ", ".join(one.sources), ", ".join(part for part in told if part)
        cells = [one.mac, one.dialect or "", one.firmware or "not told", where, by]
        cells += [names.get(one.mac, "")] if names else []
        table.add_row(*(harmless(cell) for cell in cells))
    show(console, table)
    for one in gathered.devices:
        if one.randomised:
            words = (
                f"{one.mac} is a locally administered MAC (IEEE Std 802): if the device makes up a "
                "new one at each restart, it cannot be found again by it; see its manual"
            )
            say(console, words, indent=2, hang=2, whole=True)


def _conflicts(gathered: Gathered, difference: Difference, console: Console) -> None:
    if not (gathered.conflicts or difference.unsure):
        return
    console.print()
    say(console, "These words contradict each other", "bold")
    for found in difference.unsure:
        if not gathered.barred(found.mac):
            by = f"on the topic {found.topic}" if found.topic else "without a topic"
            words = f"- {found.mac} answers {by}, by which the file cannot tell it from others"
            say(console, words, indent=2, hang=2, whole=True)
    for one in gathered.conflicts:
        say(console, f"- {one.what}", indent=2, hang=2, whole=True)
    if difference.unsure:
        macs = ", ".join(one.mac for one in difference.unsure)
        say(console, f"left out until that is settled: {macs}", indent=2, hang=2, whole=True)


def _difference(difference: Difference, fleet: Path, console: Console) -> None:
    console.print()
    say(console, f"Against {fleet}", "bold", hang=2, whole=True)
    for new in difference.new:
        say(console, f"new       {new.name}  {_about(new.found)}", indent=2, hang=10, whole=True)
    for change in difference.changed:
        before = change.before if change.before is not None else "nothing"
        words = f"changed   {change.name}  {change.key} {change.now}, the file says {before}"
        if change.key not in WRITTEN:
            words += " (not written: a dialect is your choice)"
        say(console, words, indent=2, hang=10, whole=True)
    for device in difference.vanished:
        words = f"not seen  {device.name}  {device.mac}; it stays in the file"
        say(console, words, indent=2, hang=10, whole=True)
    as_before = f"{count(difference.as_before, 'device')} as the file says"
    say(console, as_before, indent=2)


def _about(found: Found) -> str:
    where = found.addresses[0] if found.addresses else f"topic {found.topic}"
    return f"{found.mac}, {found.dialect}, at {where}"


def _closed(gathered: Gathered, closed: Sequence[Closed], console: Console) -> None:
    """Who asked for a login, and who is said to be there: often the same one, heard elsewhere."""
    if not closed:
        return
    console.print()
    words = (
        f"{count(len(closed), 'host')} asked for a login, and got none: a password is not sent to "
        "somebody who may be a stranger. If it is a device of yours, and not in the fleet file, "
        "write it down by hand"
    )
    say(console, words, hang=2)
    told = []
    for one in closed:
        known = [
            f"{found.mac} {found.name}".rstrip()
            for found in (*gathered.devices, *gathered.others)
            if one.address in found.addresses
        ]
        place = f"{one.address}:{one.port}"
        told.append(f"{place}  said to be {', '.join(known)}" if known else place)
    _list(console, told)


def _others(gathered: Gathered, console: Console) -> None:
    if gathered.mute:
        console.print()
        say(console, "Heard, but without telling who they are", "bold")
        told = [
            " ".join(part for part in (one.address or "", one.topic or "", one.name) if part)
            + f" ({one.source} {one.where})"
            for one in gathered.mute
        ]
        _list(console, told)
    if gathered.others:
        console.print()
        number = len(gathered.others)
        words = (
            f"{count(number, 'more host', 'more hosts')}, which none of these dialects understands "
            "or nobody asked; not written to a file"
        )
        say(console, words, hang=2)
        told = [
            f"{one.mac} {', '.join(one.addresses)} {one.name}".rstrip()
            + (" (locally administered)" if one.randomised else "")
            for one in gathered.others
        ]
        _list(console, told)


def _list(console: Console, lines: Iterable[str]) -> None:
    told = list(lines)
    for line in told[:MOST_TOLD]:
        say(console, line, indent=2, hang=2, whole=True)
    if len(told) > MOST_TOLD:
        say(console, f"and {len(told) - MOST_TOLD} more", indent=2)
