"""What open pages are told: first the whole picture, then what has changed in it.

Plain data for JSON, in words where people read it; names and last words are made harmless, and
the page takes all of them as text. Times are milliseconds since 1970 in UTC, as browsers count.
There is no I/O and no clock here.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from datetime import datetime
from typing import Any, Final

from migrate.model.lifecycle import FAULTS, UNRESOLVED, Direction, State
from migrate.views.ending import Ending
from migrate.views.lines import harmless
from migrate.views.rescue import Line
from migrate.views.scene import Scene, Spot, WaveNow
from migrate.views.words import count, some, span, tally

Message = dict[str, Any]

MEANINGS: Final = {
    State.WAITING: "nothing has been sent to it yet; on the way back it is still on the new side",
    State.SENDING: "its new settings are being sent",
    State.AWAY: "it has them and has left; it is looked for",
    State.SEEN: "it is found again, and must now stay well for a while",
    State.SETTLED: "it is on the new side and stayed well",
    State.DECLINED: "it said no, and is as it was",
    State.RETURNED: "it came back by itself to the side it was on",
    State.ADRIFT: "it is on neither side, and its time is up",
    State.RESTORED: "it was taken back, and is as it was before",
}
"""The states, for somebody who meets them on the page first."""
AT_REST: Final = (State.WAITING, State.SETTLED, State.RESTORED)
REMARKS: Final = 30
"""Latest remarks that a page shows."""


class Pictures:
    """The scene as messages, and what of it has been told so far."""

    def __init__(self, scene: Scene, run: str) -> None:
        self._scene = scene
        self._run = run
        self._places = list(dict.fromkeys(device.place for device in scene.plan.devices))
        place = {name: number for number, name in enumerate(self._places)}
        self._place = {device.name: place[device.place] for device in scene.plan.devices}
        self._number = {name: number for number, name in enumerate(scene.spots)}
        self._spots: dict[str, Spot] = dict(scene.spots)
        self._waves = [_wave(wave) for wave in scene.waves]
        self._remarks = list(scene.remarks)
        self._missing: tuple[Line, ...] = ()

    def missing(self, lines: Sequence[Line]) -> None:
        """How to get those back that nobody can find; none if nobody is missing."""
        self._missing = tuple(lines)

    def whole(self, at: datetime) -> Message:
        """Everything."""
        scene = self._scene
        return {
            "run": harmless(self._run),
            "digest": scene.plan.digest,
            "title": harmless(scene.plan.title),
            "leg": harmless(scene.leg[:1].upper() + scene.leg[1:]),
            "meanings": [[str(state), words] for state, words in MEANINGS.items()],
            "places": [harmless(place) for place in self._places],
            "devices": [self._device(spot, born=True) for spot in scene.spots.values()],
            "waves": [
                {"i": number, **_wave(wave), "title": _wave_title(number)}
                for number, wave in enumerate(scene.waves)
            ],
            "standing": self.standing(at),
            "remarks": self._latest(),
        }

    def part(self, at: datetime) -> Message:
        """What has changed since it was asked last."""
        scene, before = self._scene, self._spots
        # Spots are never changed in place, so most are seen to be the same at a glance.
        changed = [
            spot
            for name, spot in scene.spots.items()
            if spot is not before[name] and spot != before[name]
        ]
        self._spots = dict(scene.spots)
        waves = [_wave(wave) for wave in scene.waves]
        turned = [
            {"i": number, **wave}
            for number, wave in enumerate(waves)
            if wave != self._waves[number]
        ]
        self._waves = waves
        said, self._remarks = self._scene.remarks != self._remarks, list(self._scene.remarks)
        return {
            "devices": [self._device(spot) for spot in changed],
            "waves": turned,
            "standing": self.standing(at),
            "remarks": self._latest() if said else None,
        }

    def standing(self, at: datetime) -> Message:
        """How the run stands, in words, and what is to be done."""
        scene = self._scene
        left = scene.left(at)
        ending = scene.ending
        return {
            "at": _millis(at),
            "how": how(scene),
            "parts": parts(scene.spots.values()),
            "left": span(left.least, left.most) if left else "",
            "waits": harmless(waits_for(scene)),
            "gate": harmless(_gate(scene)),
            "wave": scene.wave,
            "faulty": [self._number[spot.name] for spot in scene.faulty],
            "ending": _ending(ending, scene.faulty) if ending else None,
            "missing": [[line.kind, harmless(line.words)] for line in self._missing],
        }

    def _device(self, spot: Spot, *, born: bool = False) -> Message:
        told: Message = {
            "i": self._number[spot.name],
            "state": str(spot.state),
            "label": label(spot),
            "words": harmless(spot.words),
            "since": _millis(spot.since) if spot.since else None,
            "moving": spot.under_way or spot.faulty,
        }
        if born:
            told |= {
                "name": harmless(spot.name),
                "place": self._place[spot.name],
                "wave": spot.wave + 1,
            }
        return told

    def _latest(self) -> list[Message]:
        return [
            {
                "at": _millis(remark.at),
                "name": harmless(remark.name),
                "words": harmless(remark.words),
            }
            for remark in self._scene.remarks[-REMARKS:]
        ]


def how(scene: Scene) -> str:
    """How it stands, in a sentence."""
    spots = list(scene.spots.values())
    off = sum(spot.written_off for spot in spots)
    total = count(len(spots), "device")
    there = sum(_there(spot) and not spot.written_off for spot in spots)
    restored = sum(spot.state is State.RESTORED for spot in spots)
    words = f"{there} of {total} {'is' if there == 1 else 'are'} on the new side"
    if any(spot.direction is Direction.BACK for spot in spots):
        words += f", {restored} taken back"
    return words + (f", {off} written off" if off else "") + "."


def parts(spots: Iterable[Spot]) -> list[int]:
    """How many devices are on the new side, between, in trouble, on the old side."""
    spots = [spot for spot in spots if not (spot.written_off and spot.state in FAULTS)]
    there = sum(map(_there, spots))
    states = Counter(spot.state for spot in spots)
    return [
        there,
        sum(states[state] for state in UNRESOLVED),
        sum(states[state] for state in FAULTS),
        sum(states[state] for state in AT_REST) - there,
    ]


def _there(spot: Spot) -> bool:
    """Whether it is at rest on the new side: also if it is to be taken back, and was not sent its
    way back yet."""
    back = spot.direction is Direction.BACK and spot.state is State.WAITING
    return back or spot.state is State.SETTLED


def waits_for(scene: Scene) -> str:
    """What the tool waits for now."""
    if scene.ending is not None:
        return "you to change the access point" if scene.ending.outcome.flip else ""
    if scene.waiting:
        if scene.wave is None and scene.surveyed:
            return f"{scene.waiting} ({len(scene.surveyed)} read)"
        return scene.waiting
    return some([spot.name for spot in scene.under_way], 3)


def label(spot: Spot) -> str:
    """The state of a device in words."""
    back = " (way back)" if spot.direction is Direction.BACK else ""
    return f"{spot.state}{back}{', written off' if spot.written_off else ''}"


def _gate(scene: Scene) -> str:
    judged = [(n, wave.gate) for n, wave in enumerate(scene.waves) if wave.gate]
    if not judged:
        return ""
    number, words = judged[-1]
    return f"after wave {number + 1}: {words}"


def _wave(wave: WaveNow) -> Message:
    total = len(wave.planned.devices)
    return {
        "words": tally(wave.states.elements()),
        "gate": harmless(wave.gate),
        "done": wave.done,
        "share": [total - wave.not_done, total],
    }


def _wave_title(number: int) -> str:
    return f"Wave {number + 1}, pilot" if number == 0 else f"Wave {number + 1}"


def _ending(ending: Ending, faulty: Sequence[Spot]) -> Message:
    own = [f"{spot.name} {spot.state.told}:" for spot in faulty]
    return {
        "done": ending.outcome.done,
        "headline": harmless(ending.outcome.headline[:1].upper() + ending.outcome.headline[1:]),
        # What is said of a device that stands below with its last words is not said twice.
        "reasons": [
            harmless(reason)
            for reason in ending.outcome.reasons
            if not any(reason.startswith(words) for words in own)
        ],
        "problems": [[harmless(str(one.what)), harmless(one.remedy)] for one in ending.problems],
        "advice": [[harmless(one.command), harmless(one.what)] for one in ending.advice],
        "amiss": [harmless(one) for one in ending.amiss],
    }


def _millis(at: datetime) -> int:
    return round(at.timestamp() * 1000)
