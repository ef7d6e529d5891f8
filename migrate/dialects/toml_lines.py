"""Lines of TOML, one key each, for files that are written with comments between them."""

from __future__ import annotations

from typing import Any

import tomlkit


def line(key: str, value: Any) -> str:
    """`key = value`; tables and arrays stand on that one line. The key is written as it is."""
    return f"{key} = {_value(value)}"


def _value(value: Any) -> str:
    if isinstance(value, dict):
        inner = ", ".join(f"{_key(key)} = {_value(one)}" for key, one in value.items())
        return f"{{ {inner} }}"
    if isinstance(value, list):
        return f"[{', '.join(_value(one) for one in value)}]"
    return str(tomlkit.item(value).as_string())


def _key(key: str) -> str:
    return str(tomlkit.key(key).as_string())
