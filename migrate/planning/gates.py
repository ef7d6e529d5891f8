"""Gates: who may be sent something now, judged anew from where every device stands.

The plan counts on every earlier wave to have returned. The gate counts what really happened, so it
may open for fewer devices than the plan put into the wave, never for more.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from migrate.model.lifecycle import Direction, State
from migrate.planning.exposure import Evidence, Twin, fits, rate
from migrate.planning.plan import Plan


@dataclass(frozen=True)
class Standing:
    """Where a device stands, as the journal has it."""

    state: State = State.WAITING
    direction: Direction = Direction.FORWARD
    written_off: bool = False

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


def evidence_of(plan: Plan, standings: Standings) -> dict[Twin, Evidence]:
    """What this run has shown of each twin group. A device that declined shows neither."""
    shown: dict[Twin, Evidence] = defaultdict(Evidence)
    for device in plan.devices:
        standing = standings[device.name]
        if standing.direction is Direction.BACK:
            continue
        if standing.state is State.SETTLED:
            shown[device.twin] = shown[device.twin].plus(returns=1)
        elif standing.state in (State.RETURNED, State.ADRIFT, State.AWAY, State.SEEN):
            shown[device.twin] = shown[device.twin].plus(faults=1)
    return dict(shown)


def shut_by(plan: Plan, standings: Standings, before: int) -> list[str]:
    """Devices of earlier waves that keep the gate of wave `before` shut."""
    return [
        name for wave in plan.waves[:before] for name in wave.devices if not standings[name].well
    ]


def admit(plan: Plan, standings: Standings, ready: Sequence[str]) -> Admission:
    """Who of `ready` may be sent something now, in this order, all at once.

    Nobody else is being moved when this is asked. Holds invariants 7 (covers, carriers), 8
    (exposure) and 9 (reach) whatever the plan says.
    """
    shown = evidence_of(plan, standings)
    admitted: list[str] = []
    held: dict[str, str] = {}
    away_covers = {
        device.cover: device.name
        for device in plan.devices
        if device.cover and standings[device.name].away and not standings[device.name].written_off
    }
    total = 0.0
    for name in ready:
        device = plan.device(name)
        other = away_covers.get(device.cover) if device.cover else None
        if other and other != name:
            held[name] = f"{other} of the same cover ({device.cover}) is not back"
            continue
        if unproved := _unproved_by_easier(plan, standings, name):
            held[name] = f"no easier twin has proved the move ({unproved} is easier to reach)"
            continue
        if device.feeds and (admitted or (behind := _depends(plan, standings, name))):
            held[name] = (
                "feeds a part of the network and goes alone"
                if admitted
                else f"feeds a part of the network, and {behind} has not moved yet"
            )
            continue
        risk = rate(shown.get(device.twin, Evidence()), plan.pace.confidence)
        if admitted and not fits(total + risk, plan.pace.stranded_at_most):
            held[name] = "the exposure accepted for one wave is used up"
            continue
        admitted.append(name)
        total += risk
        if device.cover:
            away_covers[device.cover] = name
        if device.feeds:
            break
    return Admission(tuple(admitted), held, total)


def _unproved_by_easier(plan: Plan, standings: Standings, name: str) -> str | None:
    """An easier twin's name, if there are easier twins and none of them has settled."""
    device = plan.device(name)
    if device.feeds:
        return None
    easier = [
        twin
        for twin in plan.devices
        if twin.twin == device.twin and twin.reach.rank < device.reach.rank and not twin.feeds
    ]
    proved = any(
        standings[twin.name].state is State.SETTLED
        for twin in plan.devices
        if twin.twin == device.twin and twin.reach.rank < device.reach.rank
    )
    return None if not easier or proved else easier[0].name


def _depends(plan: Plan, standings: Standings, name: str) -> str | None:
    """A device that must have moved before this carrier, and has not."""
    mine = plan.wave_of(name)
    return next(iter(_pending(plan, standings, range(mine))), None)


def _pending(plan: Plan, standings: Standings, waves: Iterable[int]) -> list[str]:
    return [
        name
        for index in waves
        for name in plan.waves[index].devices
        if not standings[name].resolved
    ]
