"""A device that a sweep alone would have to find, and could not."""

from __future__ import annotations

import pytest

from tests.planning.samples import (
    OLD_BROKER,
    OLD_NET,
    OLD_WIFI,
    WIFI,
    device,
    own_dialect,
    plan_of,
    refused,
)

LEASES = 'leases = "new.leases"\n'
TOLD = 'services = ["_http._tcp"]\nservice_mac = "mac"'
HERE = {"dialect": "sedge", "via": "http", "address": "192.0.2.11"}


def change(ways: str, new: str = "", more: str = "") -> str:
    finding = f"[finding]\nways = {ways}\n{more}"
    subnet = 'subnet = "198.51.100.0/24"\n'
    return f"{WIFI}{finding}[old]\n{OLD_NET}{OLD_WIFI}{OLD_BROKER}[new]\n{subnet}{new}"


def test_a_port_that_a_sweep_does_not_ask_at() -> None:
    (problem,) = refused([device("lamp", 1, **HERE, port=8081)], change('["sweep"]'))
    assert "asks at port 80, and it answers at 8081" in problem.what
    assert problem.device == "lamp"


@pytest.mark.parametrize(
    ("ways", "new", "more", "port"),
    [
        ('["sweep"]', "", "", 80),
        ('["sweep"]', "", "", None),
        ('["leases", "sweep"]', LEASES, "", 8081),
        ('["sweep", "dns-sd"]', "", f"{TOLD}\n", 8081),
    ],
)
def test_one_that_can_be_found(ways: str, new: str, more: str, port: int | None) -> None:
    plan = plan_of([device("lamp", 1, **HERE, port=port)], change(ways, new, more))
    assert [one.name for one in plan.devices] == ["lamp"]


def test_a_path_of_its_own() -> None:
    """Of a stranger nobody knows the word that its path holds."""
    own = own_dialect("alder", "sedge", lambda data: data["read"]["http"].update(path="/{topic}"))
    lamp = device("lamp", 1, **{**HERE, "dialect": "alder"})
    (problem,) = refused([lamp], change('["sweep"]'), own=own)
    assert "a path of its own" in problem.what
