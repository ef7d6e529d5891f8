"""How long waves take, against what cannot be avoided: the slowest device's restart, plus soak.

Moves a lab of simulated devices on real loopback sockets and prints, for each wave, its time from
the first send to its gate and the ratio to that baseline, both measured in the same run.

    python benchmarks/crossing.py [DEVICES]        (200 without a number)
"""

from __future__ import annotations

import asyncio
import sys
import tempfile
import time
from datetime import datetime
from pathlib import Path
from statistics import median
from typing import get_args

from migrate.cli.conduct import world_for
from migrate.cli.plan import plan_for
from migrate.engine.conductor import Conductor
from migrate.engine.crew import muster
from migrate.journal.rows import Entry
from migrate.journal.store import Journal
from migrate.lab.brokers import MosquittoBroker
from migrate.lab.cottage import Cottage, Item
from migrate.lab.lab import BrokerKind
from migrate.lab.specs import Family
from migrate.ports.files import load
from migrate.ports.secret_reader import SecretReader
from migrate.ports.sockets import now

SOAK = 3.0
PACE = f"""stranded_at_most = 200
widest_wave = 50
soak_seconds = {SOAK}
deadline_seconds = {{ least = 10, most = 30 }}
reply_seconds = 5
look_seconds = 0.5
"""


def _items(number: int) -> list[Item]:
    families: tuple[Family, ...] = get_args(Family)
    return [
        Item(f"unit-{n:03d}", families[n % 3], "http" if n // 3 % 2 else "mqtt", f"room {n % 12}")
        for n in range(number)
    ]


def _seconds(start: Entry, end: Entry) -> float:
    return (datetime.fromisoformat(end.at) - datetime.fromisoformat(start.at)).total_seconds()


async def main(number: int) -> None:
    """Move the lab and print the table."""
    with tempfile.TemporaryDirectory() as folder:
        kind = BrokerKind.MOSQUITTO if MosquittoBroker.available() else BrokerKind.EMBEDDED
        print(f"brokers: {kind.value}")
        house = Cottage(Path(folder), _items(number), pace=PACE, brokers=kind)
        begun = time.monotonic()
        async with house.lab as lab:
            print(f"{number} devices up after {time.monotonic() - begun:.1f} s")
            house.write()
            secret_reader = SecretReader()
            inputs = load(house.fleet, house.playbook)
            plan = plan_for(inputs, secret_reader)
            journal = Journal.create(Path(folder, "run", "journal.sqlite3"), plan, now, {})
            crew = muster(plan, inputs, secret_reader.resolve)
            cpu = time.process_time()
            async with world_for(crew) as world:
                outcome = await Conductor(crew, journal, world, secret_reader.redactor()).forward()
            cpu = time.process_time() - cpu
            print(outcome.headline, *outcome.reasons, sep="\n")
            moved = sum(lab.where(name) == "new" for name in lab.units)
            print(
                f"{moved} of {number} on the new network by the lab's own account; CPU {cpu:.1f} s"
            )
            ratios = []
            for index, wave in enumerate(plan.waves):
                lines = [e for e in journal.entries() if e.wave == index]
                sent = [e for e in lines if e.kind == "intend"]
                gate = next(e for e in reversed(lines) if e.kind.startswith("gate"))
                took = _seconds(sent[0], gate)
                slowest = max(_restart(lab.units[name].history) for name in wave.devices)
                ratios.append(took / (slowest + SOAK))
                print(
                    f"wave {index + 1}: {len(wave.devices):3d} devices  {took:5.2f} s  slowest "
                    f"restart {slowest:4.2f} s + soak {SOAK:.2f} s  ratio {ratios[-1]:.2f}"
                )
            print(f"median ratio {median(ratios):.2f}")
            journal.close()


def _restart(history: list[tuple[float, str]]) -> float:
    """From the settings taken to up again, seconds, by the unit's own clock."""
    began = max(at for at, what in history if what == "restart began")
    return max(at for at, what in history if what == "up") - began


if __name__ == "__main__":
    asyncio.run(main(int(sys.argv[1]) if len(sys.argv) > 1 else 200))
