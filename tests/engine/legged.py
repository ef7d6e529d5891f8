"""A house whose change goes in legs, each with a plan and a journal of its own."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace

from migrate.journal.store import Journal
from migrate.lab import SideSpec
from migrate.planning.make import make_plans
from migrate.planning.plan import Plan
from migrate.ports.files import load
from migrate.ports.sockets import now

from .harness import SECRETS, House


@dataclass
class LegHouse(House):
    """Enter it with `async with`: the first leg is ready to run. `switchover`: the network keeps
    its name and its addresses, and its access point changes its passphrase by `lab.flip()`."""

    switchover: bool = False
    accept: int | None = None
    plans: tuple[Plan, ...] = field(default=(), init=False)

    def __post_init__(self) -> None:
        super().__post_init__()
        if self.switchover:
            self.lab.new_network.on_air = False

    def _sides(self, old_port: int, new_port: int) -> tuple[SideSpec, SideSpec]:
        old, new = super()._sides(old_port, new_port)
        return old, replace(old, secret=SECRETS["new-wifi"]) if self.switchover else new

    def _playbook_lines(self) -> Iterator[str]:
        for line in super()._playbook_lines():
            if not (self.switchover and line.startswith("[new]")):
                yield line
        if self.accept is not None:
            yield f"[switchover]\naccept_stranded = {self.accept}"

    def make_plan(self) -> Plan:
        """The first leg's plan, of the files as they are."""
        inputs = load(self.fleet, self.playbook)
        self.plans = make_plans(
            inputs.fleet,
            inputs.playbook,
            inputs.dialects,
            self.secret_reader.resolve,
            inputs.sources,
            created=now().isoformat(timespec="seconds"),
            tool="test",
        )
        return self.plans[0]

    def take_leg(self, number: int) -> Journal:
        """A new run of this leg, counted from 1, or the one there is."""
        self.journal.close()
        self.plan = self.plans[number - 1]
        name = "run" if number == 1 else f"leg-{number}"
        path = self.state / name / "journal.sqlite3"
        self.journal = Journal.open(path, now) if path.exists() else self.new_journal(name)
        return self.journal

    @property
    def boots(self) -> dict[str, int]:
        """How often each device has started."""
        return {name: unit.boots for name, unit in self.lab.units.items()}
