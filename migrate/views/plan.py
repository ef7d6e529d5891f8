"""The plan as a person reviews it: what happens to each device, when, and why."""

from __future__ import annotations

from dataclasses import dataclass

from rich.console import Console
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from migrate.model.settings import shown
from migrate.planning.plan import Plan, PlannedDevice
from migrate.views.words import CAUTION, count


def show_plan(plan: Plan, console: Console) -> None:
    """Print the whole plan. Holds no secret, so it masks none."""
    devices, waves = len(plan.devices), len(plan.waves)
    title = f"{plan.title}: {count(devices, 'device')} in {count(waves, 'wave')}"
    console.print(Text(title, "bold"))
    kinds = _kinds(plan)
    letters = {name: kind.letter for kind in kinds for name in kind.names}
    for kind in kinds:
        _show_bundle(kind, console)
    for index, wave in enumerate(plan.waves):
        names = count(len(wave.devices), "device")
        pilot = ", the pilot" if index == 0 else ""
        head = f"Wave {index + 1}{pilot}: {names}, exposure {wave.exposure:.2f}"
        console.print()
        console.print(Text(head, "bold"))
        for name in wave.devices:
            _show_device(plan.device(name), letters[name], console)
    console.print()
    if any(device.restarts for device in plan.devices):
        _show_caution(plan, console)
    console.print(
        Text(
            f"{GATE_WORDS[plan.on_fault]} Accepted: at most "
            f"{count(plan.pace.stranded_at_most, 'device')} stranded in a wave, "
            f"{plan.pace.confidence:.0%} sure."
        )
    )


def _show_caution(plan: Plan, console: Console) -> None:
    loads = sorted({d.load for d in plan.devices if d.load and d.restarts})
    if loads:
        console.print(Text(f"Hanging on devices that restart: {', '.join(loads)}.", "bold"))
    console.print(Text(CAUTION))


GATE_WORDS = {
    "hold": "A gate that fails holds: nothing more is sent until you decide.",
    "roll-back-wave": "A gate that fails rolls its wave back, then holds.",
    "roll-back-all": "A gate that fails rolls back everything that moved, then holds.",
}


@dataclass(frozen=True)
class _Kind:
    """Devices that are given the same bundle and have the same way back."""

    letter: str
    example: PlannedDevice
    names: tuple[str, ...]


def _kinds(plan: Plan) -> list[_Kind]:
    groups: dict[str, tuple[PlannedDevice, list[str]]] = {}
    for device in plan.devices:
        key = repr((device.bundle, device.way_back, device.read_back, device.lost))
        groups.setdefault(key, (device, []))[1].append(device.name)
    return [
        _Kind(letter_of(number), device, tuple(names))
        for number, (device, names) in enumerate(groups.values())
    ]


def letter_of(number: int) -> str:
    """A, B, ... Z, AA, AB, ..."""
    first = letter_of(number // 26 - 1) if number >= 26 else ""
    return first + chr(ord("A") + number % 26)


def _show_bundle(kind: _Kind, console: Console) -> None:
    device = kind.example
    console.print()
    heading = f"Bundle {kind.letter}, in one message to each of {count(len(kind.names), 'device')}"
    console.print(Text(heading, "bold"))
    table = Table.grid(padding=(0, 2))
    for setting, value in device.bundle.items():
        table.add_row(Text(f"  {setting}"), Text(shown(value)))
    console.print(table)
    console.print(Text("  way back"))
    back = Table.grid(padding=(0, 2))
    for setting, value in device.way_back.items():
        back.add_row(Text(f"  {setting}"), Text(shown(value)))
    for setting in device.read_back:
        back.add_row(Text(f"  {setting}"), Text("as the survey reads it"))
    for setting in device.lost:
        back.add_row(Text(f"  {setting}"), Text("NOT KNOWN, accepted by name"))
    console.print(back)


def _show_device(device: PlannedDevice, letter: str, console: Console) -> None:
    where = f"{device.place}, reach {device.reach}, {device.dialect} over {device.via}"
    extra = f", {device.load} hangs on it" if device.load else ""
    head = Text(f"  {device.name}", "bold") + Text(f"  ({where}{extra}), bundle {letter}")
    console.print(head)
    console.print(Padding(Text(f"why here: {device.why}"), (0, 0, 0, 4), expand=False))
