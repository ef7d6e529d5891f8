"""From fleet, playbook and dialects to a frozen plan, or to every reason why not."""

from __future__ import annotations

from collections.abc import Mapping

from migrate.dialects.schema import Dialect
from migrate.model.fleet import Fleet
from migrate.model.playbook import Playbook, new_side, old_side
from migrate.model.problems import Refused
from migrate.planning.bundles import bundle, parts_for, restarts, way_back
from migrate.planning.line import twin_of
from migrate.planning.plan import Plan, PlannedDevice, PlannedWave, Sources, freeze
from migrate.planning.refusals import Resolve, all_refusals
from migrate.planning.times import device_seconds, wave_seconds
from migrate.planning.waves import make_waves


def make_plan(
    fleet: Fleet,
    playbook: Playbook,
    dialects: Mapping[str, Dialect],
    resolve: Resolve,
    sources: Sources,
    *,
    created: str,
    tool: str,
) -> Plan:
    """The frozen plan. Raises Refused with every refusal found.

    `resolve` gives the secrets, which are needed to prove that they can be carried; none of them
    enters the plan. `created` is an ISO 8601 time, `tool` this program's version.
    """
    problems = all_refusals(
        fleet, playbook, dialects, resolve, (sources.fleet.path, sources.playbook.path)
    )
    if problems:
        raise Refused(problems)
    waves = make_waves(fleet.device, playbook.pace)
    why = {name: words for wave in waves for name, words in wave.why.items()}
    old, new = old_side(playbook), new_side(playbook)
    planned = []
    for device in fleet.device:
        dialect = dialects[device.dialect]
        given = bundle(dialect, new, parts_for(dialect, playbook.changed))
        back = way_back(dialect, old, given)
        planned.append(
            PlannedDevice(
                name=device.name,
                mac=device.mac,
                dialect=device.dialect,
                firmware=twin_of(device)[1],
                via=device.via,
                place=device.place,
                reach=device.reach,
                cover=device.cover,
                feeds=device.feeds,
                load=device.load,
                bundle=given,
                way_back=dict(back.known),
                read_back=back.read,
                lost=back.lost,
                quiet=fleet.quiet_hours(device),
                wakes_seconds=device.wakes_seconds,
                seconds=device_seconds(
                    device, dialect, playbook.pace, restarts=restarts(dialect, given)
                ),
                why=why[device.name],
            )
        )
    seconds = {one.name: one.seconds for one in planned}
    return freeze(
        tool=tool,
        title=playbook.title,
        created=created,
        sources=sources,
        pace=playbook.pace,
        on_fault=playbook.gate.on_fault,
        devices=tuple(planned),
        waves=tuple(
            PlannedWave(
                devices=wave.names,
                exposure=wave.exposure,
                seconds=wave_seconds(seconds[name] for name in wave.names),
            )
            for wave in waves
        ),
    )
