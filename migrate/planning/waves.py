"""Waves: who goes first, who goes together, and why.

Rules, in the order in which they bind:

1. The first wave is a pilot: one device, easy to reach, with nothing delicate on it.
2. A device that feeds a part of the network goes alone, after everything that depends on it.
3. Never two devices of one cover in a wave.
4. A device that is harder to reach waits until an easier twin has proved the move.
5. The exposure of a wave stays within what the owner accepted, counting every earlier wave as
   returned. (The gates stop the run when that turns out wrong.)
6. No wave is wider than the owner said.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from migrate.model.fleet import Device
from migrate.model.playbook import Pace
from migrate.model.problems import Problem, Refused
from migrate.planning.exposure import Evidence, Twin, exposure, fits, rate

NETWORK_PARTS = ("access-point", "router", "broker", "controller")
"""What a device can feed beside other devices, named as in a fleet's `feeds`."""


@dataclass(frozen=True)
class Wave:
    """Names of the devices that go together, the exposure, and for each device why here."""

    names: tuple[str, ...]
    exposure: float
    why: Mapping[str, str]


def twin_of(device: Device) -> Twin:
    """The twin group a device belongs to."""
    return (device.dialect, device.firmware or "unknown")


def make_waves(devices: Sequence[Device], pace: Pace) -> tuple[Wave, ...]:
    """Every device in exactly one wave. Raises Refused if devices feed each other in a circle."""
    order = sorted(devices, key=lambda d: (d.reach.rank, d.load is not None, d.name))
    plain = [device for device in order if not device.carrier]
    carriers = _carriers_in_order([device for device in order if device.carrier])
    evidence: dict[Twin, Evidence] = defaultdict(Evidence)
    waves: list[Wave] = []
    if plain:
        pilot = _pilot(plain)
        plain.remove(pilot)
        waves.append(_pilot_wave(pilot))
        evidence[twin_of(pilot)] = Evidence(1)
    easiest = _easiest(order)
    proved = {twin_of(d) for d in devices if d.name in {n for w in waves for n in w.names}}
    while plain:
        wave, plain = _next_wave(plain, evidence, proved, easiest, pace)
        waves.append(wave)
        for twin, count in Counter(twin_of(d) for d in order if d.name in wave.why).items():
            evidence[twin] = evidence[twin].plus(count)
            proved.add(twin)
    for carrier in carriers:
        twin = twin_of(carrier)
        risk = exposure([twin], evidence, pace.confidence)
        words = f"feeds {', '.join(carrier.feeds)}: alone, after everything that depends on it"
        waves.append(Wave((carrier.name,), risk, {carrier.name: words}))
        evidence[twin] = evidence[twin].plus(1)
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


def _easiest(devices: Sequence[Device]) -> dict[Twin, int]:
    """The easiest reach among the devices of each twin group that do not feed the network."""
    ranks: dict[Twin, int] = {}
    for device in devices:
        if not device.carrier:
            twin = twin_of(device)
            ranks[twin] = min(ranks.get(twin, device.reach.rank), device.reach.rank)
    return ranks


def _next_wave(
    waiting: Sequence[Device],
    evidence: Mapping[Twin, Evidence],
    proved: set[Twin],
    easiest: Mapping[Twin, int],
    pace: Pace,
) -> tuple[Wave, list[Device]]:
    taken: list[Device] = []
    rest: list[Device] = []
    covers: set[str] = set()
    total = 0.0
    for device in waiting:
        twin = twin_of(device)
        risk = rate(evidence.get(twin, Evidence()), pace.confidence)
        fitting = fits(total + risk, pace.stranded_at_most) or not taken
        apart = device.cover is None or device.cover not in covers
        ready = twin in proved or device.reach.rank <= easiest[twin]
        if fitting and apart and ready and len(taken) < pace.widest_wave:
            taken.append(device)
            total += risk
            if device.cover is not None:
                covers.add(device.cover)
        else:
            rest.append(device)
    why = {device.name: _why(device, evidence, proved, pace) for device in taken}
    return Wave(tuple(device.name for device in taken), total, why), rest


def _why(device: Device, evidence: Mapping[Twin, Evidence], proved: set[Twin], pace: Pace) -> str:
    twin = twin_of(device)
    seen = evidence.get(twin, Evidence())
    group = f"{twin[0]} {twin[1]}"
    bound = rate(seen, pace.confidence)
    if twin not in proved:
        words = f"first of its twins ({group}); reach {device.reach}"
    else:
        words = (
            f"{seen.returns} of its twins ({group}) moved before it: at most {bound:.0%} may fail "
            f"({pace.confidence:.0%} sure); reach {device.reach}"
        )
    return words + (f"; apart from the rest of cover {device.cover}" if device.cover else "")


def _carriers_in_order(carriers: Sequence[Device]) -> list[Device]:
    """Carriers so that each comes after the carriers it feeds."""
    names = {carrier.name: carrier for carrier in carriers}
    done: list[Device] = []
    placed: set[str] = set()
    while len(done) < len(carriers):
        free = [
            carrier
            for carrier in carriers
            if carrier.name not in placed
            and all(fed in placed for fed in carrier.feeds if fed in names)
        ]
        if not free:
            circle = sorted(set(names) - placed)
            raise Refused(
                Problem(
                    f"devices feed each other in a circle: {', '.join(circle)}",
                    "correct feeds in the fleet file",
                    key="feeds",
                )
            )
        done += free
        placed |= {carrier.name for carrier in free}
    return done
