"""The order of things, by the lab's own timeline: invariants 1, 2, 3, 6, 7, 8 and 9 of the design.

Each check looks at the devices and at the file on disk at the moment a message leaves.
"""

from __future__ import annotations

import json
import sqlite3
from dataclasses import dataclass, field
from itertools import combinations

import pytest
from scipy.stats import beta

from migrate.lab import Unit
from migrate.model.lifecycle import State
from migrate.model.problems import Exit
from migrate.model.secrets import SecretRef
from migrate.model.settings import FrozenBundle

from .harness import Dev, House, HouseMaker, Pace
from .together import Running, Together
from .watch import Passed, Watch

together = Together()
RANK = {"table": 0, "ladder": 1, "tools": 2}
FLEET = [
    Dev("desk", "larch"),
    Dev("shelf", "larch", "mqtt"),
    Dev("stair-low", "larch", cover="stairs"),
    Dev("stair-high", "larch", "mqtt", cover="stairs"),
    Dev("attic", "larch", "mqtt", reach="ladder"),
    Dev("eaves", "larch", reach="tools"),
    Dev("kettle", "rowan"),
    Dev("radio", "rowan", "mqtt"),
    Dev("yard", "rowan", reach="ladder"),
    Dev("loft-plug", "rowan", "mqtt", feeds="access-point"),
    Dev("bed-left", "sedge", cover="bed"),
    Dev("bed-right", "sedge", "mqtt", cover="bed"),
    Dev("fridge", "sedge", load="a fridge"),
    Dev("cellar-plug", "sedge", feeds="loft-plug"),
]
PACE = Pace(stranded_at_most=2, confidence=0.9, soak_seconds=0.1)


@dataclass
class OnDisk:
    """Looks, as another process would, at what is on disk when a settings message leaves."""

    house: House
    looked: list[str] = field(default_factory=list)

    def __call__(self, one: Passed) -> None:
        if one.kind == "read":
            return
        with sqlite3.connect(f"{self.house.journal.path.as_uri()}?mode=ro", uri=True) as disk:
            query = (
                "SELECT device.state, device.given, way_back.bundle, survey.readings, direction "
                "FROM device JOIN way_back USING (name) JOIN survey USING (name) WHERE name = ?"
            )
            row = disk.execute(query, (one.name,)).fetchone()
        disk.close()
        assert row is not None, f"{one.name} has no way back on disk"
        state, given, way_back, survey, direction = row
        if one.kind == "write":
            assert state == "sending"
            planned = self.house.plan.device(one.name)
            bundle = way_back if direction == "back" else json.dumps(_plain(planned.bundle))
            assert json.loads(given) == json.loads(bundle)
        before = self.house.before[one.name]
        assert json.loads(way_back)["wifi.ssid"] == before.wifi_name
        assert json.loads(way_back)["broker.port"] == before.broker_port
        assert json.loads(survey)["settings"]["broker.host"] == before.broker_host
        self.looked.append(one.name)


def _plain(bundle: FrozenBundle) -> dict[str, object]:
    return {
        str(k): v.model_dump(exclude_none=True) if isinstance(v, SecretRef) else v
        for k, v in bundle.items()
    }


def away(unit: Unit) -> list[tuple[float, float]]:
    """When it was on no network, or not at its broker: loop times in seconds."""
    spans, left = [], None
    for at, what in unit.history:
        if what in ("restart began", "left") and left is None:
            left = at
        elif what == "up" and left is not None:
            spans.append((left, at))
            left = None
    assert left is None, f"{unit.name} is still away"
    return spans


def bound(returns: int) -> float:
    """Clopper and Pearson (1934), one-sided, no faults: the reference is scipy's beta quantile."""
    return float(beta.ppf(PACE.confidence, 1, returns)) if returns else 1.0


@together
async def forward_and_back(make_house: HouseMaker) -> None:
    async with make_house(*FLEET, change=("wifi", "broker"), pace=PACE) as house:
        disk, watch = OnDisk(house), Watch(house)
        watch.before.append(disk)
        assert (await house.forward(bend=watch)).exit is Exit.DONE
        assert [name for name in house.lab.units if not house.moved(name)] == []
        sent = {one.name: one for one in watch.writes}
        settled = {t.name: at for at, t in house.told if t.state is State.SETTLED}

        # 1: looked at for each message that changes something, restarts included.
        assert set(disk.looked) == set(house.lab.units)
        # 3: one message each, with everything in it.
        assert sorted(watch.written()) == sorted(house.lab.units)
        assert {len(unit.messages_that_changed) for unit in house.lab.units.values()} == {1}
        invariant_2(house, sent, settled)
        invariant_6(house, settled)
        invariant_7(house, sent, settled)
        invariant_8(sent, settled)
        invariant_9(sent, settled)

        back = Watch(house)
        back.before.append(disk)
        assert (await house.back(bend=back)).exit is Exit.DONE
        assert [name for name in house.lab.units if not house.as_before(name)] == []
        restored = {t.name: at for at, t in house.told if t.state is State.RESTORED}
        invariant_7(house, {one.name: one for one in back.writes}, restored)
        assert {len(unit.messages_that_changed) for unit in house.lab.units.values()} == {2}


