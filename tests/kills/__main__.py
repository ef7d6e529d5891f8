"""Kill the real tool many times, at any moment, and look at what is left.

python -m tests.kills 200 [--seed N] [--at-once 3]
python -m tests.kills 1 --seed N --story I         one story again
"""

from __future__ import annotations

import argparse
import asyncio
import gc
import logging
import secrets
import sys

from migrate.lab import two_networks_possible

from .campaign import campaign


def _say(line: str) -> None:
    print(line, flush=True)


def main() -> int:
    """Exit code 1 if something was found."""
    parser = argparse.ArgumentParser(prog="python -m tests.kills", description=__doc__)
    parser.add_argument("kills", type=int, help="how many")
    parser.add_argument("--seed", type=int, default=secrets.randbelow(10**6))
    parser.add_argument("--at-once", type=int, default=3, help="houses at a time")
    parser.add_argument("--story", type=int, help="this story alone")
    asked = parser.parse_args()
    if not two_networks_possible():
        _say("this machine has one loopback address: nothing can change its network here")
        return 0
    # Whoever is killed leaves half a request behind; the lab's servers would tell of each.
    logging.getLogger().addHandler(logging.NullHandler())
    _say(f"seed {asked.seed}")
    alone = asked.story is not None
    found = asyncio.run(
        campaign(
            1 if alone else asked.kills,
            asked.seed,
            1 if alone else asked.at_once,
            asked.story or 0,
            say=_say,
        )
    )
    _say("")
    for line in found.table():
        _say(line)
    return 1 if found.failed else 0


if __name__ == "__main__":
    code = main()
    gc.collect()  # The embedded broker leaves closed sockets behind.
    sys.exit(code)
