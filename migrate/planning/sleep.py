"""Sleepers: devices that sleep, and wake every so many seconds for a short while.

That battery devices do so is common practice, no source. Nothing can be told to one that sleeps,
so its message is delivered when it wakes. It is never left with the broker as a retained message:
the device would obey it again at each connection (common practice).
"""

from __future__ import annotations

from collections.abc import Mapping
from math import floor

from migrate.dialects.schema import Dialect
from migrate.model.fleet import Fleet
from migrate.model.problems import Problem

PATIENCE = 1.5
"""Periods within which a sleeper must have woken: one, and half of one for a clock that drifts and
a wake that was missed (common practice, no source)."""


def until_awake(wakes_seconds: float | None) -> float:
    """Seconds to wait for a sleeper to wake; 0 for a device that does not sleep."""
    return PATIENCE * (wakes_seconds or 0.0)


def soak_most(soak_seconds: float, wakes_seconds: float | None) -> float:
    """The longest that a device which is well takes to soak, in seconds: one that sleeps is seen
    only when it wakes, and once at least after the soak."""
    if wakes_seconds is None:
        return soak_seconds
    return wakes_seconds * (floor(soak_seconds / wakes_seconds) + 1)


def sleep_refusals(fleet: Fleet, dialects: Mapping[str, Dialect], where: str) -> list[Problem]:
    """Sleepers moved over MQTT of whose waking nobody would hear."""
    return [
        Problem(
            f"sleeps, and is moved over MQTT, but its dialect {device.dialect} names no presence "
            "topic: nobody would hear it wake",
            "add [presence] to the dialect, or move it over HTTP",
            where,
            "wakes_seconds",
            device.name,
        )
        for device in fleet.device
        if device.wakes_seconds is not None
        and device.via == "mqtt"
        and dialects[device.dialect].presence is None
    ]
