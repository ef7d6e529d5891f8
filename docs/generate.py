"""Writes docs/files.md from the models that read the files, and from the words in docs/keys.toml.

Run it after a change of a model: `python docs/generate.py`. With `--check` it writes nothing and
ends with 1 if docs/files.md is not what it would write.
"""

from __future__ import annotations

import sys
import tomllib
import types
from collections.abc import Iterator, Mapping, Sequence
from enum import StrEnum
from ipaddress import IPv4Address, IPv4Network
from pathlib import Path
from typing import Annotated, Any, Literal, Union, get_args, get_origin

from pydantic import BaseModel
from pydantic.fields import FieldInfo

from migrate.dialects.parts import PLACES
from migrate.dialects.schema import Dialect
from migrate.model.campaign import Campaign
from migrate.model.fleet import Fleet
from migrate.model.playbook import Playbook
from migrate.model.settings import FLAGS, NUMBERS, SECRETS, Setting

HERE = Path(__file__).parent
TARGET, WORDS = HERE / "files.md", HERE / "keys.toml"
ROOTS: tuple[type[BaseModel], ...] = (Fleet, Playbook, Dialect, Campaign)
PLAIN = {
    str: "text",
    int: "whole number",
    float: "number",
    bool: "true or false",
    Path: "path",
    IPv4Address: "IPv4 address",
    IPv4Network: "IPv4 network",
}


class NoWords(Exception):
    """docs/keys.toml and the models do not agree."""


def models_of(root: type[BaseModel]) -> list[type[BaseModel]]:
    """A model and every model inside it, each once, in the order of its keys."""
    found = [root]
    for model in found:
        for field in model.model_fields.values():
            found += [one for one in dict.fromkeys(_inside(field.annotation)) if one not in found]
    return found


def _inside(annotation: Any) -> Iterator[type[BaseModel]]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        yield annotation
    for part in get_args(annotation):
        yield from _inside(part)


def kind(annotation: Any, bounds: Sequence[Any] = ()) -> str:
    """A type in the words of somebody who writes TOML."""
    origin, parts = get_origin(annotation), get_args(annotation)
    if origin is Annotated:
        return kind(parts[0], parts[1:])
    if origin in (Union, types.UnionType):
        return " or ".join(kind(part, bounds) for part in parts if part is not types.NoneType)
    if origin is Literal:
        return " or ".join(_value(part) for part in parts)
    if origin is tuple:
        return f"list of: {kind(parts[0])}"
    if origin is dict:
        return f"table of: {kind(parts[1])}"
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return f"[{annotation.__name__}](#{annotation.__name__.lower()})"
    if isinstance(annotation, type) and issubclass(annotation, StrEnum):
        return " or ".join(_value(part) for part in annotation)
    return PLAIN[annotation] + _bounds(bounds)


def _bounds(marks: Sequence[Any]) -> str:
    flat = [one for mark in marks for one in getattr(mark, "metadata", None) or [mark]]
    told = [
        f"{words} {getattr(mark, name):g}"
        for mark in flat
        for name, words in (
            ("ge", "at least"),
            ("gt", "more than"),
            ("le", "at most"),
            ("lt", "less than"),
        )
        if getattr(mark, name, None) is not None
    ]
    return f", {', '.join(told)}" if told else ""


def _value(value: Any) -> str:
    if isinstance(value, bool):
        return f"`{str(value).lower()}`"
    if isinstance(value, str):
        return '`"\\n"`' if value == "\n" else f'`"{value}"`'
    if isinstance(value, tuple):
        if isinstance(value[0], int) and value == tuple(range(value[0], value[-1] + 1)):
            return f"`{value[0]}` to `{value[-1]}`"
        return f"`[{', '.join(_value(one).strip('`') for one in value)}]`"
    return f"`{value}`"


def _default(field: FieldInfo) -> str:
    if field.is_required():
        return "**needed**"
    value = field.default
    if value is None or value in ({}, ()):
        return "none"
    return "as there" if isinstance(value, BaseModel) else _value(value)


def _section(model: type[BaseModel], words: Mapping[str, Any]) -> Iterator[str]:
    told = dict(words.get("keys", {}))
    yield f"### {model.__name__}\n\n{words['about'].strip()}\n"
    yield "| key | holds | without it | meaning |\n|---|---|---|---|"
    for name, field in model.model_fields.items():
        if name not in told:
            raise NoWords(f"{WORDS.name} has no words for {model.__name__}.{name}")
        cells = (f"`{name}`", kind(field.annotation, field.metadata), _default(field))
        yield f"| {' | '.join(cells)} | {told.pop(name)} |"
    if told:
        raise NoWords(f"{WORDS.name} describes {model.__name__}.{next(iter(told))}, which is gone")
    yield ""


def _settings(words: Mapping[str, str]) -> Iterator[str]:
    yield "| setting | holds | meaning |\n|---|---|---|"
    for setting in Setting:
        holds = "text"
        if setting in SECRETS:
            holds = "a secret: written, never read"
        elif setting in NUMBERS:
            holds = "whole number"
        elif setting in FLAGS:
            holds = "yes or no"
        if setting not in words:
            raise NoWords(f"{WORDS.name} has no words for the setting {setting}")
        yield f"| `{setting}` | {holds} | {words[setting]} |"
    yield ""


def document(words: Mapping[str, Any]) -> str:
    """The whole of docs/files.md. Raises NoWords."""
    parts = [words["intro"].strip(), ""]
    done: set[type[BaseModel]] = set()
    for root in ROOTS:
        about = words["file"][root.__name__]
        parts += [f"## {about['heading']}", "", about["about"].strip(), ""]
        for model in models_of(root):
            if model in done:
                continue
            done.add(model)
            if model.__name__ not in words["model"]:
                raise NoWords(f"{WORDS.name} has no words for {model.__name__}")
            parts += _section(model, words["model"][model.__name__])
        if after := about.get("after"):
            parts += [after.strip(), ""]
    gone = set(words["model"]) - {model.__name__ for model in done}
    if gone:
        raise NoWords(f"{WORDS.name} describes {sorted(gone)[0]}, which is gone")
    parts += ["## Settings", "", words["settings"]["about"].strip(), ""]
    parts += _settings(words["settings"]["keys"])
    parts += ["## Placeholders in topics and paths", ""]
    parts += [f"* `{{{name}}}`: {meaning}" for name, meaning in PLACES.items()]
    return "\n".join(parts) + "\n"


def main(arguments: Sequence[str]) -> int:
    """Write the document, or check it."""
    text = document(tomllib.loads(WORDS.read_text(encoding="utf-8")))
    if "--check" in arguments:
        same = TARGET.is_file() and TARGET.read_text(encoding="utf-8") == text
        if not same:
            print("docs/files.md is not up to date; run: python docs/generate.py", file=sys.stderr)
        return 0 if same else 1
    TARGET.write_text(text, encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