def invariant_2(house: House, sent: dict[str, Passed], settled: dict[str, float]) -> None:
    """Nobody of a wave is sent anything before every earlier wave is settled, in truth too."""
    for index, wave in enumerate(house.plan.waves):
        earlier = [name for before in house.plan.waves[:index] for name in before.devices]
        for name in wave.devices:
            assert [n for n in earlier if sent[name].where[n] != "new"] == []
            assert [n for n in earlier if settled[n] > sent[name].at] == []


def invariant_6(house: House, settled: dict[str, float]) -> None:
    """Up without a break for the whole soak."""
    for name, unit in house.lab.units.items():
        joined = [at for at, what in unit.history if what == "joined new"]
        assert settled[name] - joined[-1] >= PACE.soak_seconds


def invariant_7(house: House, sent: dict[str, Passed], done: dict[str, float]) -> None:
    """Devices of one cover never away together; carriers alone, fed ones before their feeders."""
    for cover in ("stairs", "bed"):
        pair = [device.name for device in FLEET if device.cover == cover]
        for one, other in combinations(pair, 2):
            first, second = sorted((one, other), key=lambda name: sent[name].at)
            assert done[first] <= sent[second].at
            spans = [(span, name) for name in pair for span in away(house.unit(name))]
            for (span, name), (next_span, next_name) in combinations(sorted(spans), 2):
                assert name == next_name or span[1] <= next_span[0]
    for carrier in (device.name for device in FLEET if device.feeds):
        during = (sent[carrier].at, done[carrier])
        others = [
            n for n in sent if n != carrier and sent[n].at < during[1] and done[n] > during[0]
        ]
        assert others == []
    assert max(sent, key=lambda name: sent[name].at) == "cellar-plug"
    assert sorted(sent, key=lambda name: sent[name].at)[-2] == "loft-plug"


def invariant_8(sent: dict[str, Passed], settled: dict[str, float]) -> None:
    """At every moment the bounds of all that are away add up to what the owner accepted."""
    family = {device.name: device.family for device in FLEET}
    for moment in sorted(one.at for one in sent.values()):
        gone = [name for name in sent if sent[name].at <= moment < settled[name]]
        exposure = 0.0
        for name in gone:
            twins = [n for n in sent if family[n] == family[name]]
            # What was known when its wave was let go: no later than its own message.
            exposure += bound(sum(settled[n] <= sent[name].at for n in twins))
        assert len(gone) == 1 or exposure <= PACE.stranded_at_most + 1e-9


def invariant_9(sent: dict[str, Passed], settled: dict[str, float]) -> None:
    """No device goes before an easier twin has proved the move; carriers have their own rule."""
    for device in FLEET:
        easier = [
            twin.name
            for twin in FLEET
            if twin.family == device.family
            and RANK[twin.reach] < RANK[device.reach]
            and not twin.feeds
        ]
        if easier and not device.feeds:
            assert any(settled[name] <= sent[device.name].at for name in easier)
    first = min(sent, key=lambda name: sent[name].at)
    pilot = next(device for device in FLEET if device.name == first)
    assert (pilot.reach, pilot.load, pilot.cover, pilot.feeds) == ("table", "", "", "")
    assert [n for n in sent if n != first and sent[n].at < settled[first]] == []


@together
async def carriers_go_last_on_the_way_back_too(make_house: HouseMaker) -> None:
    """A feeder's restart could take the network from under those that are on their way."""
    devices = [
        Dev("a-pilot"),
        Dev("fan", "sedge"),
        Dev("z-last", feeds="access-point"),
        Dev("y-fed", feeds="z-last"),
    ]
    async with make_house(*devices, change=("wifi",)) as house:
        forward, back = Watch(house), Watch(house)
        assert (await house.forward(bend=forward)).exit is Exit.DONE
        assert forward.written()[-2:] == ["z-last", "y-fed"]
        assert (await house.back(bend=back)).exit is Exit.DONE
        assert back.written()[-2:] == ["z-last", "y-fed"]
        assert [name for name in house.lab.units if not house.as_before(name)] == []


@pytest.mark.asyncio(loop_scope="module")
@pytest.mark.parametrize("scenario", together.names)
async def test_order(scenario: str, running: Running) -> None:
    await running(scenario)
