"""The rules of the waves, applied plainly: one walk along the whole line for every wave.

This is what the fast way is tested against. It takes n steps a wave and needs no heaps.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence

from migrate.model.fleet import Device
from migrate.model.playbook import Pace
from migrate.planning.exposure import Evidence, Twin, fits, rate


def twin(device: Device) -> Twin:
    return (device.dialect, device.firmware or "unknown")


def plain_waves(
    devices: Sequence[Device], pace: Pace, had: Mapping[Twin, Evidence]
) -> list[tuple[list[str], float]]:
    """Names and exposure of every wave of devices that feed nothing, in order. `had`: what was
    shown before."""
    line = sorted(
        (one for one in devices if not one.feeds),
        key=lambda one: (one.reach.rank, one.load is not None, one.name),
    )
    easiest = {twin(one): one.reach.rank for one in reversed(line)}
    shown = {twin(one): had.get(twin(one), Evidence()) for one in line}
    waves: list[tuple[list[str], float]] = []
    if line:
        many = Counter(map(twin, line))
        pilot = min(
            line,
            key=lambda one: (
                one.reach.rank,
                one.load is not None,
                one.cover is not None,
                -many[twin(one)],
                one.name,
            ),
        )
        line.remove(pilot)
        waves.append(([pilot.name], rate(shown[twin(pilot)], pace.confidence)))
        shown[twin(pilot)] = shown[twin(pilot)].plus(1)
    while line:
        taken: list[Device] = []
        total = 0.0
        for one in line:
            risk = rate(shown[twin(one)], pace.confidence)
            if (
                len(taken) < pace.widest_wave
                and (not taken or fits(total + risk, pace.stranded_at_most))
                and (one.cover is None or one.cover not in {other.cover for other in taken})
                and (shown[twin(one)].returns or one.reach.rank <= easiest[twin(one)])
            ):
                taken.append(one)
                total += risk
        line = [one for one in line if one not in taken]
        for one in taken:
            shown[twin(one)] = shown[twin(one)].plus(1)
        waves.append(([one.name for one in taken], total))
    return waves
