"""`python -m tests.swarm N`: N stories, and a table of what happened in them.

    python -m tests.swarm 2000             the seeds 0 to 1999
    python -m tests.swarm 1000 --from 5000 the seeds 5000 to 5999
    python -m tests.swarm --seed 51        one seed, with its whole story
    python -m tests.swarm 50 --everywhere  50 quiet stories, each cut off at every single step
    python -m tests.swarm 1000 --family switchover   stories of another family (families.py)

Ends with 1 if an invariant was broken, with a line for each such seed.
"""

from __future__ import annotations

import argparse
import os
import sys
import time
from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from itertools import islice

from migrate.model.lifecycle import TRANSITIONS, TURNS

from .families import FAMILIES
from .story import Ending, everywhere, play

SHOWN = 20
BATCH = 25


def main() -> int:
    """The command."""
    parser = argparse.ArgumentParser(prog="python -m tests.swarm", description=__doc__)
    parser.add_argument("count", type=int, nargs="?", default=200)
    parser.add_argument("--from", dest="first", type=int, default=0)
    parser.add_argument("--seed", type=int)
    parser.add_argument("--everywhere", action="store_true")
    parser.add_argument("--family", choices=FAMILIES, default="plain")
    parser.add_argument("--processes", type=int, default=os.cpu_count() or 1)
    asked = parser.parse_args()
    if asked.everywhere and asked.family != "plain":
        parser.error("--everywhere is for the family `plain` alone")
    if asked.seed is not None:
        return one(asked.seed, asked.family)
    begun = time.monotonic()
    total = Total(asked.family)
    seeds = range(asked.first, asked.first + asked.count)
    work = _cut_everywhere if asked.everywhere else partial(_batch, asked.family)
    size = 1 if asked.everywhere else BATCH
    many = endings(seeds, asked.processes, work, size)
    for number, ending in enumerate(many, start=1):
        total.add(ending)
        if ending.broken:
            print(f"seed {ending.seed}: {ending.broken}", flush=True)
        if number % 5000 == 0:
            print(f"... {number}", flush=True)
    print(total.table(time.monotonic() - begun))
    return 1 if total.broken else 0


def one(seed: int, family: str) -> int:
    """One seed, told at length, and told twice: both times to the letter the same."""
    ending, again = _told(family, seed), _told(family, seed)
    print("\n".join(ending.told))
    same = "the same" if ending.digest == again.digest else "OTHERWISE THE SECOND TIME"
    print(f"seed {seed}: digest {ending.digest}, {same}; {ending.broken or 'all is well'}")
    return 1 if ending.broken or ending.digest != again.digest else 0


def endings(
    seeds: range, processes: int, work: Callable[[Iterable[int]], list[Ending]], size: int
) -> Iterator[Ending]:
    """All endings, in the order of the seeds."""
    batches = (seeds[at : at + size] for at in range(0, len(seeds), size))
    with ProcessPoolExecutor(processes) as pool:
        # Not all at once: what has ended is counted and let go of.
        while todo := list(islice(batches, 40 * processes)):
            for batch in pool.map(work, todo):
                yield from batch


def _told(family: str, seed: int) -> Ending:
    draw, kind = FAMILIES[family]
    return play(seed, draw(seed), kind)


def _batch(family: str, seeds: Iterable[int]) -> list[Ending]:
    found = []
    for seed in seeds:
        ending = _told(family, seed)
        ending.told.clear()
        found.append(ending)
    return found


def _cut_everywhere(seeds: Iterable[int]) -> list[Ending]:
    found = [ending for seed in seeds for ending in everywhere(seed)]
    for ending in found:
        ending.told.clear()
    return found


class Total:
    """What happened in many stories."""

    def __init__(self, family: str = "plain") -> None:
        self.family = family
        self.numbers: Counter[str] = Counter()
        self.mishaps: Counter[str] = Counter()
        self.cuts: Counter[str] = Counter()
        self.turns: Counter[tuple[str, str, str]] = Counter()
        self.broken: list[tuple[int, str]] = []

    def add(self, ending: Ending) -> None:
        """One more."""
        self.numbers.update(
            stories=1,
            devices=ending.devices,
            moved=ending.moved,
            taken_back=ending.taken_back,
            others=ending.others,
            processes=ending.processes,
            steps=ending.steps,
            checks=ending.checks,
            seconds=int(ending.seconds),
        )
        self.mishaps.update(ending.mishaps)
        self.cuts.update(ending.cuts)
        self.turns.update(ending.turns)
        if ending.broken:
            self.broken.append((ending.seed, ending.broken))

    def table(self, seconds: float) -> str:
        """In words and numbers."""
        n = self.numbers
        lines = [
            f"{n['stories']} stories of {n['devices']} devices in {seconds:.0f} s; "
            f"{n['seconds'] / 86400:.0f} days of virtual time, {n['processes']} processes, "
            f"{n['steps']} steps, {n['checks']} looks at the disk",
            f"at the end: {n['moved']} devices moved, {n['taken_back']} taken back, "
            f"{n['others']} elsewhere and named; unaccounted for: {self._unaccounted()}",
            "",
            "mishaps:",
            *_columns(self.mishaps),
            "",
            "cut off, stopped, interrupted, disk:",
            *_columns(self.cuts),
            "",
            "transitions taken:",
            *self._turns(),
            "",
            f"broken invariants: {len(self.broken)}",
        ]
        again = "" if self.family == "plain" else f" --family {self.family}"
        lines += [
            f"  python -m tests.swarm{again} --seed {seed}: {why}"
            for seed, why in self.broken[:SHOWN]
        ]
        return "\n".join(lines)

    def _unaccounted(self) -> int:
        return sum(why.startswith("5:") for _, why in self.broken)

    def _turns(self) -> Iterator[str]:
        legal = [(str(d), str(s), str(e)) for d, s, e in TRANSITIONS]
        legal += [("back", str(state), "turn") for state in TURNS]
        for key in legal:
            yield f"  {self.turns[key]:>9}  {key[0]:8} {key[1]:9} {key[2]}"
        other = sum(
            count for key, count in self.turns.items() if key not in legal and key[2] in _EVENTS
        )
        yield f"  {other:>9}  others"


_EVENTS = {str(event) for _, _, event in TRANSITIONS}


def _columns(counts: Counter[str]) -> Iterator[str]:
    for what, count in sorted(counts.items()):
        yield f"  {count:>9}  {what}"


if __name__ == "__main__":
    sys.exit(main())
