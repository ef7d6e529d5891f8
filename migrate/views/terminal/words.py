"""What the picture says in sentences: how far the run has come, how long it may take, what the tool
waits for now."""

from __future__ import annotations

from collections import Counter
from datetime import datetime

from migrate.model.lifecycle import Direction, State
from migrate.views.scene import Scene, Spot
from migrate.views.words import count, lasting, some, span, tally

WAITS_FOR = {State.SENDING: "to answer", State.AWAY: "to come back", State.SEEN: "to stay well"}
"""What a device that is on its way is expected to do next."""


def standing(scene: Scene) -> str:
    """`9 of 24 devices have settled, 1 written off`; on the way back, how many are where."""
    spots = scene.spots.values()
    off = sum(spot.written_off for spot in spots)
    more = f", {off} written off" if off else ""
    if scene.direction is Direction.BACK:
        return f"way back: {tally(spot.state for spot in spots)}{more}"
    settled = sum(spot.state is State.SETTLED for spot in spots)
    return f"{settled} of {count(len(spots), 'device')} settled{more}"


def left(scene: Scene, at: datetime) -> str:
    """How long the rest may take, in words; empty where there is nothing to say of it."""
    if scene.ending or scene.direction is Direction.BACK or scene.plan.leg.together:
        return ""
    if scene.faulty:
        return "time left depends on what you decide"
    seconds = scene.left(at)
    if seconds is None:
        return ""
    rest = [name for wave in scene.waves if not wave.done for name in wave.planned.devices]
    quiet = any(scene.plan.device(name).quiet for name in rest)
    but = "if no gate holds" + (", quiet hours not counted" if quiet else "")
    return f"about {span(_calm(seconds.least), _calm(seconds.most))} left, {but}"


def _calm(seconds: float) -> float:
    """Not counted down second by second: an estimate is not that exact."""
    step = 5 if seconds > 10 else 1
    return step * round(seconds / step)


def now_waiting(scene: Scene, at: datetime) -> str:
    """What the tool waits for, in a sentence without an end."""
    if scene.ending:
        return ""
    if scene.waiting:
        read = len(scene.surveyed) - len(scene.unwell)
        if scene.wave is None and scene.surveyed:
            ill = f", {len(scene.unwell)} not as they must be" if scene.unwell else ""
            return f"{scene.waiting}; {read} read so far{ill}"
        return scene.waiting
    under_way = scene.under_way
    if under_way:
        return _for_devices(under_way, at)
    adrift = [spot for spot in scene.faulty if spot.state is State.ADRIFT]
    if scene.wave is not None and not scene.waves[scene.wave].gate and adrift:
        return f"still looks for {some([spot.name for spot in adrift], 3)}"
    asleep = [spot for spot in _of_wave(scene) if _sleeps(scene, spot)]
    if asleep:
        return f"waits for {count(len(asleep), 'device')} to wake"
    return "starting" if scene.wave is None else ""


def _for_devices(under_way: list[Spot], at: datetime) -> str:
    """`waits for 1 device to answer, 2 to come back; porch-light the longest, 12 s`."""
    first = under_way[0]
    so_long = for_so_long(first.since, at) if first.since else ""
    if len(under_way) == 1:
        told = f"waits for {first.name} {WAITS_FOR[first.state]}"
        return f"{told}, {so_long} so far" if so_long else told
    numbers = Counter(spot.state for spot in under_way)
    parts = [f"{numbers[s]} {words}" for s, words in WAITS_FOR.items() if numbers[s]]
    number, _, words = parts[0].partition(" ")
    told = ", ".join([f"waits for {count(int(number), 'device')} {words}", *parts[1:]])
    return f"{told}; {first.name} the longest, {so_long}" if so_long else told


def for_so_long(since: datetime, at: datetime) -> str:
    """`12 s`, `4 min`."""
    return lasting(max(0.0, (at - since).total_seconds()))


def state_in_words(spot: Spot, at: datetime) -> str:
    """`away 12 s`: its state, and for how long if it goes on."""
    lasts = spot.since is not None and (spot.under_way or spot.faulty)
    return f"{spot.state} {for_so_long(spot.since, at)}" if lasts and spot.since else spot.state


def _of_wave(scene: Scene) -> list[Spot]:
    if scene.wave is None:
        return []
    return [scene.spots[name] for name in scene.waves[scene.wave].planned.devices]


def _sleeps(scene: Scene, spot: Spot) -> bool:
    return not spot.done and scene.plan.device(spot.name).wakes_seconds is not None
