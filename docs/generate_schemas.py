"""Writes the JSON Schemas of the four kinds of files from the models, with the words of
docs/keys.toml: `python docs/generate_schemas.py`. With `--check` it writes nothing and ends with 1
if they are not what it would write.

JSON Schema 2020-12. They help while one types; the whole check is migrate's own, so a schema takes
everything that migrate takes, and some more.
"""

from __future__ import annotations

import json
import sys
import tomllib
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from pydantic import BaseModel

from migrate.dialects.schema import Dialect
from migrate.model.campaign import Campaign
from migrate.model.fleet import Fleet
from migrate.model.playbook import Playbook

HERE = Path(__file__).parent
TARGET = HERE.parent / "migrate" / "dialects" / "schemas"
KINDS: dict[str, type[BaseModel]] = {
    "fleet": Fleet,
    "playbook": Playbook,
    "dialect": Dialect,
    "campaign": Campaign,
}


def schema(model: type[BaseModel], words: Mapping[str, Any]) -> dict[str, Any]:
    """The schema of one kind of file."""
    made = model.model_json_schema()
    inner = made.pop("$defs", {})
    plain = {name: _described(name, one, words) for name, one in inner.items()}
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": f"migrate: the {words['file'][model.__name__]['heading'].lower()}",
        **{k: v for k, v in _described(model.__name__, made, words).items() if k != "title"},
        "$defs": plain,
    }


def _described(name: str, made: dict[str, Any], words: Mapping[str, Any]) -> dict[str, Any]:
    said = words["model"].get(name)
    if said is None:
        return dict(_plain(made))
    made = {**made, "description": said["about"].strip()}
    for key, one in made.get("properties", {}).items():
        one["description"] = said["keys"][key]
    return dict(_plain(made))


def _plain(value: Any, *, names: bool = False) -> Any:
    """Without what TOML has no words for (null), and without titles that say nothing new. Below
    `properties` stand `names` of keys, which stay."""
    if isinstance(value, list):
        return [_plain(one) for one in value]
    if not isinstance(value, dict):
        return value
    if names:
        return {key: _plain(one) for key, one in value.items()}
    some = value.get("anyOf")
    if isinstance(some, list) and {"type": "null"} in some:
        rest = [one for one in some if one != {"type": "null"}]
        value = {k: v for k, v in value.items() if k != "anyOf"}
        value = {**value, **rest[0]} if len(rest) == 1 else {**value, "anyOf": rest}
    left = {
        key: _plain(one, names=key in ("properties", "mapping"))
        for key, one in value.items()
        if key != "title" and not (key == "default" and one is None)
    }
    # How a network or a path is written is no format of JSON Schema.
    if left.get("format") in ("ipv4network", "path"):
        del left["format"]
    return left


def texts() -> dict[Path, str]:
    """Every file, and what it must hold."""
    words = tomllib.loads((HERE / "keys.toml").read_text(encoding="utf-8"))
    return {
        TARGET / f"{kind}.schema.json": json.dumps(schema(model, words), indent=2) + "\n"
        for kind, model in KINDS.items()
    }


def main(arguments: Sequence[str]) -> int:
    """Write them, or check them."""
    for path, text in texts().items():
        if "--check" not in arguments:
            path.write_text(text, encoding="utf-8")
        elif not path.is_file() or path.read_text(encoding="utf-8") != text:
            print(
                "the schemas are not up to date: python docs/generate_schemas.py", file=sys.stderr
            )
            return 1
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
