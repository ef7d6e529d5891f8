"""How few waves a plan has, against a number that no plan can go below; and how long it takes.

    python -m benchmarks.planning [FLEETS]        (1,000 without a number; 0 for the times alone)

Random fleets: 30 to 300 devices, 1 to 8 twin groups of different sizes, three reaches, a third of
the devices in covers of two to four, a fifth with something delicate on them, up to three that
feed the network; one to three devices may be stranded, at 90, 95 or 99 %; in two of five fleets
half of the groups have been tried before, with a fault now and then.
"""

from __future__ import annotations

import math
import random
import resource
import sys
import time
from collections import Counter
from collections.abc import Sequence
from pathlib import Path
from statistics import linear_regression, median

from migrate.model.fleet import Device, Fleet, Reach
from migrate.model.parsing import parse_toml
from migrate.model.playbook import Pace, Playbook
from migrate.model.secrets import Secret
from migrate.planning.bound import fewest_waves
from migrate.planning.exposure import Evidence, Twin
from migrate.planning.make import make_plan
from migrate.planning.plan import Source, Sources
from migrate.planning.prices import LARGE
from migrate.planning.waves import make_waves
from migrate.ports.files import load_dialect

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
            "address": "198.18.0.1",
            "topic": f"device-{number:06}",
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


PLAYBOOK = """
[wifi]
ssid = "loft"
secret = { env = "NEW" }
[old]
subnet = "198.18.0.0/15"
leases = "old.leases"
wifi = { ssid = "attic", secret = { env = "OLD" } }
[new]
subnet = "127.0.0.0/8"
leases = "new.leases"
"""
"""The old network is the one that RFC 2544 sets aside for benchmarks."""
COUNTS = (100, 316, 1_000, 3_162, 10_000, 31_623, 100_000)


def plan_seconds(count: int, times: int) -> tuple[float, int]:
    """Median seconds to plan that many devices, refusals and digest included; and the waves."""
    names = ("larch", "rowan", "sedge")
    loaded = {name: load_dialect(name, Path()) for name in names}
    source = Source(path="fleet.toml", sha256="0" * 64)
    sources = Sources(
        fleet=source, playbook=source, dialects={name: loaded[name][1] for name in names}
    )
    fleet = Fleet(device=tuple(large_fleet(count)))
    playbook = parse_toml(PLAYBOOK, Playbook, "playbook.toml", Path())
    took = []
    for _ in range(times):
        start = time.perf_counter()
        plan = make_plan(
            fleet,
            playbook,
            {name: loaded[name][0] for name in names},
            lambda ref: Secret(f"benchmark {ref.env}"),
            sources,
            created="2026-01-01T00:00:00+00:00",
            tool="benchmark",
        )
        took.append(time.perf_counter() - start)
    return median(took), len(plan.waves)


def exponent(points: Sequence[tuple[float, float]]) -> float:
    """The x of seconds ~ devices^x, by least squares over the logarithms."""
    xs, ys = [math.log(n) for n, _ in points], [math.log(t) for _, t in points]
    return linear_regression(xs, ys).slope


def growth() -> None:
    """Print how long plans take, against n log n from the smallest fleet that is not searched."""
    points = []
    for count in COUNTS:
        seconds, waves = plan_seconds(count, 3 if count <= 10_000 else 1)
        points.append((count, seconds))
        print(f"{count:7,} devices: planned whole in {seconds:7.3f} s, {waves} waves", flush=True)
    plain = [(n, t) for n, t in points if n > LARGE]
    (first, base), (last, time_) = plain[0], plain[-1]
    ratio = (time_ / base) / (last * math.log(last) / (first * math.log(first)))
    print(f"seconds ~ devices^{exponent(points):.2f} over all of them")
    print(f"seconds ~ devices^{exponent(plain):.2f} where no search is made (over {LARGE})")
    print(f"from {first:,} to {last:,}: {ratio:.2f} times what n log n comes to")
    print(f"peak memory {peak():.0f} MiB")


def peak() -> float:
    """The most memory that this process has had, in MiB."""
    most = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return most / (2**20 if sys.platform == "darwin" else 2**10)


def main(fleets: int) -> None:
    """Print both tables."""
    seconds, _ = plan_seconds(10_000, 3)
    print(f"10,000 devices planned in {seconds:.3f} s, peak memory so far {peak():.0f} MiB")
    growth()
    if not fleets:
        return
    found = gaps(range(fleets))
    print(f"{fleets} random fleets of 30 to 300 devices")
    for gap in range(max(found) + 1):
        print(f"  {gap} waves above the bound: {found[gap] / fleets:6.1%}")
    near = (found[0] + found[1]) / fleets
    print(f"  at most one wave above the bound: {near:.1%}")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 1_000)
