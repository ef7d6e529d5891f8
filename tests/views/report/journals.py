"""Journals of runs that never were: by lawful steps, and by a clock that is told the time."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import UTC, datetime, timedelta
from pathlib import Path
from random import Random
from typing import Any

from migrate.journal.store import ADMITTED, Journal
from migrate.model.lifecycle import FAULTS, Event, State
from migrate.model.secrets import SecretRef
from migrate.model.settings import FrozenBundle, Setting
from migrate.planning.gates import admit
from migrate.planning.plan import Plan
from tests.planning.samples import WHOLE, device, plan_of

PACE = "[pace]\nstranded_at_most = 2\nconfidence = 0.9\nwidest_wave = 400\n"
OLD: FrozenBundle = {
    Setting.WIFI_SSID: "attic",
    Setting.WIFI_SECRET: SecretRef(env="OLD_WIFI"),
    Setting.BROKER_HOST: "192.0.2.2",
    Setting.GROUP_TOPIC: "house-old",
}
READ = {"settings": {"wifi.ssid": "attic", "broker.host": "192.0.2.2"}, "side": "old"}


def plan_for(number: int, **more: Any) -> Plan:
    """So many devices of two families that listen to a broker, ready to go; `more` for each."""
    devices = [
        device(
            f"lamp-{index}",
            index + 1,
            dialect=("larch", "rowan")[index % 2],
            firmware="1.0",
            via="mqtt",
            address=None,
            place=f"room {index // 4 + 1}",
            **more,
        )
        for index in range(number)
    ]
    playbook = WHOLE + PACE
    if number > 200:  # more than fit a documentation network: those of RFC 2544
        playbook = playbook.replace("198.51.100.0/24", "198.18.0.0/16")
    return plan_of(devices, playbook)


class Run:
    """A run as the conductor would write it down. `faults`: what befalls a device when it is sent
    its bundle for the first time."""

    def __init__(
        self, folder: Path, plan: Plan, faults: Mapping[str, State] | None = None, seed: int = 1
    ) -> None:
        self.time = datetime(2026, 1, 1, 20, 0, tzinfo=UTC)
        self.plan = plan
        self.faults = dict(faults or {})
        self.random = Random(seed)  # noqa: S311
        path = folder / "runs" / "one" / "journal.sqlite3"
        self.journal = Journal.create(path, plan, self._now, {})
        for one in plan.devices:
            self.journal.record_before(one.name, READ, {**one.bundle, **OLD})

    def _now(self) -> datetime:
        self.time += timedelta(milliseconds=2)
        return self.time

    def wait(self, seconds: float) -> None:
        """Time passes; or the clock is set back."""
        self.time += timedelta(seconds=seconds)

    def in_states(self, *states: State) -> list[str]:
        """Devices that are in one of these, and are waited for."""
        rows = self.journal.rows()
        return [row.name for row in rows if row.state in states and not row.written_off]

    def forward(self, again: Iterable[str] = ()) -> bool:
        """Wave after wave, until all are done or a gate holds."""
        for index, wave in enumerate(self.plan.waves):
            rows = {name: self.journal.row(name) for name in wave.devices}
            todo = [
                name
                for name, row in rows.items()
                if not row.written_off and (row.state is State.WAITING or name in again)
            ]
            if todo and not self.wave(index, todo):
                return False
        self.journal.remark("finished", "every device settled or written off")
        return True

    def wave(self, index: int, todo: list[str]) -> bool:
        """One wave; whether its gate opens."""
        while todo:
            admission = admit(self.plan, self.journal.standings(), todo)
            here = list(admission.admitted)
            if not here:
                break
            words = f"{len(here)} of {len(todo)}, exposure {admission.exposure:.3f}"
            self.journal.remark(ADMITTED, words, index)
            self.send(here)
            todo = [name for name in todo if name not in here]
            if any(self.journal.row(name).state in FAULTS for name in here):
                break
        failed = [
            name
            for name in self.plan.waves[index].devices
            if not self.journal.row(name).standing.well
        ]
        if failed:
            self.journal.remark("gate shut", ", ".join(failed), index)
            self.journal.remark("held", ", ".join(failed), index)
            return False
        self.journal.remark("gate open", f"wave {index + 1}", index)
        return True

    def send(self, names: list[str]) -> None:
        """Side by side: all are sent, then all come, then all soak."""
        fates = {name: self.faults.pop(name, None) for name in names}
        for name in names:
            self.journal.intend(name, self.plan.device(name).bundle, 4000.0)
        for name in names:
            if fates[name] is State.DECLINED:
                self.journal.step(name, Event.DECLINE, "it declined: no room")
            else:
                self.journal.step(name, Event.SENT, "it said yes")
        away = [name for name in names if self.journal.row(name).state is State.AWAY]
        self.wait(6)
        arrived = []
        for name in away:
            self.wait(self.random.random() * 20 / len(away))
            if fates[name] is State.RETURNED:
                words = "at 192.0.2.9, restarted, with its former settings"
                self.journal.step(name, Event.COME_BACK, words)
            elif fates[name] is None:
                took = self.random.uniform(6, 26)
                self.journal.step(name, Event.ARRIVE, f"at 198.51.100.9 after {took:.1f} s", took)
                arrived.append(name)
        self.wait(20)
        for name in arrived:
            self.journal.step(name, Event.SOAK, "well for 20.0 s")
        for name in away:
            if fates[name] is State.ADRIFT:
                self.wait(100)
                self.journal.step(name, Event.EXPIRE, "on neither side for 180 s")

    def late(self, name: str) -> None:
        """One that was given up comes after all."""
        self.journal.step(name, Event.ARRIVE, "found after all")
        self.wait(20)
        self.journal.step(name, Event.SOAK, "well for 20.0 s")

    def back(self) -> None:
        """Everything that moved is taken back, the last wave first."""
        for index in reversed(range(len(self.plan.waves))):
            names = [
                name
                for name in self.plan.waves[index].devices
                if self.journal.row(name).state is State.SETTLED
            ]
            if not names:
                continue
            for name in names:
                self.journal.turn(name)
            for name in names:
                self.journal.intend(name, self.journal.way_back(name) or {})
                self.journal.step(name, Event.SENT, "it said yes")
            self.wait(9)
            for name in names:
                self.journal.step(name, Event.ARRIVE, "at 192.0.2.9 after 9.0 s", 9.0)
            self.wait(20)
            for name in names:
                self.journal.step(name, Event.SOAK, "well for 20.0 s")
            self.journal.remark("back", f"{len(names)} of {len(names)}", index)
        self.journal.remark("rolled back", "all that moved")
