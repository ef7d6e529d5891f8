"""What a survey found, for a terminal: where everybody is, what is odd, and what has changed."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from rich.console import Console
from rich.table import Table
from rich.text import Text

from migrate.model.eui48 import is_local
from migrate.model.fleet import Fleet
from migrate.planning.snapshots import (
    WEAK_DBM,
    Comparison,
    Difference,
    Seen,
    Snapshot,
    against_fleet,
    by_signal,
    firmwares,
    odd_ones,
)
from migrate.views.lines import harmless, say, show
from migrate.views.words import count, some

WEAKEST = range(5, 41)
"""So many are shown at least, weak or not; and so many at most."""
SIDES = {
    "old": "on the old side",
    "new": "on the new side",
    "either": "there, on a side that nothing they tell gives away",
}
WHERE = {"old": ", old side", "new": ", new side", "either": ""}


def show_snapshot(found: Snapshot, fleet: Fleet, notes: Sequence[str], console: Console) -> None:
    """Everything that a survey has to say but for what has changed since another."""
    read = [one for one in found.device if one.standing == "read"]
    say(console, harmless(f"{found.title}: {count(len(found.device), 'device')}"), "bold", hang=2)
    for side, words in SIDES.items():
        there = [one.name for one in read if one.side == side]
        if there:
            say(console, f"{len(there)} {words}", indent=2, hang=2)
    asleep = [one for one in found.device if one.standing == "asleep"]
    if asleep:
        say(console, f"{len(asleep)} asleep, which need not answer now", indent=2, hang=2)
    missing = [one for one in found.device if one.standing == "missing"]
    if missing:
        say(console, f"{len(missing)} found nowhere", indent=2, hang=2)
    for words in notes:
        say(console, harmless(words), hang=2, whole=True)
    _unread("Found nowhere", missing, console)
    _unread("Asleep", asleep, console)
    _differences("Otherwise than the fleet file says", against_fleet(found, fleet), console)
    _odd(found, console)
    _firmwares(found, fleet, console)
    _signal(found, read, console)
    _local(found, console)
    _hidden(read, console)


def show_comparison(before: Snapshot, told: Comparison, console: Console) -> None:
    """What has changed since an earlier snapshot."""
    _head(f"Since {when(before)}", console)
    # Nothing at all compared is no proof of anything.
    if told.changed:
        names = list(dict.fromkeys(one.name for one in told.changed))
        say(console, f"{count(len(names), 'device')} changed:", indent=2)
        _table(told.changed, "was", "is", console)
    elif any(one.standing == "read" for one in before.device) and not told.unproven:
        _plain("all settings, outputs and firmware versions read the same as then", console)
    else:
        say(console, "nothing is known to have changed", indent=2, hang=2)
    for name, why in told.unproven:
        line = Text.assemble((harmless(name), "bold"), f" cannot be compared: {harmless(why)}")
        say(console, line, indent=2, hang=2, whole=True)
    if told.moved:
        _plain(
            "another address, which is no change if DHCP gives it: "
            + some([f"{one.name} {one.before} -> {one.now}" for one in told.moved]),
            console,
        )
    if told.fresh:
        _plain(f"not read then, so not compared: {some(told.fresh)}", console)


def when(snapshot: Snapshot) -> str:
    """Which snapshot it is: `the survey of 2026-03-01 10:00:00 UTC`."""
    at = harmless(snapshot.at).replace("T", " ").replace("+00:00", " UTC")
    what = "the survey of" if snapshot.kind == "survey" else "what a run read before it began,"
    return f"{what} {at}"


def _head(words: str, console: Console) -> None:
    console.print()
    say(console, words, "bold", hang=2)


def _plain(words: str, console: Console) -> None:
    say(console, harmless(words), indent=2, hang=2, whole=True)


def _unread(head: str, those: Sequence[Seen], console: Console) -> None:
    if those:
        _head(head, console)
    for one in those:
        words = Text.assemble((harmless(one.name), "bold"), f": {harmless(one.why)}")
        say(console, words, indent=2, hang=2, whole=True)


def _differences(head: str, those: Sequence[Difference], console: Console) -> None:
    if those:
        _head(head, console)
        _table(those, "the file says", "found", console)


def _table(those: Iterable[Difference], before: str, now: str, console: Console) -> None:
    table = Table(box=None, pad_edge=False, padding=(0, 1))
    for heading in ("  device", "what", before, now):
        table.add_column(heading, overflow="fold")
    for one in those:
        cells = (f"  {one.name}", one.what, one.before, one.now)
        table.add_row(*(Text(harmless(cell)) for cell in cells))
    show(console, table)


def _odd(found: Snapshot, console: Console) -> None:
    odd = odd_ones(found)
    if odd:
        _head("Twins that differ (same family, firmware and side)", console)
    for one in odd:
        dialect, firmware, side = one.group
        told = "; ".join(f"{value} on {some(names, 4)}" for value, names in one.values)
        _plain(f"{dialect} {firmware}{WHERE[side]}: {one.setting} is {told}", console)


def _firmwares(found: Snapshot, fleet: Fleet, console: Console) -> None:
    versions = firmwares(found)
    if not versions:
        return
    _head("Firmware, as the devices tell it", console)
    for dialect, counts in versions.items():
        told = ", ".join(f"{version} on {number}" for version, number in sorted(counts.items()))
        _plain(f"{dialect}: {told}", console)
    firmware = {one.name: one.firmware for one in found.device}
    unsaid = [d.name for d in fleet.device if d.firmware is None and firmware.get(d.name)]
    if unsaid:
        _plain(
            f"the fleet file does not say the firmware of {some(unsaid)}: twins are counted by it",
            console,
        )


def _signal(found: Snapshot, read: Sequence[Seen], console: Console) -> None:
    strengths = by_signal(found)
    if not strengths:
        if read:
            _head("Signal strength", console)
            _plain("no device tells it; a dialect can name it as readings.signal", console)
        return
    _head("Signal strength, as the devices hear it, weakest first", console)
    table = Table(box=None, pad_edge=False, padding=(0, 1), show_header=False)
    table.add_column(justify="right")
    table.add_column(overflow="fold")
    weak = sum(dbm < WEAK_DBM for dbm, _ in strengths)
    shown = strengths[: min(max(weak, WEAKEST[0]), WEAKEST[-1])]
    for dbm, name in shown:
        words = " is weak" if dbm < WEAK_DBM else ""
        table.add_row(Text(f"  {dbm} dBm"), Text(f"{harmless(name)}{words}"))
    show(console, table)
    if weak > len(shown):
        _plain(f"{weak - len(shown)} more are weak; the snapshot has them all", console)
    if (strong := len(strengths) - max(weak, len(shown))) > 0:
        _plain(f"{count(strong, 'more is', 'more are')} not weak", console)
    silent = len(read) - len(strengths)
    if silent:
        _plain(f"not told by {count(silent, 'device')}", console)
    if weak:
        _plain(
            f"Below {WEAK_DBM} dBm a device may lose its access point, or come back late (common "
            "practice, no source): bring it nearer before it is moved, or see that the new "
            "network is heard there.",
            console,
        )


def _local(found: Snapshot, console: Console) -> None:
    names = [one.name for one in found.device if is_local(one.mac)]
    if names:
        _head("Locally administered MACs", console)
        _plain(
            f"{some(names)}: the MAC may be a made-up one (IEEE Std 802), and another on another "
            "network. Then the device is not found again. Switch that off on it, and write down "
            "the MAC it then has.",
            console,
        )


def _hidden(read: Sequence[Seen], console: Console) -> None:
    told = [f"{one.name} ({', '.join(one.hidden)})" for one in read if one.hidden]
    if told:
        _head("Secrets told openly", console)
        _plain(
            f"{some(told)}: where the dialect reads a setting the device tells a secret. It is not "
            "kept. Correct the reading in the dialect; a secret has none.",
            console,
        )
