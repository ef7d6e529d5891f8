"""How long after a device is back on a real network until it is found, by each way.

    python -m tests.namespaces          as root; takes about a minute and a half

A fleet of six moves from one network in a namespace to another. Back is when the device itself says
that it serves again; found is when the tool has read it there. The baseline is the lease file.
Devices over MQTT are heard by their presence, whatever the ways.
"""

from __future__ import annotations

import asyncio
import json
import statistics
import sys
import tempfile
from datetime import datetime
from pathlib import Path

from migrate.model.problems import Exit

from .test_town import devices
from .town import Town, check_possible, write_files

WAYS = {
    "leases": '["leases"]',
    "sweep": '["sweep"]',
    "sweep and neighbours": '["sweep", "neighbours"]',
    "leases, sweep and neighbours": '["leases", "sweep", "neighbours"]',
}


async def measured(ways: str) -> dict[str, list[float]]:
    """Seconds from back to found, by transport."""
    with tempfile.TemporaryDirectory() as folder:
        async with Town(Path(folder), devices()) as town:
            write_files(town, more=f"[finding]\nways = {ways}\n")
            await town.migrate("plan", "town.toml")
            moved = await town.migrate("run", "town.plan.json", "--json")
            if moved.code != Exit.DONE:
                sys.exit(f"the fleet did not move: {moved.all[-2000:]}")
            found: dict[str, list[float]] = {"http": [], "mqtt": []}
            for line in moved.out.splitlines():
                said = json.loads(line)
                if said["event"] == "device" and said["state"] == "seen":
                    device = town.devices[said["device"]]
                    serves = "joined new" if device.via == "http" else "up"
                    back = next(one["at"] for one in reversed(device.events)
                                if one["what"] == serves)  # fmt: skip
                    seen = datetime.fromisoformat(said["at"]).timestamp()
                    found[device.via].append(seen - back)
            return found


def main() -> None:
    """Print the table."""
    check_possible()
    baseline = 0.0
    for name, ways in WAYS.items():
        found = asyncio.run(measured(ways))
        median = statistics.median(found["http"])
        baseline = baseline or median
        heard = statistics.median(found["mqtt"])
        print(
            f"{name:29} over HTTP: median {median:5.2f} s, most {max(found['http']):5.2f} s, "
            f"{median / baseline:5.2f} times the leases; over MQTT: median {heard:5.2f} s"
        )


if __name__ == "__main__":
    main()
