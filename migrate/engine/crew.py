"""Everything known about the devices of a run, in one place, before the world is asked."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from migrate.dialects.parts import fill
from migrate.dialects.schema import Dialect
from migrate.model.fleet import Device
from migrate.model.lifecycle import Direction
from migrate.model.playbook import Playbook, Side, new_side, old_side
from migrate.model.secrets import Redactor, Resolve, SecretRef
from migrate.planning.bundles import restarts
from migrate.planning.legs import same_leg
from migrate.planning.make import plan_to_read
from migrate.planning.plan import Plan, PlannedDevice
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
    def restarts(self) -> bool:
        """Whether its bundle is in force only after a restart: its own, or one it is told."""
        return restarts(self.dialect, self.planned.bundle)

    @property
    def presence_topic(self) -> str | None:
        """Where it says that it is there, if its family does and it has a topic."""
        if self.dialect.presence is None or self.device.topic is None:
            return None
        return fill(self.dialect.presence.topic, self.device)

    @property
    def tells_presence(self) -> bool:
        """Whether it is waited for by its presence topic."""
        return self.presence_topic is not None and self.device.via == "mqtt"

    @property
    def sleeps(self) -> bool:
        """Whether it sleeps, and is reached only when it wakes."""
        return self.planned.wakes_seconds is not None

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
    """The devices of a run, both sides, the plan, and how secrets are had. `playbook` is that of
    the plan's leg, `whole` the owner's own: a device may still hold what an earlier leg gave it."""

    plan: Plan
    playbook: Playbook
    members: Mapping[str, Member]
    resolve: Resolve = field(repr=False)
    whole: Playbook | None = None

    @property
    def sides(self) -> dict[SideName, Side]:
        """Both sides, complete."""
        return {"old": old_side(self.playbook), "new": new_side(self.playbook)}

    @property
    def listened(self) -> tuple[SideName, ...]:
        """Sides whose broker is connected to: whose presence topics, so, are heard."""
        by_mqtt = any(member.device.via == "mqtt" for member in self.members.values())
        if by_mqtt or self.playbook.proof.presence:
            return ("old", "new")
        return ("new",) if self.playbook.broker is not None else ()


def muster(plan: Plan, inputs: Inputs, resolve: Resolve) -> Crew:
    """The crew of a plan whose sources have been checked against the files. Of a change in legs it
    is that of the plan's leg. Raises Changed if the change now splits into other legs."""
    one = same_leg(plan.leg, inputs.fleet, inputs.playbook, inputs.dialects, resolve)
    devices = {device.name: device for device in one.fleet.device}
    members = {
        planned.name: Member(
            devices[planned.name], planned, inputs.dialects[devices[planned.name].dialect]
        )
        for planned in plan.devices
    }
    return Crew(plan, one.playbook, members, resolve, inputs.playbook)


def muster_to_read(inputs: Inputs, resolve: Resolve, *, created: str, tool: str) -> Crew:
    """All devices of a fleet, to be found and read on both sides of the whole change: nothing is
    planned, and nothing can be sent."""
    fleet, playbook, dialects = inputs.fleet, inputs.playbook, inputs.dialects
    plan = plan_to_read(fleet, playbook, dialects, inputs.sources, created=created, tool=tool)
    members = {
        device.name: Member(device, plan.device(device.name), dialects[device.dialect])
        for device in fleet.device
    }
    return Crew(plan, playbook, members, resolve, playbook)


def learn_secrets(crew: Crew, redactor: Redactor) -> None:
    """Teach a redactor every secret of the run, so that whatever a device says is cleaned of all.
    Raises what `resolve` raises: a run without one of its secrets does not begin."""
    keys: set[tuple[SecretRef, str]] = set()
    words: set[SecretRef] = set()
    playbooks = [crew.playbook, *([crew.whole] if crew.whole else [])]
    for side in [side(one) for one in playbooks for side in (old_side, new_side)]:
        for wifi in (side.wifi, side.slots.wifi):
            if wifi and wifi.secret:
                keys.add((wifi.secret, wifi.ssid))
        for login in (side.broker, side.broker.own) if side.broker else ():
            if login and login.password:
                words.add(login.password)
    for member in crew.members.values():
        if member.device.login:
            words.add(member.device.login.secret)
    for ref, ssid in keys:
        redactor.learn([crew.resolve(ref)], [ssid])
    redactor.learn([crew.resolve(ref) for ref in words])


def target_of(direction: Direction) -> SideName:
    """The side a device is being moved to."""
    return "new" if direction is Direction.FORWARD else "old"


def source_of(direction: Direction) -> SideName:
    """The side it comes from."""
    return "old" if direction is Direction.FORWARD else "new"
