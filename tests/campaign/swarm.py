"""`python -m tests.campaign.swarm N`: N small campaigns, and a table of what happened in them.

    python -m tests.campaign.swarm 200              the seeds 0 to 199
    python -m tests.campaign.swarm 200 --from 500   the seeds 500 to 699
    python -m tests.campaign.swarm --seed 38        one seed, told at length, and twice

Each is also played without kills, cut lines and late workers, and must come to the same. Ends with
1 if an invariant was broken, with a line for each such seed.
"""

from __future__ import annotations

import argparse
import os
import sys
import time
from collections import Counter
from collections.abc import Iterable, Iterator
from concurrent.futures import ProcessPoolExecutor

from .processes import Ending
from .scenario import draw
from .story import play

SHOWN = 20
BATCH = 5


def main() -> int:
    """The command."""
    parser = argparse.ArgumentParser(prog="python -m tests.campaign.swarm", description=__doc__)
    parser.add_argument("count", type=int, nargs="?", default=100)
    parser.add_argument("--from", dest="first", type=int, default=0)
    parser.add_argument("--seed", type=int)
    parser.add_argument("--processes", type=int, default=os.cpu_count() or 1)
    asked = parser.parse_args()
    if asked.seed is not None:
        return one(asked.seed)
    begun, total = time.monotonic(), Total()
    seeds = range(asked.first, asked.first + asked.count)
    batches = [seeds[at : at + BATCH] for at in range(0, len(seeds), BATCH)]
    with ProcessPoolExecutor(asked.processes) as pool:
        for batch in pool.map(_batch, batches):
            for ending in batch:
                total.add(ending)
                if ending.broken:
                    print(f"seed {ending.seed}: {ending.broken}", flush=True)
    print(total.table(time.monotonic() - begun))
    return 1 if total.broken else 0


def one(seed: int) -> int:
    """One seed, told at length, and told twice: both times to the letter the same."""
    ending, again = twice(seed), play(seed)
    print("\n".join(ending.told))
    same = "the same" if ending.digest == again.digest else "OTHERWISE THE SECOND TIME"
    print(f"seed {seed}: digest {ending.digest}, {same}; {ending.broken or 'all is well'}")
    return 1 if ending.broken or ending.digest != again.digest else 0


def twice(seed: int) -> Ending:
    """A seed, played with all that goes wrong and without it. Where held sites keep back nobody but
    those that come after them, both come to the same."""
    drawn = draw(seed)
    ending, fair = play(seed, drawn), play(seed, drawn.fair)
    if not ending.broken and fair.broken:
        ending.broken = f"without kills and cut lines: {fair.broken}"
    free = drawn.pace.wait_when_held is None and not ending.cut_short
    if not ending.broken and free:
        ending.counts["came to the same without kills and cut lines"] += 1
        if ending.first != fair.first:
            ending.broken = "without kills and cut lines it comes to something else"
    return ending


def _batch(seeds: Iterable[int]) -> list[Ending]:
    found = [twice(seed) for seed in seeds]
    for ending in found:
        ending.told.clear()
    return found


class Total:
    """What happened in many campaigns."""

    def __init__(self) -> None:
        self.numbers: Counter[str] = Counter()
        self.counts: Counter[str] = Counter()
        self.exposure = 0.0
        self.broken: list[tuple[int, str]] = []

    def add(self, ending: Ending) -> None:
        """One more."""
        first = [len(names) for names in ending.first] or [0, 0, 0]
        self.numbers.update(
            campaigns=1,
            sites=ending.sites,
            devices=ending.devices,
            moved=first[0],
            held=first[1],
            refused=first[2],
            over=ending.moved,
            seconds=int(ending.seconds),
        )
        self.counts.update(ending.counts)
        self.exposure = max(self.exposure, ending.exposure)
        if ending.broken:
            self.broken.append((ending.seed, ending.broken))

    def table(self, seconds: float) -> str:
        """In words and numbers."""
        n = self.numbers
        rest = n["sites"] - n["moved"] - n["held"] - n["refused"]
        lines = [
            f"{n['campaigns']} campaigns of {n['sites']} sites and {n['devices']} devices in "
            f"{seconds:.0f} s; {n['seconds'] / 3600:.0f} hours of virtual time",
            f"without the owner: {n['moved']} sites moved, {n['held']} held, {n['refused']} "
            f"refused, {rest} kept back; when he had seen to them: {n['over']} moved or taken back",
            f"the most that sites under way together counted for: {self.exposure:.3f} sites",
            "",
            *self._columns(),
            "",
            f"broken invariants: {len(self.broken)}",
        ]
        again = "python -m tests.campaign.swarm --seed"
        lines += [f"  {again} {seed}: {why}" for seed, why in self.broken[:SHOWN]]
        return "\n".join(lines)

    def _columns(self) -> Iterator[str]:
        for what, count in sorted(self.counts.items()):
            yield f"  {count:>9}  {what}"


if __name__ == "__main__":
    sys.exit(main())
