"""A house of thirty devices in twelve places, all of them missing."""

from __future__ import annotations

from pathlib import Path

from tests.cli.missing import begun, lost
from tests.cli.paper import Paper

PLACES = (
    "study",
    "kitchen, above the window",
    "hall",
    "stairs",
    "cellar",
    "bathroom",
    "attic, behind the water tank",
    "workshop",
    "garden shed",
    "bedroom under the eaves",
    "larder",
    "mill race",
)
LOADS = {2: "the aquarium heater", 7: "the freezer", 12: "the well pump", 21: "the gate"}


def mill(folder: Path, devices: int = 30) -> Paper:
    """The house on paper, with a run in which every device is adrift."""
    folder.chmod(0o700)
    paper = Paper(folder)
    told = ['title = "Heron Mill"']
    for number in range(1, devices + 1):
        mqtt = number % 3 == 0
        told += [
            "",
            "[[device]]",
            f'name = "unit-{number:02}"',
            f'mac = "00-00-5E-00-53-{number:02X}"',
            f'dialect = "{"rowan" if mqtt else "larch"}"',
            f'topic = "unit-{number:02}"',
            f'place = "{PLACES[number % len(PLACES)]}"',
            f'reach = "{("table", "table", "ladder", "tools")[number % 4]}"',
            'via = "mqtt"' if mqtt else f'address = "192.0.2.{10 + number}"',
        ]
        if number in LOADS:
            told.append(f'load = "{LOADS[number]}"')
        if number in (4, 5):
            told.append('cover = "stair light"')
        if number == 9:
            told.append('feeds = ["unit-10"]')
    paper.fleet.write_text("\n".join(told) + "\n", encoding="utf-8")
    begun(paper, lost(*(f"unit-{number:02}" for number in range(1, devices + 1))))
    return paper
