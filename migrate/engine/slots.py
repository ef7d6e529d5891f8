"""What the survey finds in the spare slots of a device, and what goes back there."""

from __future__ import annotations

import shlex

from migrate.dialects.messages import Readings
from migrate.engine.crew import Crew, Member
from migrate.model.problems import Problem
from migrate.model.settings import FrozenValue, Setting
from migrate.planning.bundles import side_settings


def slot_problems(crew: Crew, member: Member, readings: Readings) -> list[Problem]:
    """Spare slots that hold something else than this leg counts on: it would be written over, and
    the passphrase of a spare network can be read by nobody."""
    declared = side_settings(crew.sides["old"], ("spare-wifi", "spare-group"), member.name)
    problems = []
    for setting, what in ((Setting.SPARE_SSID, "network"), (Setting.SPARE_TOPIC, "group topic")):
        bundle = member.planned.bundle
        said, wanted = readings.settings.get(setting), declared.get(setting)
        if setting not in bundle or wanted is None or said in (None, wanted):
            continue
        accepted = said == bundle[setting] or member.name in crew.playbook.old.no_way_back
        if wanted == "" and accepted:
            continue
        if wanted == "":
            told = f"has the spare {what} {said!r} of its own, which this leg would write over"
            remedy = (
                "empty that slot of the device if it is of no more use; or accept its loss by "
                f'name: old.no_way_back = ["{member.name}"]; or plan without spare slots: '
                'legs = "joined"'
            )
        else:
            told = f"has the spare {what} {said!r} instead of {wanted!r}, which an earlier leg put"
            name = shlex.quote(member.name)
            remedy = f"run that leg again, or go on without it: --write-off {name}"
        problems.append(Problem(told, remedy, device=member.name))
    return problems


def slots_back(member: Member, readings: Readings) -> dict[Setting, FrozenValue]:
    """What goes back into the spare network of a device that had one: it is emptied, since nobody
    knows its passphrase. Unless it had what it is given anyway: that stays."""
    said, bundle = readings.settings.get(Setting.SPARE_SSID), member.planned.bundle
    if not said or Setting.SPARE_SECRET not in bundle or Setting.SPARE_SSID not in bundle:
        return {}
    if said == bundle[Setting.SPARE_SSID]:
        return {s: bundle[s] for s in (Setting.SPARE_SSID, Setting.SPARE_SECRET)}
    return {Setting.SPARE_SSID: ""}
