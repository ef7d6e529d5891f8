"""Why a device is in its wave, and what would move it.

Two answers, neither of them from how the planner works inside. What keeps a device out of each
earlier wave is judged by the rules, on the plan as it is. What would move it is found by planning
again with one thing changed: only what really does move it is told.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import groupby
from typing import Literal

from migrate.model.fleet import Device, Reach
from migrate.model.playbook import Pace
from migrate.planning.exposure import Evidence, Twin, fits, rate
from migrate.planning.line import twin_of
from migrate.planning.plan import Plan, PlannedDevice
from migrate.planning.waves import make_waves

Rule = Literal["pilot", "carrier", "cover", "reach", "exposure", "widest", "order"]
Change = Literal["bench", "stranded", "confidence", "reach", "cover", "firmware", "carrier"]
CONFIDENCES = (0.99, 0.95, 0.9, 0.8, 0.7, 0.6)
"""Steps in which a confidence is lowered, to see whether that would move a device."""
BENCH = (1, 2, 5, 10, 20, 50)
"""Returns on the bench that are tried, fewest first."""


@dataclass(frozen=True)
class Barrier:
    """What keeps a device out of the waves `first` to `last` (from 0). `other`: the device of the
    same cover, or the easier twin; `exposure`: what the wave's would be with it (of the first of
    these waves)."""

    first: int
    last: int
    rule: Rule
    other: str = ""
    exposure: float = 0.0


@dataclass(frozen=True)
class Move:
    """One thing changed, to `value`, and where the device would then be: wave (from 0) of how
    many."""

    change: Change
    value: str
    wave: int
    waves: int


@dataclass(frozen=True)
class Why:
    """The wave (from 0) of a device and what put it there.

    `before`: what its twins have shown when its wave begins, if all goes well; `earlier`: the part
    of it from before this plan. `bound`: the largest fault rate that this leaves. `easier`: a twin
    that is easier to reach, if there is one. `behind`: how many devices go before it.
    """

    device: PlannedDevice
    wave: int
    waves: int
    mates: tuple[str, ...]
    exposure: float
    pace: Pace
    before: Evidence
    earlier: Evidence
    bound: float
    twins: int
    easier: str
    behind: int
    together: bool
    barriers: tuple[Barrier, ...]
    moves: tuple[Move, ...]


def why(devices: Sequence[Device], plan: Plan, name: str) -> Why:
    """Why a device of a plan is in its wave. `devices`: those of the fleet file, in the order of
    the file; the plan's are among them. Raises KeyError for a device that is not in the plan."""
    device, wave = plan.device(name), plan.wave_of(name)
    alone = plan.leg.together
    seen = _seen(plan, device.twin)
    before = seen[wave]
    return Why(
        device=device,
        wave=wave,
        waves=len(plan.waves),
        mates=tuple(mate for mate in plan.waves[wave].devices if mate != name),
        exposure=plan.waves[wave].exposure,
        pace=plan.pace,
        before=before,
        earlier=plan.shown.get(device.twin, Evidence()),
        bound=rate(before, plan.pace.confidence),
        twins=sum(other.twin == device.twin for other in plan.devices) - 1,
        easier=_easier(plan, device) or "",
        behind=sum(len(earlier.devices) for earlier in plan.waves[:wave]),
        together=alone,
        barriers=() if alone else _barriers(plan, device, seen, wave),
        moves=() if alone else tuple(_moves(devices, plan, name)),
    )


def _seen(plan: Plan, twin: Twin) -> list[Evidence]:
    """What a twin group has shown when each wave begins, if every wave before it returned."""
    seen = [plan.shown.get(twin, Evidence())]
    for wave in plan.waves:
        seen.append(seen[-1].plus(sum(plan.device(name).twin == twin for name in wave.devices)))
    return seen


def _barriers(
    plan: Plan, device: PlannedDevice, seen: Sequence[Evidence], wave: int
) -> tuple[Barrier, ...]:
    """What keeps a device out of each wave before its own; runs of the same reason as one."""
    easier = _easier(plan, device)
    found = [_barrier(plan, device, number, seen[number], easier) for number in range(wave)]
    told = []
    for _, group in groupby(found, key=lambda one: (one.rule, one.other)):
        run = list(group)
        told.append(replace(run[0], last=run[-1].last))
    return tuple(told)


