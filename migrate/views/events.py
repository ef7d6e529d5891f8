"""A run as events for a program: each a JSON object (RFC 8259) on a line of its own.

The models here are the format: docs/generate_events.py writes docs/events.schema.json and the
tables of docs/events.md from them. A key may be added within a format; none changes its meaning.
Waves count from 1, as everywhere that people look. No secret is in any of it.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable
from datetime import UTC, datetime
from enum import Enum
from typing import Annotated, Any, Final, Literal

from pydantic import BaseModel, ConfigDict, Field, TypeAdapter, model_validator

from migrate.engine.tidings import Tidings
from migrate.journal.rows import tellable
from migrate.model.lifecycle import Direction, State
from migrate.model.problems import Exit, Problem
from migrate.planning.plan import Seconds
from migrate.views.ending import Ending
from migrate.views.lines import harmless
from migrate.views.scene import FOUND, Scene, Spot

FORMAT: Final = 1

Time = Annotated[
    str,
    Field(
        pattern=r"^\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{3}Z$",
        json_schema_extra={"format": "date-time"},
    ),
]
Wave = Annotated[int, Field(ge=1)]
Name = Annotated[str, Field(description="Name of a device, as the fleet file has it.")]


def _text(value: Any) -> Any:
    if isinstance(value, str) and not isinstance(value, Enum):
        return tellable(value)
    return tuple(map(_text, value)) if isinstance(value, tuple) else value


class Part(BaseModel):
    """Something inside an event."""

    model_config = ConfigDict(
        extra="forbid", frozen=True, json_schema_serialization_defaults_required=True
    )

    @model_validator(mode="before")
    @classmethod
    def _tellable(cls, data: dict[str, Any]) -> dict[str, Any]:
        """Halves of character pairs are no text for anybody; a path may hold some."""
        return {key: _text(value) for key, value in data.items()}


class Range(Part):
    """A time that is expected, in seconds; not a promise."""

    least: float = Field(ge=0, description="Seconds at the least.")
    most: float = Field(ge=0, description="Seconds at the most, if all goes well.")


class LegPart(Part):
    """Which part of the change this run is."""

    number: int = Field(ge=1, description="Counted from 1.")
    of: int = Field(ge=1, description="How many legs the change has.")
    what: str = Field(description="What this leg changes.")
    together: bool = Field(
        description="Whether all devices go in one step, with a change at the access point."
    )


class PlannedWavePart(Part):
    """A wave, as the plan has it."""

    wave: Wave = Field(description="Counted from 1.")
    devices: tuple[Name, ...] = Field(description="Its devices.")
    exposure: float = Field(description="Devices that it could strand, as was accepted.")
    seconds: Range = Field(description="How long it is expected to take.")


class StandingPart(Part):
    """Where a device stands."""

    device: Name
    wave: Wave = Field(description="Its wave, counted from 1.")
    state: State = Field(description="See docs/when-something-goes-wrong.md.")
    direction: Direction = Field(description="`back` once it is being taken back.")
    written_off: bool = Field(description="Whether the owner goes on without it.")
    words: str = Field(description="What was last said of it; for people, and from outside.")


class KnownDevicePart(StandingPart):
    """A device when the work begins."""

    mac: str = Field(description="Its MAC address, EUI-48 in the notation of IEEE Std 802.")
    place: str = Field(description="Where it is, as the fleet file has it.")
    dialect: str = Field(description="Its family.")
    firmware: str = Field(description="Its version, as the fleet file has it.")


class ProblemPart(Part):
    """One thing that is wrong, and what to do."""

    what: str = Field(description="What is wrong.")
    where: str = Field(description="A file or an address; empty where there is none.")
    key: str = Field(description="A place in a file, such as `device[3].mac`; empty if none.")
    device: str = Field(description="A device's name; empty if it is about none.")
    remedy: str = Field(description="What to do; empty if that is plain.")


class AdvicePart(Part):
    """A command that makes sense now."""

    command: str = Field(description="As it is typed into a shell.")
    what: str = Field(description="What it does.")


class Base(Part):
    """What every event has."""

    format: Literal[1] = Field(
        default=FORMAT, description="Of these events; a later one may not be understood."
    )
    seq: int = Field(ge=1, description="Counts the lines of this command, from 1, without a gap.")
    at: Time = Field(description="When it happened, RFC 3339, in UTC.")
    run: str = Field(description="Name of the run, which commands such as `migrate status` take.")


class Begun(Base):
    """The first line: what is going to be worked on, and where everything stands."""

    event: Literal["begun"] = "begun"
    tool: str = Field(description="Version of migrate that made the plan, and works on it.")
    plan: str = Field(description="Digest of the plan, SHA-256 in hexadecimal.")
    title: str = Field(description="Title of the change.")
    leg: LegPart = Field(description="Which part of the change this is.")
    journal: str = Field(description="Path of the journal.")
    waves: tuple[PlannedWavePart, ...] = Field(description="All waves, in their order.")
    devices: tuple[KnownDevicePart, ...] = Field(description="All devices.")


class Surveyed(Base):
    """A device was read, before anything is sent to it."""

    event: Literal["survey"] = "survey"
    device: Name
    well: bool = Field(description="Whether it is as it must be.")
    words: str = Field(description="What is wrong with it otherwise.")


class WaveBegun(Base):
    """A wave begins; or, with `back`, the way back of one."""

    event: Literal["wave"] = "wave"
    wave: Wave = Field(description="Counted from 1.")
    of: Wave = Field(description="How many waves there are.")
    direction: Direction = Field(description="`forward`, or `back`.")
    words: str = Field(description="How many devices go.")
    left: Range | None = Field(
        description="How long the rest of the run may take, if no gate holds and no quiet hours "
        "come between; null where nobody can tell."
    )


class DeviceChanged(Base, StandingPart):
    """A device came to a state, or there is news of it in the state it has."""

    event: Literal["device"] = "device"


class Remarked(Base):
    """A remark, on a device or on the run. It changes no state."""

    event: Literal["remark"] = "remark"
    device: str = Field(description="A device's name; empty if it is about the run.")
    words: str = Field(description="The remark.")


class Judged(Base):
    """The gate after a wave."""

    event: Literal["gate"] = "gate"
    wave: Wave = Field(description="Counted from 1.")
    open: bool = Field(description="Whether the next wave may go.")
    shut_by: tuple[Name, ...] = Field(description="Devices that keep it shut.")
    words: str = Field(description="The same in words.")
    left: Range | None = Field(description="As in `wave`.")


class Waits(Base):
    """What the tool waits for now, other than devices on their way."""

    event: Literal["waits"] = "waits"
    words: str = Field(description="What for; empty when it goes on.")


class Ended(Base):
    """The last line: how the work of this command ended."""

    event: Literal["ended"] = "ended"
    exit: int = Field(description="The exit code of the command; see docs/exit-codes.md.")
    name: str = Field(description="The name of that code.")
    headline: str = Field(description="How it ended, in a sentence.")
    reasons: tuple[str, ...] = Field(description="Why, in sentences.")
    waits_for_access_point: bool = Field(
        description="Whether the owner is to change the access point now; then go on with "
        "`migrate resume --flipped`."
    )
    problems: tuple[ProblemPart, ...] = Field(description="What broke it off, if something did.")
    advice: tuple[AdvicePart, ...] = Field(description="What can be done next.")
    outputs_amiss: tuple[str, ...] = Field(
        description="Outputs that are not as they were, in sentences."
    )
    devices: tuple[StandingPart, ...] = Field(description="Where every device stands.")
    journal: str = Field(description="Path of the journal.")
    report: str = Field(description="Path of the report; empty if there is none.")


Event = Annotated[
    Begun | Surveyed | WaveBegun | DeviceChanged | Remarked | Judged | Waits | Ended,
    Field(discriminator="event"),
]
EVENTS: Final[tuple[type[Base], ...]] = (
    *(Begun, Surveyed, WaveBegun, DeviceChanged, Remarked, Judged, Waits, Ended),
)
SCHEMA: Final[TypeAdapter[Event]] = TypeAdapter(Event)


class Events:
    """Looks on, and writes. `write` takes a line without its end, ASCII alone; `run` is the run's
    name; `journal` its path."""

    def __init__(
        self, scene: Scene, write: Callable[[str], None], run: str, journal: str, at: datetime
    ) -> None:
        self._scene = scene
        self._out = write
        self._run = run
        self._seq = 0
        self._over = False
        plan = scene.plan
        self._write(
            Begun,
            at,
            tool=plan.tool,
            plan=plan.digest,
            title=plan.title,
            leg=LegPart(
                number=plan.leg.number,
                of=plan.leg.of,
                what=plan.leg.what,
                together=plan.leg.together,
            ),
            journal=journal,
            waves=tuple(
                PlannedWavePart(
                    wave=number,
                    devices=wave.devices,
                    exposure=wave.exposure,
                    seconds=Range(least=wave.seconds.least, most=wave.seconds.most),
                )
                for number, wave in enumerate(plan.waves, 1)
            ),
            devices=tuple(_known(scene, spot) for spot in scene.spots.values()),
        )

    def see(self, news: Tidings, at: datetime) -> None:
        """Something happened."""
        scene, words = self._scene, harmless(news.words)
        if self._over:
            return  # a task that is cancelled late may still have something to say
        if news.kind == "survey":
            self._write(Surveyed, at, device=news.name, well=words == FOUND, words=words)
        elif news.kind == "wave" and news.wave is not None:
            self._write(
                WaveBegun,
                at,
                wave=news.wave + 1,
                of=len(scene.waves),
                direction=news.direction,
                words=words,
                left=_range(scene.left(at)),
            )
        elif news.kind == "gate" and news.wave is not None:
            names = scene.waves[news.wave].planned.devices
            shut_by = () if words == "open" else [n for n in names if not scene.spots[n].done]
            self._write(
                Judged,
                at,
                wave=news.wave + 1,
                open=words == "open",
                shut_by=tuple(shut_by),
                words=words,
                left=_range(scene.left(at)),
            )
        elif news.kind == "waiting":
            self._write(Waits, at, words=words)
        elif news.kind == "note":
            self._write(Remarked, at, device=news.name, words=words)
        elif news.name:
            self._write(DeviceChanged, at, **_device(scene.spots[news.name]))

    def end(self, ending: Ending, at: datetime) -> None:
        """The tool's work has ended."""
        outcome = ending.outcome
        if self._over:
            return
        self._write(
            Ended,
            at,
            exit=int(outcome.exit),
            name=Exit(outcome.exit).name,
            headline=harmless(outcome.headline),
            reasons=tuple(harmless(one) for one in outcome.reasons),
            waits_for_access_point=outcome.flip,
            problems=tuple(_problems(ending.problems)),
            advice=tuple(AdvicePart(command=a.command, what=a.what) for a in ending.advice),
            outputs_amiss=tuple(harmless(one) for one in ending.amiss),
            devices=tuple(StandingPart(**_device(spot)) for spot in self._scene.spots.values()),
            journal=ending.journal,
            report=ending.report,
        )
        self._over = True

    def _write(self, kind: type[Base], at: datetime, **fields: Any) -> None:
        self._seq += 1
        when = at.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")
        event = kind(seq=self._seq, at=when, run=self._run, **fields)
        # ASCII: whatever a device said, no character set and no terminal is in its way.
        self._out(json.dumps(event.model_dump(mode="json"), ensure_ascii=True))


def _range(seconds: Seconds | None) -> Range | None:
    if seconds is None:
        return None
    return Range(least=round(seconds.least, 1), most=round(seconds.most, 1))


def _known(scene: Scene, spot: Spot) -> KnownDevicePart:
    planned = scene.plan.device(spot.name)
    return KnownDevicePart(
        **_device(spot),
        mac=planned.mac,
        place=planned.place,
        dialect=planned.dialect,
        firmware=planned.firmware,
    )


def _device(spot: Spot) -> dict[str, Any]:
    return {
        "device": spot.name,
        "wave": spot.wave + 1,
        "state": spot.state,
        "direction": spot.direction,
        "written_off": spot.written_off,
        "words": harmless(spot.words),
    }


def _problems(problems: Iterable[Problem]) -> Iterable[ProblemPart]:
    for one in problems:
        yield ProblemPart(
            what=harmless(one.what),
            where=one.where,
            key=one.key,
            device=one.device,
            remedy=harmless(one.remedy),
        )
