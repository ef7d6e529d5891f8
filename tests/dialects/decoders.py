"""Decoders written from the manuals and the standards; nothing of the project is used here.

Each turns what goes over the wire back into pairs of the family's own words and values.
"""

from __future__ import annotations

import json
from typing import Any
from urllib.parse import parse_qsl, unquote

Pairs = dict[tuple[str, ...], Any]


def query_of(target: str) -> dict[str, str]:
    """The query of a request target; every octet of it must be one that RFC 3986 allows."""
    allowed = set(
        "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789-._~:/?#[]@!$&'()*+,;=%"
    )
    assert set(target) <= allowed
    query = target.partition("?")[2]
    assert "#" not in target
    assert "+" not in query  # a blank to some decoders, a plus to others
    pairs = parse_qsl(query, keep_blank_values=True, strict_parsing=True, errors="strict")
    assert len(dict(pairs)) == len(pairs)
    return dict(pairs)


def json_pairs(document: Any) -> Pairs:
    """Every leaf of a JSON object, with the path of names to it."""
    assert isinstance(document, dict)
    pairs: Pairs = {}
    for name, value in document.items():
        if isinstance(value, dict):
            pairs |= {(name, *path): leaf for path, leaf in json_pairs(value).items()}
        else:
            pairs[(name,)] = value
    return pairs


def strict_json(text: str) -> Any:
    """JSON as RFC 8259 has it: a name that stands twice, or NaN, is a fault."""

    def once(members: list[tuple[str, Any]]) -> dict[str, Any]:
        assert len(dict(members)) == len(members)
        return dict(members)

    def never(constant: str) -> Any:
        raise AssertionError(f"{constant} is not JSON")

    return json.loads(text, object_pairs_hook=once, parse_constant=never)


def larch_pairs(payload: bytes) -> Pairs:
    """docs/manuals/larch.md: a merge patch (RFC 7396) of at most 1024 octets."""
    assert len(payload) <= 1024
    return json_pairs(strict_json(payload.decode("utf-8")))


def rowan_pairs(payload: bytes) -> Pairs:
    """docs/manuals/rowan.md: a JSON-RPC 2.0 call of settings.merge, at most 2048 octets."""
    assert len(payload) <= 2048
    call = strict_json(payload.decode("utf-8"))
    assert set(call) == {"jsonrpc", "id", "method", "params"}
    assert call["jsonrpc"] == "2.0"
    assert call["method"] == "settings.merge"
    assert isinstance(call["id"], int)
    return json_pairs(call["params"])


def sedge_pairs(payload: bytes) -> Pairs:
    """docs/manuals/sedge.md: statements in US-ASCII with semicolons between; 255 octets."""
    assert len(payload) <= 255
    pairs: Pairs = {}
    for statement in payload.decode("ascii").split(";"):
        name, sign, value = statement.partition("=")
        assert sign
        assert name.strip() not in {path[0] for path in pairs}
        pairs[(name.strip(),)] = value.strip()
    return pairs


def lines_pairs(
    text: str, *, before: str, after: str, separator: str, assign: str, percent: bool
) -> Pairs:
    """A framed list of statements, the way a small device splits it: always at the first sign."""
    assert text.startswith(before)
    assert text.endswith(after)
    inner = text[len(before) : len(text) - len(after)]
    if after and after not in separator:
        # A device that reads up to the end sign must come to the same.
        assert text.index(after, len(before)) == len(text) - len(after)
    pairs: Pairs = {}
    for statement in inner.split(separator):
        name, sign, value = statement.partition(assign)
        assert sign
        assert (name,) not in pairs
        pairs[(name,)] = unquote(value, errors="strict") if percent else value
    return pairs
