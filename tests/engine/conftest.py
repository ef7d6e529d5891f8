"""Fixtures of the engine's tests."""

from __future__ import annotations

import pytest

from migrate.lab import two_networks_possible

from .harness import House, HouseMaker


@pytest.fixture
def make_house(tmp_path_factory: pytest.TempPathFactory) -> HouseMaker:
    """Makes a house of its own folder for every call; enter it with `async with`."""
    if not two_networks_possible():
        pytest.skip("this machine has one loopback address: nothing can change its network here")

    def make(*devices: object, **more: object) -> House:
        return House(tmp_path_factory.mktemp("house"), devices, **more)  # type: ignore[arg-type]

    return make
