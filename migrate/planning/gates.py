"""Gates: who may be sent something now, judged anew from where every device stands.

The plan counts on every earlier wave to have returned. The gate counts what really happened, so it
may open for fewer devices than the plan put into the wave, never for more.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from migrate.model.lifecycle import Direction, State
from migrate.planning.exposure import Evidence, Twin, fits, rate
from migrate.planning.plan import Plan, PlannedDevice


@dataclass(frozen=True)
class Standing:
    """Where a device stands, as the journal has it. `faults`: how often it had been given the new
    settings and was not there, before its present journey; a retry does not make that undone.
    `sent`: whether this run ever sent it anything."""

    state: State = State.WAITING
    direction: Direction = Direction.FORWARD
    written_off: bool = False
    faults: int = 0
    sent: bool = True

    @property
    def resolved(self) -> bool:
        """Whether it no longer keeps others waiting (invariant 2)."""
        done = self.state in (State.SETTLED, State.RESTORED, State.DECLINED)
        return done or self.written_off

    @property
    def away(self) -> bool:
        """Whether it may be off the network now."""
        return self.state in (State.SENDING, State.AWAY, State.SEEN, State.ADRIFT)

    @property
    def may_have_left(self) -> bool:
        """Whether it is, or may be, on the other side, or holds what would take it there."""
        if self.direction is Direction.BACK:
            return self.state is not State.RESTORED
        return self.state not in (State.WAITING, State.DECLINED)

    @property
    def well(self) -> bool:
        """Whether the gate behind its wave may open for its sake."""
        return self.state in (State.SETTLED, State.RESTORED) or self.written_off


Standings = Mapping[str, Standing]


@dataclass(frozen=True)
class Admission:
    """Who may be sent now; who may not, and why; the exposure of those who may."""

    admitted: tuple[str, ...]
    held: Mapping[str, str]
    exposure: float


def shown_by_run(plan: Plan, standings: Standings) -> dict[Twin, Evidence]:
    """What this run has shown of each twin group. A device that declined shows neither; nor does
    one that was there already: its move is the finding of another run, and would count twice."""
    shown: dict[Twin, Evidence] = defaultdict(Evidence)
    for device in plan.devices:
        standing = standings[device.name]
        returns, faults = 0, standing.faults
        if standing.direction is Direction.FORWARD:
            returns += standing.state is State.SETTLED and standing.sent
            faults += standing.state in (State.RETURNED, State.ADRIFT, State.AWAY, State.SEEN)
        if returns or faults:
            shown[device.twin] = shown[device.twin].plus(returns, faults)
    return dict(shown)


def evidence_of(plan: Plan, standings: Standings) -> dict[Twin, Evidence]:
    """What this run has shown of each twin group, and what had been shown before its plan."""
    shown = plan.shown
    for twin, more in shown_by_run(plan, standings).items():
        shown[twin] = shown.get(twin, Evidence()).plus(more.returns, more.faults)
    return shown


def shut_by(plan: Plan, standings: Standings, before: int) -> list[str]:
    """Devices of earlier waves that keep the gate of wave `before` shut."""
    return [
        name for wave in plan.waves[:before] for name in wave.devices if not standings[name].well
    ]


def admit(plan: Plan, standings: Standings, ready: Sequence[str]) -> Admission:
    """Who of `ready` may be sent something now, in this order, all at once.

    Holds invariants 7 (covers, carriers), 8 (exposure) and 9 (reach) whatever the plan says, and
    also beside devices that are away already. Each of `ready` is either admitted or held.
    """
    if plan.leg.together:
        # One access point changes for all. The owner accepted, in numbers, that all of them are
        # at stake together: covers, carriers, reach and exposure part nobody here.
        free = tuple(name for name in ready if not standings[name].away)
        others = {n: "is on its way already" for n in ready if standings[n].away}
        return Admission(free, others, float(len(free)))
    shown = evidence_of(plan, standings)
    confidence = plan.pace.confidence
    away = [
        device
        for device in plan.devices
        if standings[device.name].away and not standings[device.name].written_off
    ]
    away_covers = {device.cover: device.name for device in away if device.cover}
    feeding = next((device.name for device in away if device.feeds), None)
    reach = _Reach(plan, standings)
    total = math.fsum(rate(shown.get(d.twin, Evidence()), confidence) for d in away)
    admitted: list[str] = []
    held: dict[str, str] = {}
    for name in ready:
        device = plan.device(name)
        risk = rate(shown.get(device.twin, Evidence()), confidence)
        other = away_covers.get(device.cover) if device.cover else None
        if standings[name].away:
            held[name] = "is on its way already"
        elif feeding:
            held[name] = f"{feeding} feeds a part of the network and goes alone"
        elif other:
            held[name] = f"{other} of the same cover ({device.cover}) is not back"
        elif easier := reach.waits_for(device):
            held[name] = f"no easier twin has proved the move ({easier} is easier to reach)"
        elif device.feeds and admitted:
            held[name] = "feeds a part of the network and goes alone"
        elif device.feeds and (behind := _depends(plan, standings, device)):
            held[name] = f"feeds a part of the network, and {behind} has not moved yet"
        elif (admitted or away) and not fits(total + risk, plan.pace.stranded_at_most):
            held[name] = "the exposure accepted for one wave is used up"
        else:
            admitted.append(name)
            total += risk
            if device.cover:
                away_covers[device.cover] = name
            if device.feeds:
                feeding = name
    return Admission(tuple(admitted), held, total)


class _Reach:
    """Invariant 9: who still waits for an easier twin to prove the move. What came back before this
    plan, on the bench or in an earlier run, is proof as well."""

    def __init__(self, plan: Plan, standings: Standings) -> None:
        self._easiest: dict[Twin, PlannedDevice] = {}
        self._proved = {twin: -1 for twin, had in plan.shown.items() if had.returns}
        for device in plan.devices:
            twin, rank = device.twin, device.reach.rank
            known = self._easiest.get(twin)
            if not device.feeds and (known is None or rank < known.reach.rank):
                self._easiest[twin] = device
            if standings[device.name].state is State.SETTLED:
                self._proved[twin] = min(self._proved.get(twin, rank), rank)

    def waits_for(self, device: PlannedDevice) -> str | None:
        """An easier twin's name, if there are easier twins and none of them has settled."""
        easiest, rank = self._easiest.get(device.twin), device.reach.rank
        if easiest is None or easiest.reach.rank >= rank:
            return None
        return None if self._proved.get(device.twin, rank) < rank else easiest.name


def _depends(plan: Plan, standings: Standings, carrier: PlannedDevice) -> str | None:
    """A device that must have moved before this carrier, and has not."""
    mine = plan.wave_of(carrier.name)
    return next(
        (
            device.name
            for device in plan.devices
            if device.name != carrier.name
            and not standings[device.name].resolved
            and (
                not device.feeds or device.name in carrier.feeds or plan.wave_of(device.name) < mine
            )
        ),
        None,
    )
