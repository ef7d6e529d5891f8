"""The plan as a person reviews it: what happens to each device, when, and why."""

from __future__ import annotations

from dataclasses import dataclass

from rich.console import Console
from rich.table import Table
from rich.text import Text

from migrate.planning.bundles import staying
from migrate.planning.plan import Leg, Plan, PlannedDevice, Shown
from migrate.planning.times import run_seconds
from migrate.views.lines import say, show
from migrate.views.outputs import outputs_planned
from migrate.views.waves import show_waves
from migrate.views.words import CAUTION, count, lasting, some, span, value_in_words


def show_plan(plan: Plan, console: Console) -> None:
    """Print the whole plan. Holds no secret, so it masks none."""
    devices, waves = len(plan.devices), len(plan.waves)
    title = f"{plan.title}: {count(devices, 'device')} in {count(waves, 'wave')}"
    say(console, title, "bold")
    if plan.leg.of > 1 or plan.leg.argument or plan.leg.owner:
        _show_leg(plan.leg, console)
    console.print()
    show_waves(plan, console)
    for sentence in sentences(plan):
        say(console, sentence)
    kinds = _kinds(plan)
    letters = {name: kind.letter for kind in kinds for name in kind.names}
    for kind in kinds:
        _show_bundle(kind, console)
    for index, wave in enumerate(plan.waves):
        names = count(len(wave.devices), "device")
        pilot = ", the pilot" if index == 0 and not plan.leg.together else ""
        head = f"Wave {index + 1}{pilot}: {names}, exposure {wave.exposure:.2f}"
        console.print()
        say(console, head, "bold")
        for name in wave.devices:
            _show_device(plan.device(name), letters[name], console)
    console.print()
    if any(device.restarts for device in plan.devices):
        _show_caution(plan, console)
    if plan.leg.together:
        accepted = f"Accepted: {count(len(plan.devices), 'device')} at stake in one step."
    else:
        accepted = (
            f"{GATE_WORDS[plan.on_fault]} Accepted: at most "
            f"{count(plan.pace.stranded_at_most, 'device')} stranded in a wave, "
            f"{plan.pace.confidence:.0%} sure."
        )
    say(console, accepted)


def _show_leg(leg: Leg, console: Console) -> None:
    """Which part of the change this is, why it stands where it does, and what the owner does."""
    if leg.of > 1:
        say(console, f"Leg {leg.number} of {leg.of}: {leg.what}")
    for sentence in leg.argument:
        say(console, sentence, indent=2)
    if leg.owner:
        say(console, f"Before this leg begins, you: {leg.owner}.", "bold")


def sentences(plan: Plan) -> list[str]:
    """The plan as a whole: how long, how near to the fewest waves, what it counts on."""
    whole = run_seconds(wave.seconds for wave in plan.waves)
    time = f"Expected: {span(whole.least, whole.most)}"
    if plan.leg.together:
        told = [
            f"{time} (restart, return, soak), and the time until you have changed the access "
            "point: you are told when all devices are gone."
        ]
    else:
        told = [f"{time}, if every gate opens at once (restart, return, soak)."]
    waves = len(plan.waves)
    if plan.fewest_waves and waves > 1:
        told.append(
            f"{waves} waves: the fewest that the rules allow."
            if waves <= plan.fewest_waves
            else f"{waves} waves; no plan within the rules has fewer than {plan.fewest_waves}."
        )
    told += [_counted(shown) for shown in plan.evidence]
    told += _sleepers(plan) + _quiet(plan)
    return told


def _counted(shown: Shown) -> str:
    faults = f", {count(shown.faults, 'fault')}" if shown.faults else ", no fault"
    return (
        f"Counted from earlier runs and the bench: {shown.dialect} {shown.firmware}, "
        f"{count(shown.returns, 'return')}{faults}."
    )


def _sleepers(plan: Plan) -> list[str]:
    asleep: dict[float, list[str]] = {}
    for device in plan.devices:
        if device.wakes_seconds:
            asleep.setdefault(device.wakes_seconds, []).append(device.name)
    return [
        f"Asleep most of the time, told when they wake (every {lasting(seconds)}): {some(names)}."
        for seconds, names in sorted(asleep.items())
    ]


def _quiet(plan: Plan) -> list[str]:
    quiet: dict[tuple[str, ...], list[str]] = {}
    for device in plan.devices:
        if device.quiet:
            quiet.setdefault(device.quiet, []).append(device.name)
    return [
        f"Quiet hours {', '.join(hours)}, in which nothing is sent to: {some(names)}. They are not "
        "in the time expected."
        for hours, names in sorted(quiet.items())
    ]


def _show_caution(plan: Plan, console: Console) -> None:
    for sentence in outputs_planned(plan):
        say(console, sentence)
    loads = sorted({d.load for d in plan.devices if d.load and d.restarts})
    if loads:
        say(console, f"What hangs on devices that restart: {', '.join(loads)}.", "bold")
    say(console, CAUTION)


GATE_WORDS = {
    "hold": "A shut gate holds the run: nothing more is sent until you decide.",
    "roll-back-wave": "A shut gate takes its wave back, then holds the run.",
    "roll-back-all": "A shut gate takes back everything that moved, then holds the run.",
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
    many = len(kind.names)
    to = f"each of {many} devices" if many > 1 else kind.names[0]
    heading = f"Bundle {kind.letter}, in one message to {to}"
    say(console, heading, "bold")
    table = Table.grid(padding=(0, 2))
    for setting, value in device.bundle.items():
        table.add_row(Text(f"  {setting}"), Text(value_in_words(setting, value)))
    show(console, table)
    say(console, "its way back" if many == 1 else "their way back", indent=2)
    back = Table.grid(padding=(0, 2))
    for setting, value in device.way_back.items():
        back.add_row(Text(f"    {setting}"), Text(value_in_words(setting, value)))
    for setting in device.read_back:
        back.add_row(Text(f"    {setting}"), Text("as the survey reads it"))
    for setting in device.lost:
        back.add_row(Text(f"    {setting}"), Text("NOT KNOWN, accepted by name"))
    stays = staying(device.bundle, device.lost) if device.lost else set()
    if stays:
        words = ", ".join(setting for setting in device.bundle if setting in stays)
        told = f"If it is rolled back it keeps the new side's {words}: they go together with what "
        back.add_row(Text("    stays"), Text(told + "nobody knows."))
    show(console, back)


def _show_device(device: PlannedDevice, letter: str, console: Console) -> None:
    where = f"{device.place}, reach {device.reach}, {device.dialect} over {device.via}"
    extra = f", {device.load} hangs on it" if device.load else ""
    head = Text.assemble((device.name, "bold"), f"  ({where}{extra}), bundle {letter}")
    say(console, head, indent=2, hang=2)
    say(console, f"why here: {device.why}", indent=4)
