"""What may have become of a device that is not found, in sentences: what, and what to look at."""

from __future__ import annotations

from collections.abc import Sequence

from migrate.model.fleet import Transport
from migrate.planning.adrift import Cause, Clue, Files, Group
from migrate.planning.plan import PlannedDevice
from migrate.planning.waves import NETWORK_PARTS
from migrate.views.lines import harmless
from migrate.views.networks import broker_in_words, key_in_words, ssid_in_words
from migrate.views.words import lasting, some


def cause_in_words(
    cause: Cause, clues: Sequence[Clue], group: Group, files: Files | None, run: str
) -> str:
    """One cause that some devices of a group have in common. `run`: the run as it is named on the
    command line."""
    devices = [clue.missing.device for clue in clues]
    if cause is Cause.NOT_LET_IN:
        return _not_let_in(group)
    if cause is Cause.NOT_FOUND:
        return _not_found(clues, group, files)
    if cause is Cause.BEHIND:
        feeders = sorted({name for clue in clues for name in clue.behind})
        return f"What feeds it is missing as well: {_named(feeders)}. See to that first."
    if cause is Cause.ASLEEP:
        longest = max(device.wakes_seconds or 0.0 for device in devices)
        return (
            "It sleeps, and answers only when it wakes. Wait for two of its wakes "
            f"({lasting(2 * longest)}), and look again, before you go to it."
        )
    if cause is Cause.NOT_CHANGED_YET:
        return (
            "It has left as it should, and waits for the access point to be changed. "
            f"`migrate status {run}` tells whether you may change it now; then: "
            f"`migrate resume {run} --flipped`."
        )
    if cause is Cause.OUTPUT_OFF:
        return _output_off(devices)
    if cause is Cause.BROKER:
        brokers = "; ".join(broker_in_words(one) for one in group.brokers)
        return (
            "It took its settings, is on its network, and the broker does not let it in"
            + (f" ({brokers})" if brokers else "")
            + ". Look into the broker's log. Is it reached from that network, by this name, at "
            "this port? Does it know this user and this password?"
        )
    if cause is Cause.OWN_ADDRESS:
        own = sorted({clue.own for clue in clues if clue.own})
        return (
            f"It has an address of its own ({_named(own)}) that is not of the network it is on, or "
            "that somebody else there has as well. It asks no DHCP server for another."
        )
    if cause is Cause.OLD_KEY:
        return _old_key(group)
    if cause is Cause.NO_POWER:
        return _no_power(group)
    return (
        "It gave up, and now offers an access point of its own, as a module in set-up mode does "
        "(common practice, no source). Beside it, look on a phone for a network that you do not "
        "know. Its manual tells how it is given its settings there: those above."
    )


def _named(names: Sequence[str]) -> str:
    return some([harmless(name) for name in names])


def _not_let_in(group: Group) -> str:
    network = group.network
    name = ssid_in_words(network.ssid) if network else "the network"
    key = f", letter by letter, {key_in_words(network.secret)}" if network else " the one it has"
    told = (
        f"It took its settings, and {name} does not let it in. Is that network on air where the "
        f"device is, and strong enough? Has its access point{key}? Is it full, or does it admit "
        "only devices that it lists?"
    )
    if radio := radio_in_words(group):
        told += f" The device can join {radio} and nothing else: does the access point offer that?"
    if group.unchecked:
        told += (
            f" The playbook does not tell the {' or '.join(group.unchecked)} of that access "
            "point, so this was not checked when it was planned."
        )
    return told


def radio_in_words(group: Group, best: str = "") -> str:
    """What the radios of a group have in common; empty if it is not known, or nothing. `best` is
    said of the channels."""
    air = group.air
    if not air.bands or not air.channels or not air.security:
        return ""
    security = " or ".join(way.upper() for way in air.security)
    return f"{' or '.join(air.bands)}, {channels_in_words(air.channels)}{best}, {security}"


def channels_in_words(channels: Sequence[int]) -> str:
    """`channels 1 to 13`; those that do not follow each other one by one."""
    runs: list[list[int]] = []
    for number in channels:
        if runs and runs[-1][-1] == number - 1:
            runs[-1].append(number)
        else:
            runs.append([number])
    spans = (f"{run[0]} to {run[-1]}" if len(run) > 1 else str(run[0]) for run in runs)
    return f"channel{'s' if len(channels) > 1 else ''} {', '.join(spans)}"


def _not_found(clues: Sequence[Clue], group: Group, files: Files | None) -> str:
    via: set[Transport] = {clue.missing.device.via for clue in clues}
    told = ["It is there, and cannot be found."]
    if "http" in via:
        leases = f" ({harmless(group.leases)})" if group.leases else ""
        told.append(
            f"Does the access point list its MAC? Then see that the lease file{leases} is the live "
            "one, names that MAC, and can be read here."
        )
        if group.subnet:
            told.append(f"An address outside {group.subnet} is not asked.")
    if "mqtt" in via:
        brokers = "; ".join(broker_in_words(one) for one in group.brokers)
        told.append(
            "Does the broker list it as a client, or refuse its login"
            + (f" ({brokers})?" if brokers else "?")
        )
    if files and files.presence:
        told.append("The playbook asks for its presence as proof: does it say that it is there?")
    return " ".join(told)


def _output_off(devices: Sequence[PlannedDevice]) -> str:
    fed = sorted({fed for device in devices for fed in device.feeds if fed in NETWORK_PARTS})
    return (
        f"It feeds the {' and the '.join(fed)}. If its output stayed off when it restarted, that "
        "is off as well, and nothing can be found. Is there power? If not, press the button of the "
        "device, or feed it from another socket."
    )


def _old_key(group: Group) -> str:
    kept = next(iter(group.kept), None)
    key = key_in_words(kept.secret) if kept else "the old passphrase"
    return (
        f"It never took the new passphrase and still has {key}, which the access point does not "
        "take any more. A second access point of the same name with that one lets it in."
    )


def _no_power(group: Group) -> str:
    if not group.moves:
        return (
            "It is off, or its network is gone where it is. What it was given takes it to no other "
            "network. Look for its light; think of wall switches, fuses, plugs, and of an access "
            "point that was moved."
        )
    here = group.network.ssid if group.network else ""
    kept = " or ".join(ssid_in_words(one.ssid) for one in group.kept if one.ssid != here)
    told = (
        "It never took them, and is off or out of reach. Look for its light; think of wall "
        "switches, fuses and plugs."
    )
    return told + (f" With power it would be on {kept}: is that on air?" if kept else "")
