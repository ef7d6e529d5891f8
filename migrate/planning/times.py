"""How long a move is expected to take: restart and return, then the soak. A range, no promise."""

from __future__ import annotations

from collections.abc import Iterable

from migrate.dialects.schema import Dialect
from migrate.model.fleet import Device
from migrate.model.playbook import Pace
from migrate.planning.plan import Seconds
from migrate.planning.sleep import soak_most


def device_seconds(device: Device, dialect: Dialect, pace: Pace, *, restarts: bool) -> Seconds:
    """Seconds until a device has settled, if all goes well: it restarts and returns as its dialect
    says it usually does, is noticed within one look, and soaks.

    A sleeper is told nothing until it wakes, may fall asleep again before it is seen, and soaks
    over several wakes. At the least it is awake just now, and stays awake until it has settled."""
    away, sleep = dialect.restart_seconds, device.wakes_seconds
    least = (away.least if restarts else 0.0) + pace.soak_seconds
    most = (away.most if restarts else pace.reply_seconds) + pace.look_seconds
    most += soak_most(pace.soak_seconds, sleep) + 2 * (sleep or 0.0)
    return Seconds(least=least, most=most)


def wave_seconds(devices: Iterable[Seconds]) -> Seconds:
    """Seconds for devices that go together: the slowest decides."""
    times = list(devices)
    return Seconds(least=max(t.least for t in times), most=max(t.most for t in times))


def run_seconds(waves: Iterable[Seconds]) -> Seconds:
    """Seconds for waves that go one after the other. Gates that hold, and quiet hours, are not in
    it."""
    times = list(waves)
    return Seconds(least=sum(t.least for t in times), most=sum(t.most for t in times))
