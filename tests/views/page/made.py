"""A made-up run, on paper, for those who look at it."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path

from migrate.journal.rows import Row
from migrate.model.fleet import Device, Fleet
from migrate.model.lifecycle import Direction, State
from migrate.model.parsing import parse_toml
from migrate.model.playbook import Playbook
from migrate.model.secrets import Secret
from migrate.planning.make import make_plan
from migrate.planning.plan import Plan, Source, Sources
from migrate.ports.files import load_dialect
from migrate.views.scene import Scene

BEGUN = datetime(2026, 11, 25, 20, 0, tzinfo=UTC)
PLAYBOOK = """
title = "Quarry Cottage moves"
[wifi]
ssid = "quarry-loft"
secret = { env = "NEW" }
[old]
subnet = "192.0.2.0/24"
wifi = { ssid = "quarry-attic", secret = { env = "OLD" } }
[new]
subnet = "198.51.100.0/24"
leases = "leases-new"
[pace]
stranded_at_most = 1
"""
ROOMS = {"desk-lamp": "study", "hall-lamp": "hall", "porch-light": "porch", "shelf-light": "study"}


def plan_of(rooms: dict[str, str] = ROOMS) -> Plan:
    """A plan for devices of one family, given as place by name."""
    dialect, source = load_dialect("larch", Path())
    file = Source(path="fleet.toml", sha256="0" * 64)
    return make_plan(
        Fleet(
            device=tuple(_device(n, name, place) for n, (name, place) in enumerate(rooms.items()))
        ),
        parse_toml(PLAYBOOK, Playbook, "playbook.toml", Path()),
        {"larch": dialect},
        lambda ref: Secret(f"of the test {ref.env}"),
        Sources(fleet=file, playbook=file, dialects={"larch": source}),
        created="2026-01-01T00:00:00+00:00",
        tool="test",
    )


def _device(number: int, name: str, place: str) -> Device:
    return Device.model_validate(
        {
            "name": name,
            "mac": f"00-00-5E-00-53-{number:02X}",
            "dialect": "larch",
            "address": f"192.0.2.{10 + number}",
            "place": place,
        }
    )


def rows_of(plan: Plan) -> list[Row]:
    """The journal of a run that has just begun."""
    forward, waiting = Direction.FORWARD, State.WAITING
    return [
        Row(one.name, plan.wave_of(one.name), forward, waiting, False, None, None, "", None)
        for one in plan.devices
    ]


def scene_of(plan: Plan, rows: Sequence[Row] | None = None) -> Scene:
    """The picture of it."""
    return Scene.of(plan, rows_of(plan) if rows is None else rows, BEGUN)
