"""From fleet, playbook and dialects to a frozen plan, or to every reason why not."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from migrate.dialects.schema import Dialect
from migrate.model.fleet import Device, Fleet
from migrate.model.playbook import Outputs, Playbook, new_side, old_side
from migrate.model.problems import Problem, Refused
from migrate.model.secrets import Resolve
from migrate.model.settings import FrozenValue, Setting
from migrate.planning.bound import fewest_waves
from migrate.planning.bundles import WayBack, bundle, parts_for, restarts, way_back
from migrate.planning.hours import hours_refusals
from migrate.planning.ledger import Record, change_of, counted, trials_of
from migrate.planning.legs import legs
from migrate.planning.line import twin_of
from migrate.planning.plan import (
    Leg,
    OutputsCare,
    Plan,
    PlannedDevice,
    PlannedWave,
    Seconds,
    Shown,
    Sources,
    freeze,
    in_order,
)
from migrate.planning.refusals.case import Case
from migrate.planning.refusals.every import all_refusals, shared_refusals
from migrate.planning.refusals.secrets import have_secrets
from migrate.planning.sleep import sleep_refusals
from migrate.planning.steps import Change
from migrate.planning.switchover import switchover_refusals
from migrate.planning.times import device_seconds, wave_seconds
from migrate.planning.waves import Wave, make_waves

WHOLE = Leg()
"""The whole change in one leg."""


def make_plan(
    fleet: Fleet,
    playbook: Playbook,
    dialects: Mapping[str, Dialect],
    resolve: Resolve,
    sources: Sources,
    *,
    created: str,
    tool: str,
    ledger: Sequence[Record] = (),
    only: Collection[str] | None = None,
    leg: Leg = WHOLE,
    rest_of: str | None = None,
    certificates: Mapping[Path, bytes] | None = None,
) -> Plan:
    """The frozen plan. Raises Refused with every refusal found.

    `resolve` gives the secrets, which are needed to prove that they can be carried; none of them
    enters the plan. `created` is an ISO 8601 time, `tool` this program's version; `ledger` what was
    shown before; `only` the names of the devices to be planned, all of them without it; `leg` which
    part of the change this is; `rest_of` digest of a plan that was stopped, of which this is the
    rest; `certificates` the octets of the new broker's certificate files.
    """
    problems = all_refusals(
        fleet,
        playbook,
        dialects,
        resolve,
        (sources.fleet.path, sources.playbook.path),
        created=created,
        certificates=certificates,
        trials=trials_of(ledger, sources),
    )
    if problems:
        raise Refused(problems)
    devices = [device for device in fleet.device if only is None or device.name in only]
    shared = _Shared(playbook, dialects)
    changes = {twin_of(device): shared.move(device).change for device in devices}
    shown = counted(ledger, sources, changes)
    waves = (
        together(devices)
        if leg.together
        else make_waves(devices, playbook.pace, shown, thorough=True)
    )
    why = {name: words for wave in waves for name, words in wave.why.items()}
    planned = {
        device.name: _planned(device, shared, fleet.quiet_hours(device), why[device.name])
        for device in devices
    }
    return freeze(
        tool=tool,
        title=playbook.title,
        created=created,
        sources=sources,
        pace=playbook.pace,
        on_fault=playbook.gate.on_fault,
        leg=leg,
        rest_of=rest_of,
        evidence=tuple(
            Shown(dialect=twin[0], firmware=twin[1], returns=had.returns, faults=had.faults)
            for twin, had in sorted(shown.items())
        ),
        fewest_waves=1 if leg.together else fewest_waves(devices, playbook.pace, shown),
        devices=tuple(planned.values()),
        waves=tuple(
            PlannedWave(
                devices=wave.names,
                exposure=wave.exposure,
                seconds=wave_seconds(planned[name].seconds for name in wave.names),
            )
            for wave in waves
        ),
    )


def whole_refusals(
    fleet: Fleet,
    playbook: Playbook,
    dialects: Mapping[str, Dialect],
    resolve: Resolve,
    sources: Sources,
) -> list[Problem]:
    """Refusals that concern the change before it is split into legs."""
    files = sources.fleet.path, sources.playbook.path
    # The legs of a switchover part the devices, and each sees its own alone.
    parted = playbook.switches_over
    return [
        *switchover_refusals(Change(fleet, playbook, dialects, resolve), sources.playbook.path),
        *(shared_refusals(Case(fleet, playbook, dialects, resolve, *files)) if parted else ()),
        *hours_refusals(fleet, sources.fleet.path),
        *sleep_refusals(fleet, dialects, sources.fleet.path),
    ]


def make_plans(
    fleet: Fleet,
    playbook: Playbook,
    dialects: Mapping[str, Dialect],
    resolve: Resolve,
    sources: Sources,
    *,
    created: str,
    tool: str,
    ledger: Sequence[Record] = (),
    certificates: Mapping[Path, bytes] | None = None,
) -> tuple[Plan, ...]:
    """One frozen plan for each leg of the change, each after the one before it. The arguments are
    those of `make_plan`. Raises Refused with every refusal found in any leg."""
    have_secrets(playbook, resolve)  # all that are missing are told at once, and asked for once
    problems = whole_refusals(fleet, playbook, dialects, resolve, sources)
    plans: list[Plan] = []
    for one in legs(fleet, playbook, dialects, resolve):
        after = plans[-1].digest if plans else None
        try:
            plans.append(
                make_plan(
                    one.fleet,
                    one.playbook,
                    dialects,
                    resolve,
                    sources,
                    created=created,
                    tool=tool,
                    ledger=ledger,
                    leg=one.leg.model_copy(update={"after": after}),
                    certificates=certificates,
                )
            )
        except Refused as error:
            # Two legs may be refused for the same reason.
            problems += [problem for problem in error.problems if problem not in problems]
    if problems:
        raise Refused(problems)
    return tuple(plans)


def plan_to_read(
    fleet: Fleet,
    playbook: Playbook,
    dialects: Mapping[str, Dialect],
    sources: Sources,
    *,
    created: str,
    tool: str,
) -> Plan:
    """What it takes to find and read every device: no refusals, no waves worth the name, no leg.
    It is not frozen: it has no digest, so whoever would run it refuses it."""
    shared = _Shared(playbook, dialects)
    devices = tuple(_planned(device, shared, (), "is only read") for device in fleet.device)
    (wave,) = together(fleet.device)
    return Plan(
        format=2,
        tool=tool,
        title=playbook.title,
        created=created,
        sources=sources,
        pace=playbook.pace,
        on_fault=playbook.gate.on_fault,
        devices=devices,
        waves=(
            PlannedWave(
                devices=wave.names,
                exposure=wave.exposure,
                seconds=wave_seconds(device.seconds for device in devices),
            ),
        ),
        digest="",
    )


def together(devices: Sequence[Device]) -> tuple[Wave, ...]:
    """All in one wave, as the owner accepted in numbers: the exposure is every one of them."""
    words = "goes with all others that have no spare slot: one access point changes for all"
    names = tuple(device.name for device in devices)
    return (Wave(names, float(len(names)), dict.fromkeys(names, words)),)


@dataclass(frozen=True)
class _Move:
    """What devices have in common that are given the same: the bundle, what takes it back, the
    groups of settings that it changes, and whether it restarts them."""

    bundle: dict[Setting, FrozenValue]
    back: WayBack
    change: tuple[str, ...]
    restarts: bool


class _Shared:
    """Moves and times: worked out once for all devices that have them in common."""

    def __init__(self, playbook: Playbook, dialects: Mapping[str, Dialect]) -> None:
        self._playbook = playbook
        self._dialects = dialects
        self._sides = old_side(playbook), new_side(playbook)
        self._named = {
            name for side in self._sides if side.addressing for name in side.addressing.fixed
        }
        self._moves: dict[tuple[str, str], _Move] = {}
        self._seconds: dict[tuple[str, float | None, bool], Seconds] = {}

    def move(self, device: Device) -> _Move:
        """What a device is given, and what takes it back."""
        mark = (device.dialect, device.name if device.name in self._named else "")
        known = self._moves.get(mark)
        if known is None:
            known = self._moves[mark] = self._worked_out(device)
        return known

    def _worked_out(self, device: Device) -> _Move:
        dialect, (old, new) = self._dialects[device.dialect], self._sides
        parts = parts_for(dialect, self._playbook.changed)
        given = in_order(bundle(dialect, new, parts, device.name))
        back = way_back(dialect, old, given, device.name)
        back = WayBack(in_order(back.known), back.read, back.lost)
        return _Move(given, back, change_of(given), restarts(dialect, given))

    def outputs(self, device: Device) -> OutputsCare | None:
        """What becomes of its outputs."""
        return _outputs(device, self._dialects[device.dialect], self._playbook.outputs)

    def seconds(self, device: Device) -> Seconds:
        """The time that a device's move is expected to take."""
        goes = self.move(device).restarts
        mark = (device.dialect, device.wakes_seconds, goes)
        if mark not in self._seconds:
            dialect, pace = self._dialects[device.dialect], self._playbook.pace
            self._seconds[mark] = device_seconds(device, dialect, pace, restarts=goes)
        return self._seconds[mark]


def _outputs(device: Device, dialect: Dialect, word: Outputs) -> OutputsCare | None:
    """What becomes of outputs of a device that its restart changes."""
    if not dialect.outputs:
        return None
    if not word.restore or device.name in word.leave:
        return "left"
    return "restored" if any(one.write for one in dialect.outputs.values()) else "told"


def _planned(device: Device, shared: _Shared, quiet: tuple[str, ...], why: str) -> PlannedDevice:
    move = shared.move(device)
    # Not validated again: every part of it was, when the files were read.
    return PlannedDevice.model_construct(
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
        bundle=move.bundle,
        way_back=move.back.known,
        read_back=move.back.read,
        lost=move.back.lost,
        quiet=quiet,
        wakes_seconds=device.wakes_seconds,
        outputs=shared.outputs(device),
        seconds=shared.seconds(device),
        why=why,
    )
