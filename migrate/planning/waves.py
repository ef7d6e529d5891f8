"""Waves: who goes first, who goes together, and why.

Rules, in the order in which they bind:

1. The first wave is a pilot: one device, easy to reach, with nothing delicate on it.
2. A device that feeds a part of the network goes alone, after everything that depends on it; the
   one that feeds the access point last, since every other device is joined to that.
3. Never two devices of one cover in a wave.
4. A device that is harder to reach waits until an easier twin has proved the move.
5. The exposure of a wave stays within what the owner accepted, counting every earlier wave as
   returned. (The gates stop the run when that turns out wrong.)
6. No wave is wider than the owner said.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from graphlib import CycleError, TopologicalSorter
from heapq import heappop, heappush

from migrate.model.fleet import Device
from migrate.model.playbook import Pace
from migrate.model.problems import Problem, Refused
from migrate.planning.bound import fewest_waves
from migrate.planning.exposure import Evidence, Twin, exposure, rate
from migrate.planning.follow import follow
from migrate.planning.groups import groups_of
from migrate.planning.line import Line, twin_of
from migrate.planning.prices import LARGE
from migrate.planning.search import search

NETWORK_PARTS = ("access-point", "router", "broker", "controller")
"""What a device can feed beside other devices, named as in a fleet's `feeds`; first that on which
most depends."""

MANY = 12
"""Twin groups beyond which devices go in order, to stay quick: few of them have twins then."""


@dataclass(frozen=True)
class Wave:
    """Names of the devices that go together, the exposure, and for each device why here."""

    names: tuple[str, ...]
    exposure: float
    why: Mapping[str, str]


def make_waves(
    devices: Sequence[Device],
    pace: Pace,
    shown: Mapping[Twin, Evidence] | None = None,
    *,
    thorough: bool = False,
) -> tuple[Wave, ...]:
    """Every device in exactly one wave. `shown`: what twins have shown before this run;
    `thorough`: a few seconds may be taken for one wave less.

    Whoever is easier to reach and has nothing delicate on it goes sooner, as long as that takes no
    more waves; where it would, the fewest waves that are found. Raises Refused if devices feed
    each other in a circle.
    """
    had = shown or {}
    order = sorted(devices, key=lambda d: (d.reach.rank, d.load is not None, d.name))
    carriers = carriers_in_order([device for device in order if device.carrier])
    plain = [device for device in order if not device.carrier]
    seen = dict(had)
    waves = []
    for number, together in enumerate(
        [*_of_plain(plain, pace, had, thorough=thorough), *([c] for c in carriers)]
    ):
        waves.append(_wave(together, seen, pace, pilot=bool(plain) and number == 0))
        for twin, count in Counter(map(twin_of, together)).items():
            seen[twin] = seen.get(twin, Evidence()).plus(count)
    return tuple(waves)


def _of_plain(
    plain: Sequence[Device], pace: Pace, shown: Mapping[Twin, Evidence], *, thorough: bool
) -> Sequence[list[Device]]:
    """The waves of those that feed nothing, in the fewest that are found."""
    if not plain:
        return []
    pilot = _pilot(plain)
    best = [[pilot], *in_order(plain, pilot, pace, shown)]
    if len(plain) > LARGE:
        return best
    return _fewer(plain, pace, shown, best, thorough=thorough)


def in_order(
    plain: Sequence[Device], pilot: Device, pace: Pace, shown: Mapping[Twin, Evidence]
) -> list[list[Device]]:
    """The waves after the pilot's if all go in order, each as soon as the rules let it."""
    line = Line(plain, pilot, shown)
    waves: list[list[Device]] = []
    while line:
        waves.append(line.take(pace))
        line.returned(waves[-1])
    return waves


