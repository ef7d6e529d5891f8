"""The frozen plan: what was reviewed is what runs.

A plan is plain data with a digest over itself, and it names the digests of the files it was made
from. Secrets stand in it as references.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from functools import cached_property
from typing import Annotated, Any, Literal, Self

from pydantic import AfterValidator, BeforeValidator, FailFast, Field, model_validator

from migrate.dialects.parts import SettingName
from migrate.model.eui48 import Mac
from migrate.model.fleet import Reach, Strict, Text, Transport
from migrate.model.playbook import Pace
from migrate.model.problems import BadFile, Changed, Problem
from migrate.model.secrets import SecretRef
from migrate.model.settings import FrozenValue, Setting
from migrate.planning.exposure import Evidence, Twin


def _value(value: Any) -> Any:
    return SecretRef.model_validate(value) if isinstance(value, dict) else value


def in_order(settings: Mapping[Setting, FrozenValue]) -> dict[Setting, FrozenValue]:
    """Settings in their own order: messages are composed in the order of the bundle, which the
    digest does not cover."""
    return {setting: settings[setting] for setting in Setting if setting in settings}


Frozen = Annotated[FrozenValue, BeforeValidator(_value)]
Settings = Annotated[dict[SettingName, Frozen], AfterValidator(in_order)]


class Source(Strict):
    """An owner's file, by path and SHA-256 of its octets."""

    path: str
    sha256: Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")]


class Sources(Strict):
    """Everything the plan was made from."""

    fleet: Source
    playbook: Source
    dialects: dict[str, Source]


class Seconds(Strict):
    """A time that is expected, as a range, in seconds."""

    least: Annotated[float, Field(ge=0, le=1e12)]
    most: Annotated[float, Field(ge=0, le=1e12)]


OutputsCare = Literal["restored", "told", "left"]


class PlannedDevice(Strict):
    """What happens to one device. `read_back` are rollback settings that the survey will read;
    `lost` are those that nobody knows (accepted by name in the playbook). `outputs` that are not as
    they were: restored; or told only, since the dialect cannot set them; or left alone and told,
    by the owner's word. None: the dialect names none."""

    name: Text
    mac: Mac
    dialect: Text
    firmware: str
    via: Transport
    place: Text
    reach: Annotated[Reach, BeforeValidator(lambda value: Reach(value))]
    cover: str | None = None
    feeds: tuple[str, ...] = ()
    load: str | None = None
    bundle: Settings
    way_back: Settings
    read_back: tuple[SettingName, ...]
    lost: tuple[SettingName, ...] = ()
    quiet: tuple[str, ...] = ()
    wakes_seconds: Annotated[float, Field(gt=0, le=86400)] | None = None
    outputs: OutputsCare | None = None
    seconds: Seconds
    why: str

    @property
    def twin(self) -> Twin:
        """Its twin group."""
        return (self.dialect, self.firmware)

    @property
    def restarts(self) -> bool:
        """Whether the change takes it off the network: a new network or broker does."""
        return any(not setting.startswith(("group.", "wifi.spare.")) for setting in self.bundle)


class Shown(Strict):
    """What a twin group had shown before this plan: returns and faults of earlier runs and of
    trials on the bench."""

    dialect: Text
    firmware: str
    returns: Annotated[int, Field(ge=0)]
    faults: Annotated[int, Field(ge=0)]


class Leg(Strict):
    """Which part of the change this plan is. `after`: digest of the plan that must have been run
    to its end before. `argument`: which side reaches what, before and after, in sentences.
    `owner`: what the owner has to do before this leg begins. `together`: one step for all, with
    a change at the access point in the midst of it. `after_flip`: the access point must have been
    changed before it begins."""

    number: Annotated[int, Field(ge=1)] = 1
    of: Annotated[int, Field(ge=1)] = 1
    what: str = "everything at once"
    after: str | None = None
    argument: tuple[str, ...] = ()
    owner: str | None = None
    together: bool = False
    after_flip: bool = False


class PlannedWave(Strict):
    """Devices that go together, by name, the exposure accepted for them, and the time expected."""

    devices: Annotated[tuple[Text, ...], Field(min_length=1)]
    exposure: float
    seconds: Seconds


class Plan(Strict):
    """A frozen plan. `digest` covers everything else in it. `fewest_waves`: no plan within the
    same rules has fewer waves than this. `rest_of`: digest of the plan whose rest this is."""

    format: Literal[2]
    tool: str
    title: Text
    created: str
    sources: Sources
    pace: Pace
    on_fault: Literal["hold", "roll-back-wave", "roll-back-all"]
    leg: Leg = Leg()
    rest_of: str | None = None
    evidence: tuple[Shown, ...] = ()
    fewest_waves: Annotated[int, Field(ge=0)] = 0
    devices: Annotated[tuple[PlannedDevice, ...], FailFast()]
    waves: Annotated[tuple[PlannedWave, ...], FailFast()]
    digest: str

    @model_validator(mode="after")
    def _each_once(self) -> Self:
        names = [device.name for device in self.devices]
        placed = [name for wave in self.waves for name in wave.devices]
        if sorted(names) != sorted(placed) or len(set(names)) != len(names):
            raise ValueError("a device stands in no wave, or in two")
        return self

    @property
    def shown(self) -> dict[Twin, Evidence]:
        """What each twin group had shown before this plan."""
        return {(s.dialect, s.firmware): Evidence(s.returns, s.faults) for s in self.evidence}

    @property
    def fills_spare_wifi(self) -> bool:
        """Whether devices may live by what it gives them without any further leg: a network in
        the spare slot, which its access point may have by now."""
        return any(
            Setting.SPARE_SSID in device.bundle and Setting.WIFI_SSID not in device.bundle
            for device in self.devices
        )

    @cached_property
    def _by_name(self) -> dict[str, PlannedDevice]:
        return {device.name: device for device in self.devices}

    @cached_property
    def _waves_by_name(self) -> dict[str, int]:
        return {name: index for index, wave in enumerate(self.waves) for name in wave.devices}

    def device(self, name: str) -> PlannedDevice:
        """The device of that name. Raises KeyError."""
        return self._by_name[name]

    def wave_of(self, name: str) -> int:
        """Index of the wave a device is in. Raises KeyError."""
        return self._waves_by_name[name]

    def to_json(self) -> str:
        """The plan as it is written to disk: JSON, a line for each device, wave and kind."""
        body = {**body_of(self), "digest": self.digest}
        parts = (f"{json.dumps(key)}: {as_lines(value)}" for key, value in body.items())
        return "{\n" + ",\n".join(parts) + "\n}\n"


