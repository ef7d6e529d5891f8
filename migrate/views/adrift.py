"""What is adrift, and how to get it back: for somebody on a ladder, with a phone.

The same lines go to a terminal and into the report. Words that come from files or devices are made
harmless here, since they may be anything.
"""

from __future__ import annotations

import shlex
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Literal

from rich.console import Console
from rich.text import Text

from migrate.journal.rows import Entry
from migrate.journal.store import Journal
from migrate.model.fleet import Reach
from migrate.model.lifecycle import Direction, Event, State
from migrate.model.problems import Changed, Trouble
from migrate.model.settings import FrozenBundle, FrozenValue, Setting
from migrate.planning.adrift import (
    OPEN,
    Cause,
    Clue,
    Files,
    Group,
    Missing,
    Network,
    Search,
    search_for,
)
from migrate.views.causes import cause_in_words, radio_in_words
from migrate.views.lines import harmless, say
from migrate.views.networks import broker_in_words, key_in_words, network_in_words, ssid_in_words
from migrate.views.words import CAUTION, lasting, settings_in_words, some, tally

HANDS = (
    "A ladder stands on firm ground, and somebody holds it. A device is opened only when its "
    "circuit is off and proved to be off, by whoever may do that work where you live (common "
    "practice, no source)."
)
SEEN_HERE = 8
"""Devices that a sentence names."""
USUAL = (1, 6, 11)
"""Channels of 2.4 GHz that do not overlap and that devices know nearly everywhere (common
practice, no source)."""


@dataclass(frozen=True)
class Line:
    """A line before it is drawn: a heading, a device or place, a sentence, one of a list, a box to
    be ticked, or a command, which is never broken."""

    kind: Literal["head", "name", "text", "item", "tick", "command"]
    words: str


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
        say(out, _looks_for(group), indent=2, hang=2)


def adrift_lines(search: Search, run: str, files: Files | None = None) -> Iterator[Line]:
    """Everything that helps, in the order in which it is needed."""
    yield from _first(search, run)
    yield Line("head", "What each was given")
    for clues in _alike(search.clues):
        yield from _given(clues)
    yield Line("head", "What they look for")
    for group in search.groups:
        yield from _sought(group)
    moving = [(one, one.network) for one in search.groups if one.network and _lost(one)]
    if moving:
        yield Line("head", "Without a ladder: an access point for a while")
    for group, network in moving:
        yield from _temporary(group, network)
    yield from _causes(search, run, files)
    yield from _walk(search, run)


def _first(search: Search, run: str) -> Iterator[Line]:
    if any(clue.missing.state is not State.ADRIFT for clue in search.clues):
        yield Line(
            "text",
            "A run is at work on some of these, or was cut off in the midst of it: they may be "
            "well.",
        )
    yield Line(
        "text",
        "First look again. Some devices take minutes, and one that is late is still recognised. "
        "What is adrift is sent nothing by this; if all are back, the run goes on.",
    )
    yield Line("command", f"migrate resume {run}")
    if search.reason:
        yield Line("text", search.reason)


def _given(clues: Sequence[Clue]) -> Iterator[Line]:
    """Devices that were given the same and had the same."""
    for clue in clues:
        one, device = clue.missing, clue.missing.device
        off = ", written off" if one.written_off else ""
        head = f"{harmless(device.name)} is {one.state}{off}: {harmless(device.place)}"
        yield Line("name", f"{head}, MAC {device.mac}")
        if one.words:
            yield Line("text", f"Last words: {harmless(one.words)}.")
        when = f" on {_when(one.sent_at)}" if one.sent_at else ""
        answer = harmless(one.answer) or "none is known"
        yield Line("text", f"Sent its settings{when}; its answer: {answer}.")
    each, first = "Each" if len(clues) > 1 else "It", clues[0]
    way = "for the new side" if first.way is Direction.FORWARD else "back to the old side"
    yield Line("text", f"{each} was given, {way}: {_settings(first.missing.given)}.")
    yield Line("text", f"{each} had before: {_settings(first.prior)}.")


