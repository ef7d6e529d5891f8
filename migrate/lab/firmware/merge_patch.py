"""JSON Merge Patch, RFC 7396 section 2."""

from __future__ import annotations

from typing import Any


def merge(target: Any, patch: Any) -> Any:
    """The result of applying ``patch`` to ``target``. Neither is changed."""
    if not isinstance(patch, dict):
        return patch
    result = dict(target) if isinstance(target, dict) else {}
    for name, value in patch.items():
        if value is None:
            result.pop(name, None)
        else:
            result[name] = merge(result.get(name), value)
    return result
