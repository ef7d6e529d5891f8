"""Sentences that help with devices that nobody can find: what each was given, what it looks for,
how to bring it back. For the terminal, the report and the sheet alike.

Words that come from files or devices are made harmless here, since they may be anything.
"""

from __future__ import annotations

import shlex
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Literal

from migrate.model.fleet import Reach
from migrate.model.lifecycle import Direction, State
from migrate.model.settings import FrozenBundle, Setting
from migrate.planning.adrift import Cause, Clue, Files, Group, Network, Search
from migrate.views.causes import cause_in_words, radio_in_words
from migrate.views.lines import harmless
from migrate.views.networks import broker_in_words, key_in_words, network_in_words, ssid_in_words
from migrate.views.words import lasting, settings_in_words, some

FIRM_GROUND = "A ladder stands on firm ground, and somebody holds it."
CIRCUIT_OFF = (
    "A device is opened only when its circuit is off and proved to be off, by whoever may do that "
    "work where you live (common practice, no source)."
)
HANDS = f"{FIRM_GROUND} {CIRCUIT_OFF}"
AT_EACH = (
    "At each device: has it power, does its light show? Off for ten seconds, and on. Wait two "
    "minutes. Does it offer a network of its own? Then give it by hand what it was given (or what "
    "it had before), as its manual says. Then look again."
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


def look_again(search: Search, run: str) -> Iterator[Line]:
    """What to do before anybody goes anywhere."""
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


def given(clues: Sequence[Clue]) -> Iterator[Line]:
    """Devices that were given the same and had the same."""
    for clue in clues:
        one, device = clue.missing, clue.missing.device
        off = ", written off" if one.written_off else ""
        head = f"{harmless(device.name)} {one.state.told}{off}: {harmless(device.place)}"
        yield Line("name", f"{head}, MAC {device.mac}")
        for words in last_heard(clue):
            yield Line("text", words)
    for words in holdings(clues[0], "Each" if len(clues) > 1 else "It"):
        yield Line("text", words)


def last_heard(clue: Clue) -> Iterator[str]:
    """The last that is known of a device."""
    one = clue.missing
    if one.words:
        yield f"Last words: {harmless(one.words)}."
    when = f" on {_when(one.sent_at)}" if one.sent_at else ""
    yield f"Sent its settings{when}; its answer: {harmless(one.answer) or 'none is known'}."


def holdings(clue: Clue, each: str = "It") -> Iterator[str]:
    """What it was given, and what it had before that; one of both is what it has now."""
    way = "for the new side" if clue.way is Direction.FORWARD else "back to the old side"
    yield f"{each} was given, {way}: {_settings(clue.missing.given)}."
    yield f"{each} had before: {_settings(clue.prior)}."


def alike(clues: Iterable[Clue]) -> Iterable[list[Clue]]:
    """Together those that were given the same, had the same, and go the same way."""
    found: dict[object, list[Clue]] = {}
    for clue in clues:
        given = tuple(clue.missing.given.items())
        found.setdefault((clue.way, given, tuple(clue.prior.items())), []).append(clue)
    return found.values()


def _when(sent_at: str) -> str:
    try:
        return f"{datetime.fromisoformat(sent_at):%Y-%m-%d at %H:%M} UTC"
    except ValueError:
        return "a day that the journal no longer tells"


def _settings(bundle: FrozenBundle) -> str:
    """Names of networks octet by octet where that matters; the rest as everywhere."""
    told = []
    for setting, value in bundle.items():
        if setting in (Setting.WIFI_SSID, Setting.SPARE_SSID) and isinstance(value, str) and value:
            told.append(f"{setting} {ssid_in_words(value)}")
        else:
            told.append(harmless(settings_in_words({setting: value})))
    return ", ".join(told) or "what is not known here"


def names_of(group: Group) -> str:
    """The devices of a group; of many, the first."""
    return some([harmless(name) for name in group.names], SEEN_HERE)


def looks_for(group: Group) -> str:
    """Which network the devices of a group look for, in a sentence without its full stop."""
    verb = "looks" if len(group.clues) == 1 else "look"
    if group.network is None:
        where = "for the network that it was on" if verb == "looks" else "for the network each had"
        return f"{names_of(group)} {verb} {where}, which is not known here"
    same = "" if group.moves else ", as before"
    return f"{names_of(group)} {verb} for {network_in_words(group.network)}{same}"


def sought(group: Group) -> Iterator[Line]:
    """The network that the devices of a group look for, and what else they may try."""
    yield Line("text", f"{looks_for(group)}.")
    if not group.moves:
        yield Line(
            "text",
            "Nothing that was given takes a device to another network: while that one is on air "
            "where the device is, no other helps.",
        )
    for spare in dict.fromkeys(clue.spare for clue in group.clues if clue.spare):
        who = [harmless(clue.name) for clue in group.clues if clue.spare == spare]
        tries = f"also {'tries' if len(who) == 1 else 'try'} {network_in_words(spare)}"
        yield Line("text", f"By the spare slot {some(who, SEEN_HERE)} {tries}.")
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


def lost(group: Group) -> bool:
    """Whether a network put up for its devices may bring one back: not while all of them wait for
    the access point to be changed, as they should."""
    return group.moves and any(Cause.NOT_CHANGED_YET not in clue.causes for clue in group.clues)


def temporary(group: Group, network: Network) -> Iterator[Line]:
    """How to put up that network for a while, so that nobody has to climb."""
    yield Line("name", f"For {names_of(group)}")
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
        "on; before that read the cautions.",
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


REACHES = {Reach.TABLE: "within reach", Reach.LADDER: "ladder", Reach.TOOLS: "has to be opened"}


def at_device(clue: Clue, all_clues: Sequence[Clue]) -> str:
    """A device as one stands before it."""
    device = clue.missing.device
    head = f"{harmless(device.name)}, MAC {device.mac}: {REACHES[device.reach]}."
    return " ".join([head, *remarks(clue, all_clues)])


def remarks(clue: Clue, all_clues: Sequence[Clue]) -> Iterator[str]:
    """What to know of a device before it is touched. `all_clues`: all that are missing."""
    device = clue.missing.device
    if device.load:
        yield (
            f"On it hangs {harmless(device.load)}: see that it may go off and come back, before "
            "you power it off."
        )
    if device.feeds:
        yield (
            f"It feeds {some([harmless(fed) for fed in device.feeds], SEEN_HERE)}: powered off, it "
            "takes that with it, and what it feeds comes back with it."
        )
    if clue.behind:
        yield f"Fed by {some([harmless(name) for name in clue.behind])}: after that."
    if device.wakes_seconds:
        yield f"It sleeps, and wakes every {lasting(device.wakes_seconds)}."
    mates = [
        harmless(other.name)
        for other in all_clues
        if device.cover and other.missing.device.cover == device.cover and other is not clue
    ]
    if device.cover:
        gone = f" Of it {some(mates)} is missing as well." if mates else ""
        yield f"Its cover is {harmless(device.cover)}: leave what is left of it on.{gone}"


def causes(group: Group, files: Files | None, run: str) -> Iterator[str]:
    """What may have happened to devices of a group, likeliest first, and what to look at."""
    for cause, clues in group.causes:
        words = cause_in_words(cause, clues, group, files, run)
        # Said of some only, it names them.
        some_only = len(clues) < len(group.clues)
        who = f"{some([harmless(clue.name) for clue in clues], SEEN_HERE)}: "
        yield who + words if some_only else words


def written_off(search: Search, run: str) -> Iterator[Line]:
    """How the owner says that a device is to be looked for no more."""
    yield Line("text", "One that you leave as it is, and that is to be looked for no more:")
    left = next((c.name for c in search.clues if not c.missing.written_off), "")
    yield Line("command", f"migrate resume {run} --write-off {shlex.quote(left or 'DEVICE')}")
