"""Fixtures of the engine's tests."""

from __future__ import annotations

import asyncio
import gc
from collections.abc import AsyncIterator, Iterator

import pytest
import pytest_asyncio

from migrate.lab import two_networks_possible

from .harness import House, HouseMaker
from .together import Running


@pytest.fixture(scope="session")
def make_house(tmp_path_factory: pytest.TempPathFactory) -> HouseMaker:
    """Makes a house of its own folder for every call; enter it with `async with`."""
    if not two_networks_possible():
        pytest.skip("this machine has one loopback address: nothing can change its network here")

    def make(*devices: object, **more: object) -> House:
        return House(tmp_path_factory.mktemp("house"), devices, **more)  # type: ignore[arg-type]

    return make


@pytest_asyncio.fixture(scope="module", loop_scope="module")
async def running(request: pytest.FixtureRequest, make_house: HouseMaker) -> AsyncIterator[Running]:
    """The module's scenarios that were asked for, all started; await one by its name."""
    wanted = [
        item.callspec.params["scenario"]
        for item in request.session.items
        if isinstance(item, pytest.Function) and item.module is request.module
        if hasattr(item, "callspec") and "scenario" in item.callspec.params
    ]
    tasks = request.module.together.start(wanted, make_house)

    async def result(name: str) -> None:
        await tasks[name]

    yield result
    for task in tasks.values():
        task.cancel()
    await asyncio.gather(*tasks.values(), return_exceptions=True)


@pytest.fixture(autouse=True, scope="module")
def _tidy() -> Iterator[None]:
    """The embedded broker leaves closed sockets to the garbage collector. It is run here, where
    its remarks hurt nobody: inside a parse of source text they upset CPython 3.11."""
    yield
    gc.collect()
