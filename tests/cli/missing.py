"""A run of the house on paper in which devices are missing, written by its journal alone."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime

from migrate.journal.store import Journal
from migrate.model.lifecycle import Event
from migrate.model.settings import FrozenBundle, Setting
from migrate.ports.files import read_plan

from .paper import Paper

RUN = "20260101-120000-000000-new-access-point"


def begun(paper: Paper, steps: Callable[[Journal], object], was: str = "quarry-attic") -> None:
    """A run of the paper's plan whose journal has been taken this far; no device was there."""
    planned = paper.plan()
    assert planned.code == 0, planned.all
    plan = read_plan(paper.plan_file)
    facts = {"fleet": str(paper.fleet), "playbook": str(paper.playbook)}
    journal = Journal.create(
        paper.state / "runs" / RUN / "journal.sqlite3",
        plan,
        lambda: datetime(2026, 1, 1, 12, 34, tzinfo=UTC),
        facts,
    )
    for device in plan.devices:
        read = {"wifi.ssid": was, "broker.host": "192.0.2.2"}
        back: FrozenBundle = {**device.way_back, Setting.WIFI_SSID: was}
        journal.record_before(device.name, {"settings": read, "side": "old"}, back)
    steps(journal)
    journal.close()


def lost(*names: str, words: str = "on neither side for 180 s") -> Callable[[Journal], None]:
    """Steps that leave these devices adrift."""

    def steps(journal: Journal) -> None:
        for name in names:
            journal.intend(name, journal.plan.device(name).bundle)
            journal.step(name, Event.SENT, "it said yes")
            journal.step(name, Event.EXPIRE, words)

    return steps
