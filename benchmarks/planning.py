"""How few waves a plan has, against a number that no plan can go below; and how long it takes.

    python -m benchmarks.planning [FLEETS]        (1,000 without a number)

Random fleets: 30 to 300 devices, 1 to 8 twin groups of different sizes, three reaches, a third of
the devices in covers of two to four, a fifth with something delicate on them, up to three that
feed the network; one to three devices may be stranded, at 90, 95 or 99 %; in two of five fleets
half of the groups have been tried before, with a fault now and then.
"""

from __future__ import annotations

import random
import resource
import sys
import time
from collections import Counter
from statistics import median

from migrate.model.fleet import Device, Reach
from migrate.model.playbook import Pace
from migrate.planning.bound import fewest_waves
from migrate.planning.exposure import Evidence, Twin
from migrate.planning.waves import make_waves

REACHES = (Reach.TABLE, Reach.TABLE, Reach.LADDER, Reach.TOOLS)


def random_fleet(seed: int, most: int = 300) -> tuple[list[Device], Pace, dict[Twin, Evidence]]:
    """The fleet of that number, its pace, and what had been shown before."""
    rng = random.Random(seed)  # noqa: S311 - the same fleet for the same number, no secret
    groups = rng.randint(1, 8)
    weights = [rng.random() + 0.1 for _ in range(groups)]
    count, carriers = rng.randint(30, most), rng.randint(0, 3)
    devices = [
        _device(
            number,
            firmware=str(rng.choices(range(groups), weights)[0]),
            reach=rng.choice(REACHES),
            load="an aquarium" if rng.random() < 0.2 else None,
            feeds=("router",) if number < carriers else (),
        )
        for number in range(count)
    ]
    loose = [number for number in range(carriers, count) if rng.random() < 1 / 3]
    while loose:
        cover = f"cover {len(loose)}"
        for number in [loose.pop() for _ in range(min(rng.randint(2, 4), len(loose)))]:
            devices[number] = devices[number].model_copy(update={"cover": cover})
    pace = Pace(stranded_at_most=rng.choice((1, 2, 3)), confidence=rng.choice((0.9, 0.95, 0.99)))
    shown = {}
    if rng.random() < 0.4:
        for group in range(groups):
            if rng.random() < 0.5:
                had = Evidence(rng.choice((1, 3, 10, 40)), rng.choice((0, 0, 0, 1)))
                shown[("larch", str(group))] = had
    return devices, pace, shown


def large_fleet(count: int) -> list[Device]:
    """Three families in four versions each, a third in covers, some hard to reach."""
    rng = random.Random(count)  # noqa: S311 - the same fleet every time, no secret
    return [
        _device(
            number,
            dialect=rng.choice(("larch", "rowan", "sedge")),
            firmware=str(rng.randrange(4)),
            reach=rng.choice(REACHES),
            cover=f"cover {rng.randrange(1 + count // 8)}" if rng.random() < 1 / 3 else None,
            load="an aquarium" if rng.random() < 0.2 else None,
        )
        for number in range(count)
    ]


def _device(number: int, *, dialect: str = "larch", **more: object) -> Device:
    # Locally administered addresses: those for documentation are too few.
    octets = number.to_bytes(3, "big").hex("-").upper()
    return Device.model_validate(
        {
            "name": f"device {number:06}",
            "mac": f"02-00-5E-{octets}",
            "dialect": dialect,
            "address": "192.0.2.1",
            **more,
        }
    )


def gaps(seeds: range, most: int = 300) -> Counter[int]:
    """How often a plan has how many waves more than the bound."""
    found: Counter[int] = Counter()
    for seed in seeds:
        devices, pace, shown = random_fleet(seed, most)
        waves = make_waves(devices, pace, shown, thorough=True)
        found[len(waves) - fewest_waves(devices, pace, shown)] += 1
    return found


def main(fleets: int) -> None:
    """Print both tables."""
    found = gaps(range(fleets))
    print(f"{fleets} random fleets of 30 to 300 devices")
    for gap in range(max(found) + 1):
        print(f"  {gap} waves above the bound: {found[gap] / fleets:6.1%}")
    near = (found[0] + found[1]) / fleets
    print(f"  at most one wave above the bound: {near:.1%}")
    for count in (300, 1_000, 10_000, 100_000):
        fleet, pace = large_fleet(count), Pace()
        took, judged = [], []
        for _ in range(3 if count < 100_000 else 1):
            start = time.perf_counter()
            waves = make_waves(fleet, pace)
            middle = time.perf_counter()
            least = fewest_waves(fleet, pace)
            took.append(middle - start)
            judged.append(time.perf_counter() - middle)
        print(
            f"{count:7,} devices: {len(waves)} waves in {median(took):.3f} s; no plan has fewer "
            f"than {least}, found in {median(judged):.3f} s"
        )
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    print(f"peak memory {peak / (2**20 if sys.platform == 'darwin' else 2**10):.0f} MiB")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 1_000)
