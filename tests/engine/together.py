"""Scenarios that run side by side, each in a house of its own: most of their time is waiting.

A module collects its scenarios, and tests each by name:

    together = Together()

    @together
    async def a_scenario(make_house: HouseMaker) -> None: ...

    @pytest.mark.parametrize("scenario", together.names)
    async def test_gates(scenario: str, running: Running) -> None:
        await running(scenario)
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Coroutine, Iterable
from typing import Any

from .harness import HouseMaker

Scenario = Callable[[HouseMaker], Coroutine[Any, Any, None]]
Running = Callable[[str], Awaitable[None]]


class Together:
    """The scenarios of a module."""

    def __init__(self, at_once: int = 5) -> None:
        self._at_once = at_once
        self._all: dict[str, Scenario] = {}

    def __call__(self, scenario: Scenario) -> Scenario:
        self._all[scenario.__name__] = scenario
        return scenario

    @property
    def names(self) -> list[str]:
        """Names, in order."""
        return list(self._all)

    def start(self, wanted: Iterable[str], make_house: HouseMaker) -> dict[str, asyncio.Task[None]]:
        """Start these, a few at a time."""
        gate = asyncio.Semaphore(self._at_once)

        async def one(scenario: Scenario) -> None:
            async with gate:
                await scenario(make_house)

        return {name: asyncio.create_task(one(self._all[name]), name=name) for name in wanted}
