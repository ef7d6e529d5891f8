"""RFC 7396, appendix A: every row of its table."""

from __future__ import annotations

import json

import json_merge_patch
import pytest

from migrate.lab.firmware.merge_patch import merge

TABLE = [
    ('{"a":"b"}', '{"a":"c"}', '{"a":"c"}'),
    ('{"a":"b"}', '{"b":"c"}', '{"a":"b","b":"c"}'),
    ('{"a":"b"}', '{"a":null}', "{}"),
    ('{"a":"b","b":"c"}', '{"a":null}', '{"b":"c"}'),
    ('{"a":["b"]}', '{"a":"c"}', '{"a":"c"}'),
    ('{"a":"c"}', '{"a":["b"]}', '{"a":["b"]}'),
    ('{"a":{"b":"c"}}', '{"a":{"b":"d","c":null}}', '{"a":{"b":"d"}}'),
    ('{"a":[{"b":"c"}]}', '{"a":[1]}', '{"a":[1]}'),
    ('["a","b"]', '["c","d"]', '["c","d"]'),
    ('{"a":"b"}', '["c"]', '["c"]'),
    ('{"a":"foo"}', "null", "null"),
    ('{"a":"foo"}', '"bar"', '"bar"'),
    ('{"e":null}', '{"a":1}', '{"e":null,"a":1}'),
    ("[1,2]", '{"a":"b","c":null}', '{"a":"b"}'),
    ("{}", '{"a":{"bb":{"ccc":null}}}', '{"a":{"bb":{}}}'),
]


@pytest.mark.parametrize(("target", "patch", "result"), TABLE)
def test_the_table_of_the_rfc(target: str, patch: str, result: str) -> None:
    assert merge(json.loads(target), json.loads(patch)) == json.loads(result)


@pytest.mark.parametrize(("target", "patch"), [row[:2] for row in TABLE if row[0][0] == "{"])
def test_same_as_a_reference_library(target: str, patch: str) -> None:
    """json-merge-patch (PyPI) as the reference."""
    expected = json_merge_patch.merge(json.loads(target), json.loads(patch))
    assert merge(json.loads(target), json.loads(patch)) == expected


def test_the_target_is_not_changed() -> None:
    target = {"a": {"b": 1}}
    merge(target, {"a": {"b": 2, "c": 3}})
    assert target == {"a": {"b": 1}}
