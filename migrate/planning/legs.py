"""Legs: a combined change, split where that is safer and joined where a half could strand.

The rule in plain words. Between two legs every device must be where the tool reaches it over the
transport it is moved by, and where it reaches its broker: a device that looks for a broker in vain
keeps trying, and may restart (common practice, no source). Which side reaches what is taken from
the playbook alone; what its owner did not declare counts as not reached.

* A group topic cuts nobody off, so it goes first; with a spare slot for it in two legs, between
  which a device listens to both words.
* Network and broker go in one bundle, with one restart, unless the first half leaves every device
  reachable, and either no device is moved over MQTT or one message does not hold both.
* A device with a spare network that goes over to another network keeps the old one there: should
  the new one not let it in, it comes back by itself.
* Where one access point changes its passphrase, see `switchover`.

Each leg is planned and run like a change of its own, by a playbook derived from the owner's.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

from migrate.dialects.schema import Dialect
from migrate.model.fleet import Fleet
from migrate.model.playbook import Playbook
from migrate.model.problems import Changed, Problem
from migrate.model.secrets import Resolve
from migrate.planning.crossing import WHOLE, cross, group_first
from migrate.planning.plan import Leg
from migrate.planning.steps import NOTHING, Change, Step
from migrate.planning.switchover import switch_over

JOINED = 'The playbook asks for everything in one bundle (legs = "joined").'


@dataclass(frozen=True)
class OneLeg:
    """One leg, ready to be planned: what the plan says of it, the devices that take part, and the
    playbook derived for it."""

    leg: Leg
    fleet: Fleet
    playbook: Playbook


def legs(
    fleet: Fleet, playbook: Playbook, dialects: Mapping[str, Dialect], resolve: Resolve
) -> tuple[OneLeg, ...]:
    """The legs of a change, in order; for the same files and secrets always the same. `resolve` is
    asked only where it matters whether a bundle fits one message."""
    change = Change(fleet, playbook, dialects, resolve)
    steps = [step for step in _steps(change) if change.names(step)]
    steps = steps or [Step(WHOLE, playbook.changed, (), ())]
    placed = {name for step in steps for name in change.names(step)}
    strays = [device.name for device in fleet.device if device.name not in placed]
    if strays:
        # Whom nothing concerns goes into the last leg, where it is refused by name.
        last = steps[-1]
        steps[-1] = replace(last, devices={*change.names(last), *strays})
    return tuple(_leg(change, step, n, len(steps)) for n, step in enumerate(steps, start=1))


def same_leg(
    leg: Leg,
    fleet: Fleet,
    playbook: Playbook,
    dialects: Mapping[str, Dialect],
    resolve: Resolve,
) -> OneLeg:
    """The leg that a plan was frozen for, derived anew from the same files. Raises Changed if the
    change now splits otherwise."""
    if leg == Leg():
        return OneLeg(leg, fleet, playbook)
    found = legs(fleet, playbook, dialects, resolve)
    one = found[leg.number - 1] if leg.number <= len(found) else None
    if one is None or one.leg.model_copy(update={"after": leg.after}) != leg:
        raise Changed(
            Problem(
                "the change now splits into other legs than when it was planned: a file was "
                "changed since, or a secret has become longer or shorter",
                "make the plans of all its legs anew: migrate plan",
            )
        )
    return one


def _steps(change: Change) -> list[Step]:
    playbook = change.playbook
    joined = playbook.legs == "joined"
    if playbook.switches_over:
        if joined:
            return switch_over(change, playbook.changed, ())
        return group_first(change, switch_over)
    if joined:
        return [Step(WHOLE, playbook.changed, (), (JOINED,))]
    return group_first(change, cross)


def _leg(change: Change, step: Step, number: int, of: int) -> OneLeg:
    leg = Leg(
        number=number,
        of=of,
        what=step.what,
        argument=step.argument,
        owner=step.owner,
        together=step.together,
        after_flip=step.after_flip,
    )
    if of == 1 and step.slots == NOTHING and not step.together:
        return OneLeg(leg, change.fleet, change.playbook)
    names = change.names(step)
    return OneLeg(leg, change.fleet_of(step, names), change.playbook_of(step, names))
