"""Snapshots on disk: in the folder `surveys` of the state folder, beside a run's journal, or where
the owner wants them. Only their owner may read them."""

from __future__ import annotations

import json
import re
from datetime import datetime
from pathlib import Path
from typing import Final

from migrate.model.problems import BadFile, Problem
from migrate.planning.snapshots import Snapshot, snapshot_from_json
from migrate.ports.files import free_or_ours, is_there, private_folder, read_text, write_private

MOST_OCTETS: Final = 32 * 1024 * 1024
"""migrate writes its snapshots itself, about six hundred octets for each device."""
BESIDE_JOURNAL: Final = "survey.json"
"""What a run read before it sent anything, in its own folder."""


def read_snapshot(path: Path) -> Snapshot:
    """A snapshot. Raises BadFile."""
    return snapshot_from_json(read_text(path, MOST_OCTETS), str(path))


def write_snapshot(path: Path, snapshot: Snapshot) -> None:
    """Write it, whole or not at all, for its owner alone. Raises BadFile."""
    private_folder(path.parent)
    write_private(path, snapshot.to_json())


def place_for(folder: Path, title: str, at: datetime) -> Path:
    """Where a new one goes in the folder of snapshots: date, time and the fleet's title."""
    slug = re.sub(r"[^a-z0-9]+", "-", title.lower()).strip("-")[:40] or "fleet"
    return folder / f"{at:%Y%m%d-%H%M%S-%f}-{slug}.json"


def free_place(place: Path) -> Path:
    """A file that may be written: free, or another snapshot. Raises BadFile."""
    return free_or_ours(place, _is_snapshot, "snapshot", MOST_OCTETS)


def named(folder: Path, name: str) -> Path | None:
    """The snapshot that the owner means: a file, or the name of one in the folder of snapshots,
    with or without its ending. None: there is none."""
    if re.fullmatch(r"[\w.-]+", name) and not name.startswith("."):
        for place in (folder / name, folder / f"{name}.json"):
            if is_there(place):
                return place
    place = Path(name)
    if not is_there(place):
        return None
    if place.is_dir():
        raise BadFile(
            Problem("is a folder", "name a snapshot in it, or a run by its name", str(place))
        )
    return place


def _is_snapshot(text: str) -> bool:
    try:
        data = json.loads(text)
    except (ValueError, RecursionError):
        return False
    return isinstance(data, dict) and data.get("kind") in ("survey", "run") and "device" in data
