"""Dialects, devices and replies that the tests of this folder share."""

from __future__ import annotations

import copy
import json
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import migrate.dialects
from migrate.dialects.messages import Reply
from migrate.dialects.schema import Dialect
from migrate.model.fleet import Device, Transport
from migrate.model.parsing import validate

SHIPPED = Path(migrate.dialects.__file__).parent / "shipped"
NAMES = ("larch", "rowan", "sedge")
MAC = "00-00-5E-00-53-01"
Change = Callable[[dict[str, Any]], object]


def shipped_data(name: str) -> dict[str, Any]:
    return tomllib.loads((SHIPPED / f"{name}.toml").read_text(encoding="utf-8"))


def dialect_of(data: dict[str, Any]) -> Dialect:
    return validate(data, Dialect, f"{data.get('name', 'some')}.toml", Path("home"))


def shipped(name: str, change: Change | None = None) -> Dialect:
    """A shipped dialect, perhaps with something changed in its data."""
    return dialect_of(changed(name, change))


def changed(name: str, change: Change | None) -> dict[str, Any]:
    data = copy.deepcopy(shipped_data(name))
    if change is not None:
        change(data)
    return data


def device(**more: Any) -> Device:
    keys: dict[str, Any] = {"name": "plug", "mac": MAC, "dialect": "larch", "topic": "t1", **more}
    return Device.model_validate(keys)


def reply(body: Any, status: int | None = 200) -> Reply:
    """A reply of octets, of text, or of anything else as JSON."""
    if isinstance(body, bytes):
        return Reply(body, status)
    return Reply((body if isinstance(body, str) else json.dumps(body)).encode(), status)


DIALECTS = {name: shipped(name) for name in NAMES}
DEVICE = device()
TRANSPORTS: tuple[Transport, ...] = ("http", "mqtt")
