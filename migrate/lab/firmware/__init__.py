"""The simulated firmware of each family: protocol only, no sockets."""

from __future__ import annotations

from migrate.lab.firmware.base import Firmware
from migrate.lab.firmware.larch import Larch
from migrate.lab.firmware.rowan import Rowan
from migrate.lab.firmware.sedge import Sedge

FAMILIES: dict[str, type[Firmware]] = {"larch": Larch, "rowan": Rowan, "sedge": Sedge}

__all__ = ["FAMILIES", "Firmware", "Larch", "Rowan", "Sedge"]
