"""The plan as a person reviews it: what happens to each device, when, and why."""

from __future__ import annotations

from rich.console import Console
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from migrate.model.settings import shown
from migrate.planning.plan import Plan, PlannedDevice
from migrate.views.words import CAUTION, count, settings_in_words


def show_plan(plan: Plan, console: Console) -> None:
    """Print the whole plan. Holds no secret, so it masks none."""
    devices, waves = len(plan.devices), len(plan.waves)
    console.print(
        Text(f"{plan.title}: {count(devices, 'device')} in {count(waves, 'wave')}", "bold")
    )
    console.print(_change(plan))
    for index, wave in enumerate(plan.waves):
        names = count(len(wave.devices), "device")
        pilot = ", the pilot" if index == 0 else ""
        console.print()
        console.print(
            Text(f"Wave {index + 1}{pilot}: {names}, exposure {wave.exposure:.2f}", "bold")
        )
        for name in wave.devices:
            _show_device(plan.device(name), console)
    console.print()
    loads = sorted({d.load for d in plan.devices if d.load})
    if loads:
        console.print(Text(f"Hanging on these devices: {', '.join(loads)}.", "bold"))
    console.print(Text(CAUTION))
    console.print(
        Text(
            f"A gate that fails will {plan.on_fault.replace('-', ' ')}. Accepted: at most "
            f"{count(plan.pace.stranded_at_most, 'device')} stranded in a wave, "
            f"{plan.pace.confidence:.0%} sure."
        )
    )


def _change(plan: Plan) -> Table:
    table = Table.grid(padding=(0, 2))
    seen = {setting: value for device in plan.devices for setting, value in device.bundle.items()}
    for setting, value in seen.items():
        table.add_row(Text(f"  {setting}"), Text(shown(value)))
    return table


def _show_device(device: PlannedDevice, console: Console) -> None:
    where = f"{device.place}, reach {device.reach}, {device.dialect} over {device.via}"
    extra = f", {device.load} hangs on it" if device.load else ""
    console.print(Text(f"  {device.name}", "bold") + Text(f"  ({where}{extra})"))
    lines = [
        f"why here: {device.why}",
        f"is given, in one message: {', '.join(device.bundle)}",
        f"way back: {_way_back(device)}",
    ]
    for line in lines:
        console.print(Padding(Text(line), (0, 0, 0, 4)))


def _way_back(device: PlannedDevice) -> str:
    parts = []
    if device.way_back:
        parts.append(settings_in_words(device.way_back))
    if device.read_back:
        parts.append(f"read in the survey: {', '.join(device.read_back)}")
    if device.lost:
        parts.append(f"NOT KNOWN, accepted by name: {', '.join(device.lost)}")
    return "; ".join(parts)
