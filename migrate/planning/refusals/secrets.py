"""Secrets: that all are to be had, and that a network's is one. Nothing is proven without them."""

from __future__ import annotations

from collections.abc import Iterator

from migrate.model.playbook import Playbook, new_side, old_side
from migrate.model.problems import Problem, SecretTrouble
from migrate.model.secrets import Resolve
from migrate.model.wifi import secret_fault
from migrate.planning.refusals.case import Case


def have_secrets(playbook: Playbook, resolve: Resolve) -> None:
    """Raises SecretTrouble with every secret of the change that cannot be had."""
    old, new = old_side(playbook), new_side(playbook)
    wanted = [side.wifi.secret for side in (old, new) if side.wifi]
    wanted += [side.slots.wifi.secret for side in (old, new) if side.slots.wifi]
    if playbook.broker:
        wanted += [side.broker.password for side in (old, new) if side.broker]
    problems: list[Problem] = []
    for ref in dict.fromkeys(wanted):
        try:
            if ref is not None:
                resolve(ref)
        except SecretTrouble as error:
            problems += error.problems
    if problems:
        raise SecretTrouble(problems)


def refusals(case: Case) -> Iterator[Problem]:
    """Network secrets that are neither a passphrase nor a key."""
    playbook = case.playbook
    for wifi, key in ((playbook.wifi, "wifi"), (playbook.old.wifi, "old.wifi")):
        if wifi and wifi.secret and (fault := secret_fault(case.resolve(wifi.secret).reveal())):
            yield case.about_change(
                fault, f"put the right one into the {wifi.secret}", f"{key}.secret"
            )
