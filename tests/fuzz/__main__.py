"""`python -m tests.fuzz SECONDS [--die] [--seed N] [READER ...]`: fuzz every reader, print a table.

SECONDS are shared among the readers. Inputs are chosen by coverage if atheris is installed (it is
not among the packages that the tests need), else, or with --die, by chance from good inputs. Exit
code 1 if anything was found.
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import subprocess
import sys
import tempfile
from importlib.util import find_spec
from pathlib import Path

from tests.fuzz.worker import HANG_SECONDS, MEMORY_MIB, Found

HEADS = ("reader", "inputs", "ways taken", "slowest ms", "peak MiB", "tracebacks", "hangs")


def one(name: str, seconds: float, folder: Path, seed: int, way: str) -> tuple[Found, int]:
    """Fuzz one reader in one way: what was found, and how often it hung or was ended."""
    place = folder / f"{name.replace(' ', '-').replace(',', '')}-{way}.json"
    command = [sys.executable, "-m", "tests.fuzz.worker", name, str(seconds), str(place), str(seed)]
    hung = 0
    try:
        ended = subprocess.run(
            [*command, way],
            stderr=subprocess.PIPE,
            text=True,
            env={**os.environ, "TMPDIR": str(folder)},
            timeout=4 * seconds + 10 * HANG_SECONDS,
            check=False,
        )
        if ended.returncode:
            hung = 1
            print(f"{name}: ended with {ended.returncode}: {ended.stderr[-2000:]}", file=sys.stderr)
    except subprocess.TimeoutExpired:
        hung = 1
    found = Found(**json.loads(place.read_text())) if place.exists() else Found()
    return found, hung + len(found.slow)


def both(great: Found, small: Found) -> Found:
    """What two ways found, together."""
    return Found(
        great.inputs + small.inputs,
        max(great.slowest, small.slowest),
        max(great.memory_mib, small.memory_mib),
        {**great.kinds, **small.kinds},
        {**great.tracebacks, **small.tracebacks},
        {**great.slow, **small.slow},
    )


def main() -> int:
    """Fuzz all of them, one after the other."""
    from tests.fuzz.readers import readers

    asked = argparse.ArgumentParser("python -m tests.fuzz", description=__doc__)
    asked.add_argument("seconds", type=float)
    asked.add_argument("readers", nargs="*")
    asked.add_argument("--seed", type=int, default=1)
    asked.add_argument("--die", action="store_true")
    given = asked.parse_intermixed_args()
    names = given.readers or list(readers())
    if unknown := sorted(set(names) - set(readers())):
        asked.error(f"no reader {', '.join(unknown)}; there are {', '.join(readers())}")
    way = "chance" if given.die or find_spec("atheris") is None else "coverage"
    if find_spec("atheris") is None:
        print("atheris is not installed: inputs are chosen by chance (pip install atheris)")
    print(
        f"{given.seconds:g} s in all, seed {given.seed}, inputs by "
        f"{way}, after some of a mebibyte; a reader may take 2 s "
        f"of processor time for an input and {MEMORY_MIB} MiB"
    )
    print("".join(f"{head:>12}" if number else f"{head:18}" for number, head in enumerate(HEADS)))
    bad, total = 0, 0
    with tempfile.TemporaryDirectory(prefix="fuzz-") as folder:
        kept = Path(tempfile.gettempdir()) / "fuzz-found"
        for name in names:
            share = given.seconds / len(names)
            great, hangs = one(name, share, Path(folder), given.seed, "great")
            small, more = one(name, share, Path(folder), given.seed, way)
            found, hangs = both(great, small), hangs + more
            total += found.inputs
            cells = (
                found.inputs,
                len(found.kinds),
                round(found.slowest * 1000),
                found.memory_mib,
                len(found.tracebacks),
                hangs,
            )
            print(f"{name:18}" + "".join(f"{cell:>12}" for cell in cells), flush=True)
            slow = ((f"{seconds:.1f} s", place) for place, seconds in found.slow.items())
            for what, place in (*found.tracebacks.items(), *slow):
                bad += 1
                kept.mkdir(exist_ok=True)
                copy = kept / Path(place).name
                copy.write_bytes(Path(place).read_bytes())
                print(f"    {what}: {copy}", flush=True)
            bad += hangs
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    print(f"{total} inputs, {used.ru_utime + used.ru_stime:.0f} s of processor time")
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main())
