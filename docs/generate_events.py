"""Writes docs/events.schema.json, and the tables of docs/events.md, from the models of the events.

Run it after a change of a model: `python docs/generate_events.py`. With `--check` it writes nothing
and ends with 1 if one of them is not what it would write.
"""

from __future__ import annotations

import json
import re
import sys
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any, Final

from pydantic import BaseModel

from migrate.views.events import EVENTS, SCHEMA, Base, Part

HERE = Path(__file__).parent
PAGE, TARGET = HERE / "events.md", HERE / "events.schema.json"
MARK: Final = "<!-- From here on: written by generate_events.py -->\n"
PLAIN = {
    "string": "text",
    "integer": "whole number",
    "number": "number",
    "boolean": "true or false",
}


def schema() -> dict[str, Any]:
    """The schema of a line. A reader must not stumble over keys that come later, so it allows
    them."""
    found = SCHEMA.json_schema(mode="serialization")
    body = {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "An event of migrate",
        "description": "One line that migrate prints with --json; see docs/events.md.",
        **found,
    }
    opened: dict[str, Any] = _open(body)
    return opened


def _open(value: Any) -> Any:
    """Without what closes objects, and without titles that say the key again."""
    if isinstance(value, list):
        return [_open(one) for one in value]
    if not isinstance(value, dict):
        return value
    found = {key: _open(one) for key, one in value.items() if key != "additionalProperties"}
    if isinstance(found.get("title"), str) and "type" in found and "properties" not in found:
        del found["title"]
    return found


def tables() -> Iterator[str]:
    """The second half of the page."""
    yield "## Every event\n"
    yield "These keys are in every line, beside `event`:\n"
    yield from _table(Base, set(), {})
    definitions = schema()["$defs"]
    parts: list[type[BaseModel]] = []
    for model in EVENTS:
        name = model.model_fields["event"].default
        yield f"## {name}\n\n{_about(model)}\n"
        yield from _table(model, {*Base.model_fields, "event"}, definitions)
        parts += [one for one in _parts(model) if one not in parts]
    yield "## Parts\n"
    for part in parts:
        yield f"### {_called(part.__name__)}\n\n{_about(part)}\n"
        yield from _table(part, set(), definitions)


def _about(model: type[BaseModel]) -> str:
    return " ".join((model.__doc__ or "").split())


def _called(name: str) -> str:
    return re.sub(r"(?<!^)([A-Z])", r" \1", name.removesuffix("Part")).lower()


def _parts(model: type[BaseModel]) -> Iterator[type[BaseModel]]:
    names = json.dumps(model.model_json_schema(mode="serialization")["properties"])
    yield from (one for one in _all_parts(Part) if f'/{one.__name__}"' in names)


def _all_parts(model: type[BaseModel]) -> Iterator[type[BaseModel]]:
    for one in model.__subclasses__():
        if not issubclass(one, Base):
            yield one
            yield from _all_parts(one)


def _table(
    model: type[BaseModel], without: set[str], definitions: Mapping[str, Any]
) -> Iterator[str]:
    found = _open(model.model_json_schema(mode="serialization"))
    told = {**definitions, **found.get("$defs", {})}
    yield "| key | holds | meaning |\n|---|---|---|"
    for key, one in found["properties"].items():
        if key not in without:
            yield f"| `{key}` | {_kind(one, told)} | {one.get('description', _said(one, told))} |"
    yield ""


def _said(one: Mapping[str, Any], definitions: Mapping[str, Any]) -> str:
    told = definitions[one["$ref"].rpartition("/")[2]] if "$ref" in one else {}
    return str(told.get("description", ""))


def _kind(one: Mapping[str, Any], definitions: Mapping[str, Any]) -> str:
    if "$ref" in one:
        name = one["$ref"].rpartition("/")[2]
        if "enum" in definitions.get(name, {}):
            return _kind(definitions[name], definitions)
        return f"[{_called(name)}](#{_called(name).replace(' ', '-')})"
    if "anyOf" in one:
        return " or ".join(_kind(part, definitions) for part in one["anyOf"])
    if "const" in one:
        return f"`{json.dumps(one['const'])}`"
    if "enum" in one:
        return " or ".join(f'`"{value}"`' for value in one["enum"])
    if one["type"] == "array":
        return f"list of: {_kind(one['items'], definitions)}"
    if one["type"] == "null":
        return "null"
    if one.get("format") == "date-time":
        return "time"
    return PLAIN[one["type"]]


def written() -> dict[Path, str]:
    """Each file, and what stands in it."""
    head, mark, _ = PAGE.read_text(encoding="utf-8").partition(MARK)
    return {
        TARGET: json.dumps(schema(), indent=1) + "\n",
        PAGE: head + mark + "\n" + "\n".join(tables()),
    }


def main(arguments: Sequence[str]) -> int:
    """Write them, or check them."""
    for path, text in written().items():
        if "--check" not in arguments:
            path.write_text(text, encoding="utf-8")
        elif not path.is_file() or path.read_text(encoding="utf-8") != text:
            words = f"docs/{path.name} is not up to date; run: python docs/generate_events.py"
            print(words, file=sys.stderr)
            return 1
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
