"""The waves of a plan as a picture: one row for each, or for a run of equal ones."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from rich.console import Console
from rich.table import Table
from rich.text import Text

from migrate.planning.plan import Plan, PlannedWave, Seconds
from migrate.planning.times import run_seconds
from migrate.views.bars import bar, mark
from migrate.views.words import count, span

ROWS = 40
"""With more waves than this, equal waves that follow each other share a row."""
WIDEST, NARROWEST = 40, 8


@dataclass(frozen=True)
class _Row:
    """Waves `first` to `last` (from 0), all with so many devices and the same remark."""

    first: int
    last: int
    devices: int
    remark: str


def show_waves(plan: Plan, console: Console) -> None:
    """Print the picture: number, bar, exposure, time of the wave, and time since the start."""
    rows = _rows(plan)
    widest = max(row.devices for row in rows)
    room = _room(rows, console.width)
    table = Table(box=None, padding=(0, 1, 0, 0), pad_edge=False, header_style="")
    table.add_column("wave", justify="right", no_wrap=True)
    table.add_column("devices", justify="right", no_wrap=True)
    table.add_column(_scale(widest, room, console), no_wrap=True, overflow="ellipsis")
    table.add_column("exposure", justify="right", no_wrap=True)
    table.add_column("this wave", justify="right", no_wrap=True)
    table.add_column("since start", justify="right", no_wrap=True)
    for row in rows:
        waves = plan.waves[row.first : row.last + 1]
        length = 1.0 if widest <= room else row.devices / widest
        drawn = (
            mark(console) * row.devices if widest <= room else bar(length, room, console)
        ) + (f" {row.remark}" if row.remark else "")
        table.add_row(
            _numbers(row),
            Text(str(row.devices) if row.first == row.last else f"{row.devices} each"),
            Text(drawn),
            Text(_exposure(waves)),
            Text(short(_range([wave.seconds for wave in waves]))),
            Text(short(run_seconds(wave.seconds for wave in plan.waves[: row.last + 1]))),
        )
    console.print(table)


def _rows(plan: Plan) -> list[_Row]:
    rows = [
        _Row(number, number, len(wave.devices), _remark(plan, number, wave))
        for number, wave in enumerate(plan.waves)
    ]
    if len(rows) <= ROWS:
        return rows
    told: list[_Row] = []
    for row in rows:
        last = told[-1] if told else None
        if last and (last.devices, last.remark) == (row.devices, row.remark):
            told[-1] = _Row(last.first, row.last, row.devices, row.remark)
        else:
            told.append(row)
    return told


def _remark(plan: Plan, number: int, wave: PlannedWave) -> str:
    """What a reader has to know of a wave, in a word or two."""
    devices = [plan.device(name) for name in wave.devices]
    feeding = next((one for one in devices if one.feeds), None)
    words = []
    if plan.leg.together:
        words.append("all at once")
    elif feeding:
        words.append(f"feeds {feeding.feeds[0]}" + (" ..." if len(feeding.feeds) > 1 else ""))
    elif number == 0:
        words.append("pilot")
    if any(one.wakes_seconds for one in devices):
        words.append("asleep")
    if any(one.quiet for one in devices):
        words.append("quiet")
    return ", ".join(words)
