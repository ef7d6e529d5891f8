"""Fixtures of the lab's tests."""

from __future__ import annotations

from collections.abc import Callable
from ipaddress import IPv4Network
from pathlib import Path
from typing import Any

import pytest

from migrate.lab import Lab, SideSpec, UnitSpec, free_port

from .helpers import NEW_KEY, OLD_KEY


@pytest.fixture
def sides(tmp_path: Path) -> tuple[SideSpec, SideSpec]:
    """An old and a new side, each with its own broker and password."""
    old = SideSpec(
        ssid="old-net",
        secret=OLD_KEY,
        subnet=IPv4Network("127.20.0.0/16"),
        lease_file=tmp_path / "old.leases",
        broker_host="127.20.0.2",
        broker_port=free_port(),
        broker_username="house",
        broker_password="old broker secret",
    )
    new = SideSpec(
        ssid="new-net",
        secret=NEW_KEY,
        subnet=IPv4Network("127.30.0.0/16"),
        lease_file=tmp_path / "new.leases",
        broker_host="127.30.0.2",
        broker_port=free_port(),
        broker_username="house",
        broker_password="new broker secret",
    )
    return old, new


LabMaker = Callable[..., Lab]


@pytest.fixture
def make_lab(sides: tuple[SideSpec, SideSpec]) -> LabMaker:
    """Makes a lab of the given units on the two sides."""
    port = free_port()

    def make(*units: UnitSpec, **more: Any) -> Lab:
        return Lab(units, *sides, **{"http_port": port} | more)

    return make
