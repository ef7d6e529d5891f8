"""Whether the change changes anything, whether a family has words and a transport for it, and
whether the playbook's words for outputs are about devices that there are."""

from __future__ import annotations

from collections.abc import Iterator

from migrate.model.playbook import Part
from migrate.model.problems import Problem
from migrate.planning.refusals.case import Alike, Case

MAY_BE_AS_IT_WAS: tuple[Part, ...] = ("broker", "group", "addressing")


def refusals(case: Case) -> Iterator[Problem]:
    """A change that changes nothing, and devices that cannot be told of it."""
    yield from _nothing_new(case)
    yield from case.strangers(case.playbook.outputs.leave, "outputs.leave")
    for alike in case.all_alike:
        for what, remedy in _faults(case, alike):
            for device in alike.devices:
                yield Problem(what, remedy, device=device.name)


def _nothing_new(case: Case) -> Iterator[Problem]:
    # Together with another change a part may be declared as it was: it is then written anew.
    playbook = case.playbook
    for part in MAY_BE_AS_IT_WAS:
        same = getattr(playbook, part) == getattr(playbook.old, part)
        if same and playbook.changed == (part,):
            yield case.about_change(f"the new {part} is the old one", "declare what changes", part)


def _faults(case: Case, alike: Alike) -> list[tuple[str, str]]:
    dialect, parts, changed = alike.dialect, alike.parts, case.playbook.changed
    if alike.via not in dialect.transports:
        return [
            (
                f"is to be moved over {alike.via}, but dialect {dialect.name} has only "
                f"{' and '.join(dialect.transports)}",
                f"set via to {dialect.transports[0]}, or describe {alike.via} in the dialect",
            )
        ]
    if not parts:
        return [
            (
                f"dialect {dialect.name} has no word for anything that changes",
                "describe the settings in the dialect, or take the device out of the fleet file",
            )
        ]
    faults = []
    if "wifi" in changed and "wifi" not in parts:
        faults.append(
            (
                f"dialect {dialect.name} has no word for the Wi-Fi network: the device would stay",
                "describe wifi.ssid and wifi.secret in the dialect",
            )
        )
    if "broker" in changed and "broker" not in parts and alike.via == "mqtt":
        faults.append(
            (
                f"dialect {dialect.name} has no word for the broker: the device would stay at the "
                "old one, and be looked for at the new one",
                "describe broker.host and the rest in the dialect, or move the device over http",
            )
        )
    return faults