def as_lines(value: Any) -> str:
    """JSON, of a list of tables a line for each."""
    if isinstance(value, list) and value and isinstance(value[0], dict):
        return "[\n " + ",\n ".join(json.dumps(item) for item in value) + "\n]"
    return json.dumps(value)


KIND = ("bundle", "way_back", "read_back", "lost", "seconds")
"""What most devices of a dialect share; it is written once."""


def body_of(plan: Plan) -> dict[str, Any]:
    """The plan without its digest, as plain data: what its devices share stands under `kinds`,
    and each device names its kind by number."""
    kinds: list[dict[str, Any]] = []
    numbers: dict[Any, int] = {}
    devices = []
    for device in plan.devices:
        fields = device.__dict__
        # First by identity: one table is mostly shared by thousands of devices.
        same = tuple(id(fields[name]) for name in KIND)
        if same not in numbers:
            kind = device.model_dump(mode="json", exclude_none=True, include=set(KIND))
            text = json.dumps(kind, sort_keys=True)
            if text not in numbers:
                numbers[text] = len(kinds)
                kinds.append(kind)
            numbers[same] = numbers[text]
        own = {k: v for k, v in fields.items() if v is not None and v != () and k not in KIND}
        devices.append({**own, "kind": numbers[same]})
    body = plan.model_dump(mode="json", exclude_none=True, exclude={"devices", "digest"})
    return {**body, "kinds": kinds, "devices": devices}


def digest_of(body: dict[str, Any]) -> str:
    """SHA-256 over the plan without its digest: JSON, keys sorted, no blanks, ASCII."""
    plain = {key: value for key, value in body.items() if key != "digest"}
    text = json.dumps(plain, sort_keys=True, separators=(",", ":"), ensure_ascii=True)
    return hashlib.sha256(text.encode()).hexdigest()


def freeze(**fields: Any) -> Plan:
    """A plan with its digest."""
    draft = Plan(format=2, digest="", **fields)
    return draft.model_copy(update={"digest": digest_of(body_of(draft))})


def check_digest(plan: Plan, where: str) -> None:
    """Raises Changed if the plan is not what was frozen."""
    if digest_of(body_of(plan)) != plan.digest:
        raise Changed(
            Problem("the plan was edited after it was frozen", "make it anew: migrate plan", where)
        )


PLAN_ANEW = "look at the change, then make the plan anew: migrate plan"


def check_sources(
    plan: Plan, found: Sources, tool: str, where: str, remedy: str = PLAN_ANEW
) -> None:
    """Raises Changed naming every file (or the tool itself) that differs from the plan's."""
    changed = []
    if plan.tool != tool:
        changed.append(f"migrate itself was {plan.tool} and is {tool}")
    pairs = [
        (plan.sources.fleet, found.fleet),
        (plan.sources.playbook, found.playbook),
        *(
            (source, found.dialects.get(name, Source(path=source.path, sha256="0" * 64)))
            for name, source in plan.sources.dialects.items()
        ),
    ]
    changed += [f"{was.path} was changed" for was, now in pairs if was.sha256 != now.sha256]
    if changed:
        raise Changed(
            [
                Problem(
                    f"{what} since the plan was frozen",
                    remedy,
                    where,
                )
                for what in changed
            ]
        )


def plan_from_json(text: str, where: str) -> Plan:
    """Read a frozen plan. Raises BadFile, or Changed if its digest does not hold."""
    try:
        plan = Plan.model_validate(_whole(as_tuples(json.loads(text))))
    except (ValueError, RecursionError):
        raise BadFile(
            Problem("is not a plan that migrate wrote", "make one: migrate plan", where)
        ) from None
    check_digest(plan, where)
    return plan


def _whole(data: Any) -> Any:
    """The inverse of what `body_of` does with kinds. Raises ValueError."""
    try:
        kinds = data.pop("kinds")
        devices = data["devices"]
        if any(len(kind[name]) > len(Setting) for kind in kinds for name in KIND if name in kind):
            raise ValueError("a kind holds more settings than there are")
        for device in devices:
            number = device.pop("kind")
            if type(number) is not int or number < 0:
                raise ValueError("a kind is a number")
            # What stands in a device itself must not be something of a kind.
            if not device.keys().isdisjoint(KIND):
                raise ValueError("a device holds what belongs to its kind")
            device.update({name: kinds[number][name] for name in KIND if name in kinds[number]})
    except (AttributeError, KeyError, IndexError, TypeError) as error:
        raise ValueError("is no plan") from error
    return data


def as_tuples(value: Any) -> Any:
    """What JSON read as lists, as the tuples that strict models want."""
    if isinstance(value, dict):
        return {key: as_tuples(item) for key, item in value.items()}
    return tuple(as_tuples(item) for item in value) if isinstance(value, list) else value
