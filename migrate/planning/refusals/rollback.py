"""No way back, unless the owner accepts it by name."""

from __future__ import annotations

from collections.abc import Iterator

from migrate.model.problems import Problem
from migrate.model.settings import Setting
from migrate.planning.bundles import PARTS
from migrate.planning.refusals.case import Case


def refusals(case: Case) -> Iterator[Problem]:
    """Devices with a setting of the old side that nobody knows."""
    accepted = frozenset(case.playbook.old.no_way_back)
    for alike in case.moved:
        if not (lost := alike.back.lost):
            continue
        missing, part = ", ".join(sorted(lost)), _part_of(lost[0])
        for device in alike.devices:
            if device.name not in accepted:
                yield Problem(
                    f"no way back: {missing} of the old side can neither be read nor is it "
                    "declared",
                    f"declare it under [old.{part}], or accept it by name: "
                    f'no_way_back = ["{device.name}"]',
                    device=device.name,
                )
    yield from case.strangers(case.playbook.old.no_way_back, "old.no_way_back")


def _part_of(setting: Setting) -> str:
    return next((part for part, settings in PARTS.items() if setting in settings), "wifi")