def _alike(clues: Iterable[Clue]) -> Iterable[list[Clue]]:
    found: dict[object, list[Clue]] = {}
    for clue in clues:
        given = tuple(clue.missing.given.items())
        found.setdefault((clue.way, given, tuple(clue.prior.items())), []).append(clue)
    return found.values()


def _when(sent_at: str) -> str:
    return f"{datetime.fromisoformat(sent_at):%Y-%m-%d at %H:%M} UTC"


def _settings(bundle: FrozenBundle) -> str:
    """Names of networks octet by octet where that matters; the rest as everywhere."""
    told = []
    for setting, value in bundle.items():
        if setting in (Setting.WIFI_SSID, Setting.SPARE_SSID) and isinstance(value, str) and value:
            told.append(f"{setting} {ssid_in_words(value)}")
        else:
            told.append(harmless(settings_in_words({setting: value})))
    return ", ".join(told) or "what is not known here"


def _names(group: Group) -> str:
    return some([harmless(name) for name in group.names], SEEN_HERE)


def _looks_for(group: Group) -> str:
    verb = "looks" if len(group.clues) == 1 else "look"
    if group.network is None:
        where = "for the network that it was on" if verb == "looks" else "for the network each had"
        return f"{_names(group)} {verb} {where}, which is not known here"
    same = "" if group.moves else ", as before"
    return f"{_names(group)} {verb} for {network_in_words(group.network)}{same}"


def _sought(group: Group) -> Iterator[Line]:
    yield Line("text", f"{_looks_for(group)}.")
    if not group.moves:
        yield Line(
            "text",
            "Nothing that was given takes a device to another network: while that one is on air "
            "where the device is, no other helps.",
        )
    for spare in dict.fromkeys(clue.spare for clue in group.clues if clue.spare):
        who = [harmless(clue.name) for clue in group.clues if clue.spare == spare]
        yield Line(
            "text",
            f"By its spare slot {some(who, SEEN_HERE)} also tries {network_in_words(spare)}.",
        )
    spares = {clue.spare for clue in group.clues}
    for kept in group.kept if group.kept != tuple(spares) else ():
        yield Line("text", f"One that took nothing of it still looks for {network_in_words(kept)}.")
    for broker in group.brokers:
        yield Line("text", f"Once on the network it wants the broker {broker_in_words(broker)}.")
    for clue in group.clues:
        if clue.own:
            yield Line(
                "text",
                f"{harmless(clue.name)} asks nobody for an address: it has {harmless(clue.own)}.",
            )


def _lost(group: Group) -> bool:
    """Whether a network put up for its devices may bring one back: not while all of them wait for
    the access point to be changed, as they should."""
    return group.moves and any(Cause.NOT_CHANGED_YET not in clue.causes for clue in group.clues)


def _temporary(group: Group, network: Network) -> Iterator[Line]:
    yield Line("name", f"For {_names(group)}")
    yield Line(
        "tick",
        f"Take an old router, or the hotspot of a phone. Name: {ssid_in_words(network.ssid)}, "
        f"small and capital letters as they stand. Give it {key_in_words(network.secret)}: exactly "
        "that one, even if it was a mistake.",
    )
    yield Line("tick", _radio(group))
    inside = f"inside {group.subnet}" if group.subnet else "inside the subnet in the playbook"
    leases = f", listed in {harmless(group.leases)}" if group.leases else ""
    yield Line(
        "tick",
        f"For migrate to find a device there, it must get an address {inside}{leases}, and be let "
        "through to the broker. An old router does that with its own DHCP server off and a cable "
        "from one of its LAN sockets to that network. A phone hands out addresses of its own: then "
        "you see by its list who has come and is alive, migrate does not find it, and you correct "
        "it by its own page.",
    )
    yield Line(
        "tick",
        "Put it near the device, and wait some minutes. If nothing comes, power the device off and "
        "on; before that read the cautions below.",
    )
    yield Line("tick", "Look again, by the command above, while it is still up.")
    yield Line(
        "tick",
        "Take it down when the cause is mended: others that know this name may join it as well. "
        "Then resume again, to see who stays.",
    )
    for kept in group.kept:
        yield Line(
            "text",
            "Nobody comes? See that the former network is on air as well, or make the access point "
            f"{network_in_words(kept)}: one that took nothing comes to that.",
        )


