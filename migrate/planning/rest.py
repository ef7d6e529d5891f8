"""What is left of a plan after a stop: who is planned anew, and who is not, and why."""

from __future__ import annotations

import shlex
from collections.abc import Mapping
from dataclasses import dataclass

from migrate.model.lifecycle import UNRESOLVED, Direction, State
from migrate.model.problems import Problem, Refused
from migrate.planning.gates import Standing, Standings
from migrate.planning.plan import Plan


@dataclass(frozen=True)
class Rest:
    """Names of the devices to be planned anew, in the plan's order; and for each of the others
    why it is left out."""

    names: tuple[str, ...]
    left_out: Mapping[str, str]


def rest_of(plan: Plan, standings: Standings) -> Rest:
    """Split the devices of a plan by where they stand.

    Those that wait, declined, came back or were taken back go into the next plan. Those that
    arrived or were written off do not. Raises Refused, with every device, for those whose fate is
    open: a second plan must not send them something else while the first may still arrive.
    """
    names: list[str] = []
    left_out: dict[str, str] = {}
    problems: list[Problem] = []
    for device in plan.devices:
        standing = standings[device.name]
        if standing.written_off:
            left_out[device.name] = "was written off"
        elif standing.direction is Direction.FORWARD and standing.state is State.SETTLED:
            left_out[device.name] = "is on the new side"
        elif _there(standing):
            names.append(device.name)
        elif standing.state is State.ADRIFT:
            problems.append(
                Problem(
                    "is adrift: it may still arrive by the plan that it was moved with",
                    f"look for it with migrate resume, or --write-off {shlex.quote(device.name)}",
                    device=device.name,
                )
            )
        elif standing.direction is Direction.BACK:
            problems.append(
                Problem(
                    f"{standing.state.told} on its way back, which has not ended",
                    "end it first: migrate rollback",
                    device=device.name,
                )
            )
        else:
            problems.append(
                Problem(
                    f"{standing.state.told}: what became of it is not known yet",
                    "find out first: migrate resume",
                    device=device.name,
                )
            )
    if problems:
        raise Refused(problems)
    if not names:
        raise Refused(Problem("nothing is left to be planned: every device has moved", ""))
    return Rest(tuple(names), left_out)


def _there(standing: Standing) -> bool:
    """Whether a device is where it was before, as far as the run knows."""
    if standing.direction is Direction.BACK:
        return standing.state is State.RESTORED
    return standing.state not in UNRESOLVED and standing.state is not State.ADRIFT
