"""One reader under fuzz, in a process of its own, in one of three ways: the great inputs, chance,
or coverage: `python -m tests.fuzz.worker READER SECONDS FILE SEED WAY`.

Writes what it found to FILE as JSON, over and over, since a fuzzer ends its process as it likes.
"""

from __future__ import annotations

import contextlib
import json
import os
import random
import resource
import shutil
import sys
import tempfile
import time
import traceback
from collections import Counter
from collections.abc import Callable
from dataclasses import asdict, dataclass, field
from importlib import import_module
from pathlib import Path
from typing import Any

MEMORY_MIB = 1024
"""More than this is a fault: a worker is stopped there."""
HANG_SECONDS = 30


@dataclass
class Found:
    """What a worker found. `slowest` is processor time in seconds."""

    inputs: int = 0
    slowest: float = 0
    memory_mib: int = 0
    kinds: dict[str, int] = field(default_factory=dict)
    tracebacks: dict[str, str] = field(default_factory=dict)
    slow: dict[str, float] = field(default_factory=dict)


class Watch:
    """Feeds a reader, and keeps what it found."""

    def __init__(self, read: Callable[[bytes], str], place: Path, most: float) -> None:
        self._read, self._place, self._most = read, place, most
        self._kinds: Counter[str] = Counter()
        self._written = 0.0
        self.found = Found()

    def __call__(self, octets: bytes) -> None:
        """One input."""
        begun = time.process_time()
        try:
            self._kinds[self._read(octets)] += 1
        except Exception as error:  # noqa: BLE001 - this is what is looked for
            last = traceback.extract_tb(error.__traceback__)[-1]
            where = f"{type(error).__name__} at {Path(last.filename).name}:{last.lineno}"
            if where not in self.found.tracebacks:
                self.found.tracebacks[where] = self._keep(octets)
                self.write()
        took = time.process_time() - begun
        self.found.inputs += 1
        if took > self._most:
            self.found.slow[self._keep(octets)] = took
        self.found.slowest = max(self.found.slowest, took)
        if time.monotonic() - self._written > 1:
            self.write()

    def write(self) -> None:
        """What was found so far."""
        self._written = time.monotonic()
        self.found.kinds = dict(self._kinds)
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        self.found.memory_mib = peak // (1024 if sys.platform == "linux" else 1024**2)
        draft = self._place.with_suffix(".draft")
        draft.write_text(json.dumps(asdict(self.found)))
        draft.replace(self._place)

    def _keep(self, octets: bytes) -> str:
        kept = self._place.with_name(f"{self._place.stem}-{self.found.inputs}.input")
        kept.write_bytes(octets)
        return str(kept)


def with_die(watch: Watch, seeds: tuple[bytes, ...], seconds: float, seed: int) -> None:
    """Mutate by chance for so many seconds of processor time; the seeds come from `seeds`."""
    from tests.fuzz.edits import by_chance, changed

    dice, pool = random.Random(seed), list(seeds)  # noqa: S311 - no secret
    end = time.process_time() + seconds
    while time.process_time() < end:
        octets = changed(dice.choice(pool), by_chance(dice))
        kinds = len(watch._kinds)
        watch(octets)
        if len(watch._kinds) > kinds and len(pool) < 500:
            pool.append(octets)  # it was taken in a way that nothing was before
    watch.write()


def with_atheris(
    atheris: Any, watch: Watch, seeds: tuple[bytes, ...], seconds: float, seed: int
) -> None:
    """Let libFuzzer choose by coverage. Does not return."""
    from tests.fuzz.edits import TOKENS

    corpus = Path(tempfile.mkdtemp(prefix="fuzz-corpus-"))
    for number, octets in enumerate(seeds):
        (corpus / str(number)).write_bytes(octets)
    words = corpus.with_suffix(".words")
    written = ["".join(f"\\x{octet:02x}" for octet in token) for token in TOKENS if len(token) < 60]
    words.write_text("\n".join(f'"{word}"' for word in written))
    options = [
        f"-max_total_time={int(seconds)}",
        f"-seed={seed}",
        f"-timeout={HANG_SECONDS}",
        f"-rss_limit_mb={MEMORY_MIB}",
        "-max_len=8192",
        "-verbosity=0",
        "-print_final_stats=0",
        f"-dict={words}",
        f"-artifact_prefix={watch._place.parent}/",
    ]
    atheris.Setup([sys.argv[0], *options, str(corpus)], watch)
    try:
        atheris.Fuzz()
    finally:
        watch.write()
        shutil.rmtree(corpus, ignore_errors=True)


INSTRUMENTED = ["migrate.dialects", "migrate.model", "migrate.planning", "migrate.ports"]


def main(name: str, seconds: float, place: Path, seed: int, way: str) -> None:
    """Fuzz one reader."""
    atheris = import_module("atheris") if way == "coverage" else None
    if atheris is not None:
        with atheris.instrument_imports(include=INSTRUMENTED):
            readers = import_module("tests.fuzz.readers")
    else:
        readers = import_module("tests.fuzz.readers")
    reader = readers.readers()[name]
    # Code that counts where it has been is some times slower.
    most = readers.MOST_SECONDS * (1 if atheris is None else 5)
    watch = Watch(reader.read, place, most)
    if way == "great":
        from tests.fuzz.great import for_reader

        for _, octets in for_reader(name, reader.seeds[0]):
            watch(octets)
        watch.write()
    elif atheris is None:
        with_die(watch, reader.seeds, seconds, seed)
    else:
        with_atheris(atheris, watch, reader.seeds, seconds, seed)


if __name__ == "__main__":
    # A worker that eats all memory must not take the machine with it.
    limit = 4 * MEMORY_MIB * 1024**2
    with contextlib.suppress(ValueError, OSError):
        resource.setrlimit(resource.RLIMIT_DATA, (limit, limit))
    sys.stdout = open(os.devnull, "w")  # noqa: SIM115, PTH123
    main(sys.argv[1], float(sys.argv[2]), Path(sys.argv[3]), int(sys.argv[4]), sys.argv[5])