def _radio(group: Group) -> str:
    air = group.air
    if air.bands is None or air.channels is None or air.security is None:
        return (
            "Set it to 2.4 GHz, channel 1, 6 or 11, WPA2-PSK, and do not hide the name: nearly all "
            "such devices can join that (common practice, no source)."
        )
    if not (air.bands and air.channels and air.security):
        return (
            "Their radios have nothing in common. Set it to what the first device of your walk "
            "can join, as its dialect says under [radio], then to what the next can. Do not hide "
            "the name."
        )
    usual = [number for number in USUAL if number in air.channels]
    best = f" (best: {', '.join(map(str, usual))})" if "2.4 GHz" in air.bands else ""
    told = radio_in_words(group, best if usual else "")
    return f"Set it to {told}, and do not hide the name."


def _causes(search: Search, run: str, files: Files | None) -> Iterator[Line]:
    yield Line("head", "What may have happened, likeliest first")
    for group in search.groups:
        if len(search.groups) > 1:
            yield Line("name", _names(group))
        for cause, clues in group.causes:
            # Said of some only, it names them.
            some_only = len(clues) < len(group.clues)
            who = f"{some([harmless(clue.name) for clue in clues], SEEN_HERE)}: "
            words = cause_in_words(cause, clues, group, files, run)
            yield Line("item", who + words if some_only else words)


def _walk(search: Search, run: str) -> Iterator[Line]:
    yield Line("head", "By hand, in this order")
    yield Line("text", CAUTION)
    if any(clue.missing.device.reach is not Reach.TABLE for clue in search.clues):
        yield Line("text", HANDS)
    yield Line(
        "text",
        "At each device: has it power, does its light show? Off for ten seconds, and on. Wait two "
        "minutes. Does it offer a network of its own? Then give it by hand what it was given above "
        "(or what it had before), as its manual says. Then look again.",
    )
    for stop in search.stops:
        yield Line("name", harmless(stop.place))
        for clue in stop.clues:
            yield Line("tick", _at_device(clue, search.clues))
    yield Line("text", "One that you leave as it is, and that is to be looked for no more:")
    left = next((c.name for c in search.clues if not c.missing.written_off), "")
    yield Line("command", f"migrate resume {run} --write-off {shlex.quote(left or 'DEVICE')}")


REACHES = {Reach.TABLE: "within reach", Reach.LADDER: "ladder", Reach.TOOLS: "has to be opened"}


def _at_device(clue: Clue, all_clues: Sequence[Clue]) -> str:
    device = clue.missing.device
    told = [f"{harmless(device.name)}, MAC {device.mac}: {REACHES[device.reach]}."]
    if device.load:
        told.append(
            f"On it hangs {harmless(device.load)}: see that it may go off and come back, before "
            "you power it off."
        )
    if device.feeds:
        told.append(
            f"It feeds {some([harmless(fed) for fed in device.feeds], SEEN_HERE)}: powered off, it "
            "takes that with it, and what it feeds comes back with it."
        )
    if clue.behind:
        told.append(f"Fed by {some([harmless(name) for name in clue.behind])}: after that.")
    if device.wakes_seconds:
        told.append(f"It sleeps, and wakes every {lasting(device.wakes_seconds)}.")
    mates = [
        harmless(other.name)
        for other in all_clues
        if device.cover and other.missing.device.cover == device.cover and other is not clue
    ]
    if device.cover:
        gone = f" Of it {some(mates)} is missing as well." if mates else ""
        told.append(f"Its cover is {harmless(device.cover)}: leave what is left of it on.{gone}")
    return " ".join(told)
