"""Why a device is in its wave, in sentences."""

from __future__ import annotations

from rich.console import Console

from migrate.planning.plan import Plan
from migrate.planning.why import Barrier, Move, Why
from migrate.views.lines import say
from migrate.views.words import count


def show_why(found: Why, plan: Plan, console: Console) -> None:
    """Print it. Nothing in it is a secret."""
    device = found.device
    head = f"{device.name}: wave {found.wave + 1} of {found.waves}"
    if plan.leg.of > 1:
        head += f", in leg {plan.leg.number} of {plan.leg.of} ({plan.leg.what})"
    say(console, head, "bold")
    _list("Why there", _reasons(found), console)
    if found.barriers:
        _list("Why not earlier", [_barrier(one, found) for one in found.barriers], console)
    if found.together:
        return
    if found.moves:
        _list("What would move it", [_move(move, found) for move in found.moves], console)
    else:
        say(
            console,
            "Nothing that was tried moves it: bench trials, reach, cover, firmware, one device "
            "more that may be stranded, a lower confidence.",
        )


def _list(heading: str, sentences: list[str], console: Console) -> None:
    say(console, heading, "bold")
    for sentence in sentences:
        say(console, sentence, indent=2)


def _reasons(found: Why) -> list[str]:
    device, pace = found.device, found.pace
    told: list[str] = []
    if found.together:
        return [
            "In this leg all devices go at the same moment, since the network keeps its name; you "
            "accepted in numbers that all of them may be stranded. No other rule holds here."
        ]
    if device.feeds:
        told.append(
            f"It feeds {', '.join(device.feeds)}: its restart cuts others off. It goes alone, "
            f"after everything that depends on it ({count(found.behind, 'device')} before it)."
        )
    elif found.wave == 0:
        told.append(
            f"It is the pilot, the one device that goes before all others: within reach "
            f"({device.reach}), {_delicate(device.load)}, and one of "
            f"{count(found.twins + 1, 'twin')} that it speaks for."
        )
    group = f"{device.dialect} {device.firmware}"
    told.append(_evidence(found, group))
    told.append(
        f"The wave has {count(len(found.mates) + 1, 'device')} and an exposure of "
        f"{found.exposure:.2f}; you accept {pace.stranded_at_most}."
    )
    if found.easier and not device.feeds:
        told.append(
            f"It is hard to reach ({device.reach}), so a twin that is easier to reach, such as "
            f"{found.easier}, has to be back before it."
        )
    if device.cover:
        told.append(f"No other device of its cover ({device.cover}) is in this wave.")
    return told


def _delicate(load: str | None) -> str:
    return f"although {load} hangs on it" if load else "nothing delicate on it"


def _evidence(found: Why, group: str) -> str:
    seen, sure = found.before, f"{found.pace.confidence:.0%} sure"
    if not seen.returns + seen.faults:
        return (
            f"Nothing is known yet of its twins ({group}) when it goes: it is counted as a device "
            f"that may well fail, a whole 1 of the exposure."
        )
    words = f"When it goes, {count(seen.returns, 'of its twins', 'of its twins')} ({group}) moved"
    words += f" and {seen.faults} failed" if seen.faults else " and none failed"
    if found.earlier.returns + found.earlier.faults:
        words += (
            f" ({found.earlier.returns + found.earlier.faults} of these in earlier runs or on the "
            f"bench)"
        )
    return (
        f"{words}: so at most {found.bound:.1%} may fail ({sure}), and it is {found.bound:.2f} of "
        "the exposure."
    )


def _barrier(one: Barrier, found: Why) -> str:
    many = one.last > one.first
    waves = f"Waves {one.first + 1} to {one.last + 1}" if many else f"Wave {one.first + 1}"
    device, accepted = found.device, found.pace.stranded_at_most
    if one.rule == "pilot":
        return f"{waves}: the pilot ({one.other}) goes alone."
    if one.rule == "carrier":
        alone = f"{one.other} feeds a part of the network and goes alone"
        behind = "what depends on this device, and all that feeds nothing, goes first"
        return f"{waves}: {alone if one.other else behind}."
    if one.rule == "cover":
        return f"{waves}: {one.other} of the same cover ({device.cover}) is in it."
    if one.rule == "reach":
        return (
            f"{waves}: no twin has moved yet, and this one is hard to reach ({device.reach}); "
            f"{one.other} is easier."
        )
    if one.rule == "exposure":
        last = " in the first of them" if many else ""
        return (
            f"{waves}: with it the exposure would be {one.exposure:.2f}{last}; you accept "
            f"{accepted}."
        )
    if one.rule == "widest":
        return f"{waves}: full, {found.pace.widest_wave} devices is the widest wave you allow."
    return (
        f"{waves}: no rule forbids it. Others went there, so that the whole takes few waves and "
        "easy devices go first."
    )


def _trials(value: str) -> str:
    return f"{value} trial{'' if value == '1' else 's'}"


def _move(move: Move, found: Why) -> str:
    twin = f"{found.device.dialect} {found.device.firmware}"
    changes = {
        "bench": f"{_trials(move.value)} of {twin} on the bench, no fault",
        "firmware": f"Firmware {move.value}, as the largest group of {found.device.dialect} has",
        "reach": f"Reach {move.value}, if it can be got at that easily",
        "cover": f"No cover, if nothing has to stand in for it ({move.value})",
        "carrier": f"Feeding nothing (it feeds {move.value})",
        "stranded": f"stranded_at_most = {move.value}",
        "confidence": f"confidence = {move.value}",
    }
    way = "earlier" if move.wave < found.wave else "later"
    return f"{changes[move.change]}: wave {move.wave + 1} of {move.waves} ({way})."
