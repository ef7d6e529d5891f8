"""Everything known about the devices of a run, in one place, before the world is asked."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from migrate.dialects.schema import Dialect, fill
from migrate.model.fleet import Device
from migrate.model.lifecycle import Direction
from migrate.model.playbook import Playbook, Side, new_side, old_side
from migrate.planning.plan import Plan, PlannedDevice
from migrate.planning.refusals import Resolve
from migrate.ports.files import Inputs
from migrate.ports.protocols import SideName


@dataclass(frozen=True)
class Member:
    """One device: as its owner wrote it, as planned, and the dialect it speaks."""

    device: Device
    planned: PlannedDevice
    dialect: Dialect

    @property
    def name(self) -> str:
        """The device's name."""
        return self.device.name

    @property
    def presence_topic(self) -> str | None:
        """Where it says that it is there, if its family does and it has a topic."""
        if self.dialect.presence is None or self.device.topic is None:
            return None
        return fill(self.dialect.presence.topic, self.device)

    @property
    def mqtt_topics(self) -> tuple[str, ...]:
        """Topics on which this device speaks: presence and answers."""
        topics = [self.presence_topic] if self.presence_topic else []
        if self.device.topic is not None and self.device.via == "mqtt":
            asks = (self.dialect.write, self.dialect.read, self.dialect.restart)
            topics += [fill(ask.mqtt.reply, self.device) for ask in asks if ask and ask.mqtt]
        return tuple(dict.fromkeys(topics))


@dataclass(frozen=True)
class Crew:
    """The devices of a run, both sides, the plan, and how secrets are had."""

    plan: Plan
    playbook: Playbook
    members: Mapping[str, Member]
    resolve: Resolve = field(repr=False)

    @property
    def sides(self) -> dict[SideName, Side]:
        """Both sides, complete."""
        return {"old": old_side(self.playbook), "new": new_side(self.playbook)}


def muster(plan: Plan, inputs: Inputs, resolve: Resolve) -> Crew:
    """The crew of a plan whose sources have been checked against the files."""
    devices = {device.name: device for device in inputs.fleet.device}
    members = {
        planned.name: Member(
            devices[planned.name], planned, inputs.dialects[devices[planned.name].dialect]
        )
        for planned in plan.devices
    }
    return Crew(plan, inputs.playbook, members, resolve)


def target_of(direction: Direction) -> SideName:
    """The side a device is being moved to."""
    return "new" if direction is Direction.FORWARD else "old"


def source_of(direction: Direction) -> SideName:
    """The side it comes from."""
    return "old" if direction is Direction.FORWARD else "new"
