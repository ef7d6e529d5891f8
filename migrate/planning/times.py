"""How long a move is expected to take: restart and return, then the soak. A range, no promise."""

from __future__ import annotations

from collections.abc import Iterable

from migrate.dialects.schema import Dialect
from migrate.model.fleet import Device
from migrate.model.playbook import Pace
from migrate.planning.plan import Seconds


def device_seconds(device: Device, dialect: Dialect, pace: Pace, *, restarts: bool) -> Seconds:
    """Seconds until a device has settled, if all goes well: it wakes (if it sleeps), restarts and
    returns as its dialect says it usually does, is noticed within one look, and soaks."""
    away = dialect.restart_seconds
    sleep = device.wakes_seconds or 0.0
    least = (away.least if restarts else 0.0) + pace.soak_seconds
    most = (away.most if restarts else pace.reply_seconds) + pace.look_seconds + pace.soak_seconds
    # Asleep it can be told nothing until it wakes; and it is seen well only when it wakes again.
    return Seconds(least=least + sleep, most=most + 2 * sleep)


def wave_seconds(devices: Iterable[Seconds]) -> Seconds:
    """Seconds for devices that go together: the slowest decides."""
    times = list(devices)
    return Seconds(least=max(t.least for t in times), most=max(t.most for t in times))


def run_seconds(waves: Iterable[Seconds]) -> Seconds:
    """Seconds for waves that go one after the other. Gates that hold, and quiet hours, are not in
    it."""
    times = list(waves)
    return Seconds(least=sum(t.least for t in times), most=sum(t.most for t in times))