def _fewer(
    plain: Sequence[Device],
    pace: Pace,
    shown: Mapping[Twin, Evidence],
    best: list[list[Device]],
    *,
    thorough: bool,
) -> list[list[Device]]:
    """`best`, unless fewer waves are found."""
    least = fewest_waves(plain, pace, shown)
    if len(best) <= least:
        return best
    groups = groups_of(plain, pace, shown)
    if len(groups) > MANY:
        return best
    twins = list(groups)
    # As easy and as harmless as the pilot in order: from each of their groups one may be it.
    first = _pilot_rank(best[0][0])
    pilots = {twin_of(one): one for one in reversed(plain) if _pilot_rank(one) == first}
    found = search(
        tuple(groups.values()),
        pace.widest_wave,
        [twins.index(twin) for twin in pilots],
        len(best),
        least + 1,
        thorough=thorough,
    )
    asked = [dict(zip(twins, state, strict=True)) for state in found.states]
    for covers_first in (False, True) if asked else ():
        pilot = pilots[next(twin for twin in pilots if asked[0][twin])]
        waves = follow(plain, pilot, pace, shown, asked, covers_first=covers_first)
        if len(waves) + 1 < len(best):
            best = [[pilot], *waves]
    return best


def _pilot_rank(device: Device) -> tuple[int, bool, bool]:
    return (device.reach.rank, device.load is not None, device.cover is not None)


def _pilot(plain: Sequence[Device]) -> Device:
    """The easiest device without a load; of those, one with the most twins to speak for."""
    twins = Counter(twin_of(device) for device in plain)
    return min(
        plain,
        key=lambda d: (*_pilot_rank(d), -twins[twin_of(d)], d.name),
    )


def _wave(
    together: Sequence[Device], seen: Mapping[Twin, Evidence], pace: Pace, *, pilot: bool
) -> Wave:
    total = exposure((twin_of(device) for device in together), seen, pace.confidence)
    tell = _why_pilot if pilot else _why
    why = {one.name: tell(one, seen.get(twin_of(one), Evidence()), pace) for one in together}
    return Wave(tuple(device.name for device in together), total, why)


def _why_pilot(pilot: Device, seen: Evidence, pace: Pace) -> str:
    return f"the pilot: within reach ({pilot.reach})" + (
        f", although {pilot.load} hangs on it" if pilot.load else ", nothing delicate on it"
    )


def _why(device: Device, seen: Evidence, pace: Pace) -> str:
    if device.carrier:
        return f"feeds {', '.join(device.feeds)}: alone, after everything that depends on it"
    group = " ".join(twin_of(device))
    if not seen.returns:
        words = f"first of its twins ({group}); reach {device.reach}"
    else:
        bound = rate(seen, pace.confidence)
        failed = f" and {seen.faults} failed" if seen.faults else ""
        words = (
            f"{seen.returns} of its twins ({group}) moved before it{failed}: at most {bound:.0%} "
            f"may fail ({pace.confidence:.0%} sure); reach {device.reach}"
        )
    return words + (f"; apart from the rest of cover {device.cover}" if device.cover else "")


def carriers_in_order(carriers: Sequence[Device]) -> list[Device]:
    """Carriers so that each comes after the carriers it feeds, and as late as may be if much of
    the network hangs on it. Raises Refused if they feed each other in a circle."""
    place = {carrier.name: number for number, carrier in enumerate(carriers)}
    feeds = {
        c.name: [fed for fed in c.feeds if fed in place and not _own(c, fed)] for c in carriers
    }
    tree = TopologicalSorter(feeds)
    try:
        tree.prepare()
    except CycleError as error:
        circle = sorted(set(error.args[1]))
        raise Refused(
            Problem(
                f"devices feed each other in a circle: {', '.join(circle)}",
                "correct feeds in the fleet file",
                key="feeds",
            )
        ) from None
    done: list[Device] = []
    depth: dict[str, int] = {}
    free: list[tuple[int, int, int]] = []
    while tree.is_active():
        for name in tree.get_ready():
            depth[name] = max((depth[fed] + 1 for fed in feeds[name]), default=0)
            weight = _weight(carriers[place[name]])
            heappush(free, (weight, depth[name], place[name]))
        carrier = carriers[heappop(free)[-1]]
        done.append(carrier)
        tree.done(carrier.name)
    return done


def _own(carrier: Device, fed: str) -> bool:
    """Whether the owner named the device after the part that it feeds: a plug called router."""
    return fed == carrier.name and fed in NETWORK_PARTS


def _weight(carrier: Device) -> int:
    """How much hangs on it: most on the access point, which the other carriers need as well."""
    parts = len(NETWORK_PARTS)
    return max(
        (parts - NETWORK_PARTS.index(f) for f in carrier.feeds if f in NETWORK_PARTS), default=0
    )
