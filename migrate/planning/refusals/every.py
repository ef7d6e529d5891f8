"""Every refusal, for every device, in one pass."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path

from migrate.dialects.schema import Dialect
from migrate.model.fleet import Fleet
from migrate.model.playbook import Playbook
from migrate.model.problems import Problem
from migrate.model.secrets import Resolve
from migrate.planning.exposure import Twin
from migrate.planning.ledger import Tried
from migrate.planning.refusals import (
    addresses,
    bench,
    brokers,
    carrying,
    finding,
    groups,
    lookalikes,
    order,
    radio,
    rollback,
    secrets,
    words,
)
from migrate.planning.refusals.case import Case
from migrate.planning.refusals.secrets import have_secrets

ROOMS: Sequence[Callable[[Case], Iterator[Problem]]] = (
    order.refusals,
    secrets.refusals,
    words.refusals,
    radio.refusals,
    lookalikes.refusals,
    addresses.refusals,
    brokers.refusals,
    groups.refusals,
    finding.refusals,
    carrying.refusals,
    bench.refusals,
    rollback.refusals,
)
"""What is asked, in the order in which it is told."""


def shared_refusals(case: Case) -> Iterator[Problem]:
    """Refusals of what all devices share, in whichever legs they go: addresses, and the broker."""
    yield from addresses.refusals(case)
    yield from brokers.clients(case)


def all_refusals(
    fleet: Fleet,
    playbook: Playbook,
    dialects: Mapping[str, Dialect],
    resolve: Resolve,
    files: tuple[str, str] = ("fleet", "playbook"),
    *,
    created: str = "",
    certificates: Mapping[Path, bytes] | None = None,
    trials: Mapping[Twin, Sequence[Tried]] | None = None,
) -> list[Problem]:
    """Every refusal; empty means the plan may be made.

    What concerns a file as a whole comes first, then device by device as the fleet file has them.
    `created` is the ISO 8601 time at which certificates must be good, `certificates` the octets of
    those files that the playbook names as certificate and ca, `trials` what was
    shown on the bench. Raises SecretTrouble with every secret that cannot be had: without them
    nothing can be proven.
    """
    have_secrets(playbook, resolve)
    case = Case(
        fleet, playbook, dialects, resolve, *files, created, certificates or {}, trials or {}
    )
    problems = [problem for room in ROOMS for problem in room(case)]
    if not problems:
        return []
    place = {device.name: number for number, device in enumerate(fleet.device, start=1)}
    return sorted(problems, key=lambda one: 0 if one.where else place.get(one.device, 0))
