"""The move to a new broker, in tables and words: check, copy, roll call."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from pathlib import Path

from rich.console import Console
from rich.table import Table

from migrate.engine.broker_move import Copied, Ground, Outcome, Row
from migrate.engine.broker_roll_call import Called, GroupHeard
from migrate.planning.broker_move import Stand
from migrate.views.lines import harmless, say, show
from migrate.views.words import count, some

MOST_TOLD = 20
"""Topics that are told one by one; more are only counted."""


def _table(*columns: str) -> Table:
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0))
    for number, name in enumerate(columns):
        table.add_column(name, overflow="fold", no_wrap=number < len(columns) - 1)
    return table


def show_check(rows: Sequence[Row], ground: Ground, where: str, console: Console) -> None:
    """What was asked, as whom, how it came out, and what to do."""
    say(console, f"The new broker {harmless(where)}, asked from this machine", "bold")
    table = _table("asked", "as whom", "outcome", "what was found")
    told: dict[tuple[str, str, Outcome], int] = {}
    for row in rows:
        kind = (row.what, row.whom, row.outcome)
        told[kind] = told.get(kind, 0) + 1
        if told[kind] > MOST_TOLD:
            continue
        cells = (row.what, row.whom, str(row.outcome), row.words)
        table.add_row(*(harmless(cell) for cell in cells))
    show(console, table)
    for (what, whom, outcome), number in told.items():
        if number > MOST_TOLD:
            say(console, f"{what} ({whom}), {outcome}: {number - MOST_TOLD} more", indent=2)
    todo = dict.fromkeys(row.remedy for row in rows if row.remedy)
    if todo:
        console.print()
        say(console, "What to do", "bold")
    for words in todo:
        say(console, f"- {words}", hang=2)
    console.print()
    _silent(ground, console)
    faults = sum(row.outcome is Outcome.NO for row in rows)
    end = f"{count(faults, 'thing')} must be mended first." if faults else "The broker is ready."
    say(console, f"{end} Nothing was changed.", "bold")
    say(console, "This machine asked. That a device reaches the broker from where it is, the pilot")
    say(console, "shows.")


def _silent(ground: Ground, console: Console) -> None:
    if ground.silent:
        names = some([harmless(name) for name in ground.silent])
        say(console, f"Not counted, since they have no topic: {names}.")


def show_copy(done: Copied, sent: bool, console: Console) -> None:
    """What both brokers keep, what is copied, and what is not and why. No content is shown."""
    plan = done.plan
    table = _table("retained messages", "count", "what becomes of them")
    would = "copied" if sent else "would be copied with --send"
    for what, topics, words in (
        ("to be copied", plan.send, f"{would}: {done.octets} octets"),
        ("alike at both", plan.same, "nothing to do"),
        ("different at the new broker", plan.differ, "left as they are; --overwrite copies them"),
        ("on topics of the devices", plan.commands, "never copied: obeyed, or false news"),
        ("too long, or too many at once", plan.unheld, "not copied; name narrower --topics"),
    ):
        table.add_row(what, str(len(topics)), words)
    show(console, table)
    for words, topics in (("Different", plan.differ), ("Too long", plan.unheld)):
        for topic in topics[:MOST_TOLD]:
            old, new = done.sizes[topic]
            there = f", {new} octets at the new" if new else ""
            told = f"{words}: {harmless(topic)}, {old} octets at the old broker{there}"
            say(console, told, indent=2, hang=2, whole=True)
        _more(topics, console)
    for topic in plan.commands[:MOST_TOLD]:
        told = f"Never copied: {harmless(topic)}"
        say(console, told, indent=2, hang=2, whole=True)
    for place, reason in sorted(done.unseen.items()):
        told = f"Not to be seen with this login: {harmless(place)} ({reason})"
        say(console, told, indent=2, hang=2, whole=True)
    for topic, reason in sorted(done.failed.items())[:MOST_TOLD]:
        say(console, f"NOT copied: {harmless(topic)}: {reason}", indent=2, hang=2, whole=True)
    _more(sorted(done.failed), console)
    if done.properties_lost and plan.send:
        say(console, "The new broker does not speak MQTT 5.0: content type and expiry are lost.")
    if not sent:
        say(console, "Nothing was sent.", "bold")
    elif done.unseen and not done.sent:
        say(console, "Nothing was sent, since not all of it can be seen.", "bold")
    else:
        told = f"{count(done.sent, 'message')} copied, read back and found alike."
        say(console, told, "bold")


def _more(topics: Collection[str], console: Console) -> None:
    if len(topics) > MOST_TOLD:
        say(console, f"and {len(topics) - MOST_TOLD} more", indent=2)


def show_called(called: Called, ground: Ground, playbook: Path, console: Console) -> None:
    """Who is where, with the cause for each that is not at the new broker."""
    there = [n for n, one in called.devices.items() if one.stand in (Stand.THERE, Stand.SAYS_SO)]
    head = f"{len(there)} of {count(len(called.devices), 'device')} are at the new broker"
    say(console, head, "bold")
    table = _table("device", "stand", "why that is thought")
    for name, one in called.devices.items():
        table.add_row(harmless(name), str(one.stand), harmless(one.words))
    show(console, table)
    _silent(ground, console)
    for topic, reason in sorted(called.unheard.items()):
        told = f"The new broker does not let this login hear {harmless(topic)} ({reason})."
        say(console, told, hang=2, whole=True)
    for topic, reason in sorted(called.unheard_old.items()):
        told = (
            f"The old broker does not let this login hear {harmless(topic)} ({reason}): a device "
            "that is still there may not be seen."
        )
        say(console, told, hang=2, whole=True)
    if called.old_down:
        say(console, f"The old broker was not asked: {called.old_down}.", hang=2, whole=True)
    elif called.leftovers:
        told = (
            f"The old broker still keeps {count(len(called.leftovers), 'message')} of the devices "
            f"({some([harmless(one) for one in called.leftovers])}): no news, and gone with it."
        )
        say(console, told, hang=2)
    for group in called.groups:
        _group(group, console)


def _group(group: GroupHeard, console: Console) -> None:
    topic = harmless(group.topic)
    if group.why:
        say(console, f"The group topic {topic} could not be asked: {group.why}.", hang=2)
        return
    if group.old:
        told = (
            f"STILL listening to the old group topic {topic}: {some(list(group.answered))}."
            if group.answered
            else f"Nobody answers on the old group topic {topic}, as it should be."
        )
        say(console, told, hang=2)
        return
    told = f"The group topic {topic}: {len(group.answered)} of {len(group.expected)} answered"
    missing = [name for name in group.expected if name not in group.answered]
    say(console, told + (f"; NOT {some(missing)}." if missing else "."), hang=2)
