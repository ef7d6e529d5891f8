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
from migrate.planning.exposure import Evidence, Twin, exposure, rate
from migrate.planning.line import Line, twin_of

NETWORK_PARTS = ("access-point", "router", "broker", "controller")
"""What a device can feed beside other devices, named as in a fleet's `feeds`; first that on which
most depends."""


@dataclass(frozen=True)
class Wave:
    """Names of the devices that go together, the exposure, and for each device why here."""

    names: tuple[str, ...]
    exposure: float
    why: Mapping[str, str]


def make_waves(
    devices: Sequence[Device], pace: Pace, shown: Mapping[Twin, Evidence] | None = None
) -> tuple[Wave, ...]:
    """Every device in exactly one wave. Raises Refused if devices feed each other in a circle."""
    order = sorted(devices, key=lambda d: (d.reach.rank, d.load is not None, d.name))
    carriers = carriers_in_order([device for device in order if device.carrier])
    plain = [device for device in order if not device.carrier]
    pilot = _pilot(plain) if plain else None
    waves: list[Wave] = [_pilot_wave(pilot)] if pilot else []
    line = Line(plain, pilot)
    while line:
        taken = line.take(pace)
        waves.append(_wave(taken, line, pace))
        line.returned(taken)
    for carrier in carriers:
        twin = twin_of(carrier)
        risk = exposure([twin], {twin: line.evidence(twin)}, pace.confidence)
        words = f"feeds {', '.join(carrier.feeds)}: alone, after everything that depends on it"
        waves.append(Wave((carrier.name,), risk, {carrier.name: words}))
        line.returned([carrier])
    return tuple(waves)


def _pilot(plain: Sequence[Device]) -> Device:
    """The easiest device without a load; of those, one with the most twins to speak for."""
    twins = Counter(twin_of(device) for device in plain)
    return min(
        plain,
        key=lambda d: (
            d.reach.rank,
            d.load is not None,
            d.cover is not None,
            -twins[twin_of(d)],
            d.name,
        ),
    )


def _pilot_wave(pilot: Device) -> Wave:
    words = f"the pilot: within reach ({pilot.reach})" + (
        f", although {pilot.load} hangs on it" if pilot.load else ", nothing delicate on it"
    )
    return Wave((pilot.name,), 1.0, {pilot.name: words})


def _wave(taken: Sequence[Device], line: Line, pace: Pace) -> Wave:
    total = exposure(
        (twin_of(device) for device in taken),
        {twin_of(device): line.evidence(twin_of(device)) for device in taken},
        pace.confidence,
    )
    why = {device.name: _why(device, line.evidence(twin_of(device)), pace) for device in taken}
    return Wave(tuple(device.name for device in taken), total, why)


def _why(device: Device, seen: Evidence, pace: Pace) -> str:
    group = " ".join(twin_of(device))
    if not seen.returns:
        words = f"first of its twins ({group}); reach {device.reach}"
    else:
        bound = rate(seen, pace.confidence)
        words = (
            f"{seen.returns} of its twins ({group}) moved before it: at most {bound:.0%} may fail "
            f"({pace.confidence:.0%} sure); reach {device.reach}"
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