def _barrier(
    plan: Plan, device: PlannedDevice, number: int, seen: Evidence, easier: str | None
) -> Barrier:
    here = [plan.device(name) for name in plan.waves[number].devices]
    feeding = next((one.name for one in here if one.feeds), "")
    mate = next((one.name for one in here if device.cover and one.cover == device.cover), None)
    total = plan.waves[number].exposure + rate(seen, plan.pace.confidence)
    if feeding or device.feeds:
        return Barrier(number, number, "carrier", feeding)
    if number == 0:
        return Barrier(number, number, "pilot", here[0].name)
    if easier and not seen.returns:
        return Barrier(number, number, "reach", easier)
    if mate:
        return Barrier(number, number, "cover", mate)
    if not fits(total, plan.pace.stranded_at_most):
        return Barrier(number, number, "exposure", exposure=total)
    if len(here) >= plan.pace.widest_wave:
        return Barrier(number, number, "widest")
    return Barrier(number, number, "order")


def _easier(plan: Plan, device: PlannedDevice) -> str | None:
    """The twin that is easiest to reach, if it is easier than the device."""
    twins = [one for one in plan.devices if one.twin == device.twin and not one.feeds]
    easiest = min(twins, key=lambda one: one.reach.rank, default=device)
    return easiest.name if easiest.reach.rank < device.reach.rank else None


def _moves(devices: Sequence[Device], plan: Plan, name: str) -> Iterator[Move]:
    """What would move a device to another wave, each by planning again with it."""
    known = {device.name: device for device in devices}
    here = [known[device.name] for device in plan.devices]
    device, at = known[name], (plan.wave_of(name), len(plan.waves))
    shown = plan.shown

    def tried(
        change: Change, value: str, like: Device = device, pace: Pace = plan.pace, **more: int
    ) -> Move | None:
        twin = twin_of(device)
        had = shown | ({twin: shown.get(twin, Evidence()).plus(**more)} if more else {})
        waves = make_waves([like if one is device else one for one in here], pace, had)
        wave = next(number for number, made in enumerate(waves) if name in made.names)
        return Move(change, value, wave, len(waves)) if wave != at[0] else None

    if device.firmware is not None and not device.feeds:
        bench = (tried("bench", str(count), returns=count) for count in BENCH)
        # A device that more evidence moves back, since others gain by it, is not helped.
        yield from _first(move for move in bench if move and move.wave < at[0])
    if not device.feeds and (firmware := _largest(here, device)) is not None:
        yield from _first([tried("firmware", firmware, _with(device, firmware=firmware))])
    if device.reach is not Reach.TABLE:
        yield from _first([tried("reach", Reach.TABLE, _with(device, reach=Reach.TABLE))])
    if device.cover:
        yield from _first([tried("cover", device.cover, _with(device, cover=None))])
    if device.feeds:
        yield from _first([tried("carrier", ", ".join(device.feeds), _with(device, feeds=()))])
    more = plan.pace.stranded_at_most + 1
    if more <= 1000:
        loose = plan.pace.model_copy(update={"stranded_at_most": more})
        yield from _first([tried("stranded", str(more), pace=loose)])
    if (lower := next((c for c in CONFIDENCES if c < plan.pace.confidence), None)) is not None:
        unsure = plan.pace.model_copy(update={"confidence": lower})
        yield from _first([tried("confidence", f"{lower:g}", pace=unsure)])


def _first(moves: Iterator[Move] | list[Move | None]) -> Iterator[Move]:
    found = next((move for move in moves if move), None)
    if found:
        yield found


def _with(device: Device, **changed: object) -> Device:
    return device.model_copy(update=changed)


def _largest(here: Sequence[Device], device: Device) -> str | None:
    """The firmware of the largest twin group of its dialect, if it is another."""
    sizes = Counter(
        one.firmware for one in here if one.dialect == device.dialect and one.firmware is not None
    )
    if not sizes:
        return None
    firmware, size = max(sizes.items(), key=lambda item: (item[1], str(item[0])))
    own = sizes.get(device.firmware, 0) if device.firmware else 1
    return firmware if firmware != device.firmware and size > own else None
