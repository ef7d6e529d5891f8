"""Scenes to look at: plans on paper, and news that is made up."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import UTC, datetime, timedelta
from typing import Any

from migrate.engine.tidings import Tidings
from migrate.journal.rows import Row
from migrate.model.lifecycle import Direction, State
from migrate.planning.plan import Plan, PlannedWave, Seconds
from migrate.views.scene import Scene
from tests.planning.samples import device, plan_of

BEGUN = datetime(2026, 11, 25, 20, 0, tzinfo=UTC)


def after(seconds: float) -> datetime:
    """So long after the beginning."""
    return BEGUN + timedelta(seconds=seconds)


def plan_with(*waves: int, seconds: tuple[float, float] = (10, 20), **more: Any) -> Plan:
    """A plan with waves of so many devices: `a0`, `a1` in the first, `b0` in the second. Each wave
    is expected to take so long; `more` is for each device."""
    names = [f"{_letters(index)}{n}" for index, size in enumerate(waves) for n in range(size)]
    return in_waves(
        plan_of([device(name, n, **more) for n, name in enumerate(names)]), waves, seconds
    )


def in_waves(plan: Plan, waves: Iterable[int], seconds: tuple[float, float]) -> Plan:
    """A plan with its devices, in their order, in waves of so many."""
    names = iter(one.name for one in plan.devices)
    least, most = seconds
    return plan.model_copy(
        update={
            "waves": tuple(
                PlannedWave(
                    devices=tuple(next(names) for _ in range(size)),
                    exposure=1.0,
                    seconds=Seconds(least=least, most=most),
                )
                for size in waves
            )
        }
    )


def _letters(index: int) -> str:
    return ("" if index < 26 else _letters(index // 26 - 1)) + chr(ord("a") + index % 26)


def rows_of(plan: Plan) -> list[Row]:
    """The journal of a run in which nothing has happened."""
    forward, waiting = Direction.FORWARD, State.WAITING
    return [
        Row(one.name, plan.wave_of(one.name), forward, waiting, False, None, None, "", None)
        for one in plan.devices
    ]


class Told:
    """A scene, and news for it by short words."""

    def __init__(self, plan: Plan, rows: Iterable[Row] | None = None) -> None:
        self.plan = plan
        self.scene = Scene.of(plan, list(rows) if rows is not None else rows_of(plan), BEGUN)
        self.onlookers: list[Any] = []

    def tell(self, news: Tidings, at: float) -> None:
        """Any news, so many seconds after the beginning."""
        self.scene.take(news, after(at))
        for one in self.onlookers:
            one.see(news, after(at))

    def wave(self, number: int, at: float, direction: Direction = Direction.FORWARD) -> None:
        """The wave of that number, from 1, begins."""
        self.tell(Tidings("wave", "some devices", wave=number - 1, direction=direction), at)

    def device(self, name: str, state: State, at: float, words: str = "", **more: Any) -> None:
        """A device comes to a state."""
        self.tell(Tidings("device", words, name, self.plan.wave_of(name), state, **more), at)

    def gate(self, number: int, at: float, words: str = "open") -> None:
        """The gate after the wave of that number, from 1."""
        self.tell(Tidings("gate", words, wave=number - 1), at)

    def whole_wave(self, number: int, at: float, took: float) -> None:
        """A wave from its beginning to its gate."""
        self.wave(number, at)
        for name in self.plan.waves[number - 1].devices:
            for state in (State.SENDING, State.AWAY, State.SEEN):
                self.device(name, state, at)
            self.device(name, State.SETTLED, at + took)
        self.gate(number, at + took)
