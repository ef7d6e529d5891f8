"""From the text of an owner's file to a model, or to problems that name file, key and device."""

from __future__ import annotations

import csv
import difflib
import io
import re
import tomllib
from collections import Counter
from collections.abc import Mapping, Sequence
from itertools import islice
from pathlib import Path
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError

from migrate.model.fleet import Device, Fleet
from migrate.model.problems import BadFile, Problem

BYTE_ORDER_MARK = "\ufeff"
"""Some editors and spreadsheets put it in front of a text (common practice, no source)."""
Model = TypeVar("Model", bound=BaseModel)
MOST_ITEMS = 20_000
"""No list or table of an owner is longer; twice the largest fleet that migrate is tried with."""
LONGEST = 200
"""Characters of somebody's text that is quoted in a problem."""
MOST_TOLD = 100
"""Faults of one file that are told; whoever has more corrects these first."""
_PART = r"""(?:[\w-]+|"[^"\n]*"|'[^'\n]*')"""
_LONG_NAME = re.compile(rf"(?<![\w.-]){_PART}(?:[ \t]*\.[ \t]*{_PART}){{16}}")
"""A dotted name of more than 16 parts: no file of an owner has one, and Python's reader takes time
that grows with the square of their number."""
MAX_OCTETS = 8 * 1024 * 1024
"""No file of an owner is longer than this; a longer one is not what it is taken for."""


def parse_toml(text: str, model: type[Model], where: str, base: Path) -> Model:
    """Read TOML text as a model; paths in it are relative to `base`. Raises BadFile."""
    if long := _LONG_NAME.search(text):
        line = text.count("\n", 0, long.start()) + 1
        what = f"is nested too deeply: a name of more than 16 parts (line {line})"
        raise BadFile(Problem(what, "write it flatter", where))
    try:
        data = tomllib.loads(text.removeprefix(BYTE_ORDER_MARK))
    except tomllib.TOMLDecodeError as error:
        raise BadFile(
            Problem(
                f"is not TOML: {error}",
                "correct that line; text stands in quotes, tables in square brackets",
                where,
            )
        ) from None
    except RecursionError:
        raise _too_deep(where) from None
    except ValueError as error:
        # Python reads no integer of more than a few thousand digits, and no date that is none.
        words = "holds a number of too many digits" if "digits" in str(error) else str(error)
        raise BadFile(Problem(f"is not TOML: {words}", "correct that value", where)) from None
    return validate(data, model, where, base)


def parse_fleet(text: str, where: str, base: Path) -> Fleet:
    """Read a fleet from TOML, or from CSV when `where` ends in .csv. Raises BadFile."""
    if not where.lower().endswith(".csv"):
        return parse_toml(text, Fleet, where, base)
    return validate({"title": Path(where).stem, "device": _rows(text, where)}, Fleet, where, base)


def validate(data: Mapping[str, Any], model: type[Model], where: str, base: Path) -> Model:
    """Check plain data against a model. Raises BadFile with every fault found."""
    try:
        return model.model_validate(_tuples(data), context={"base": base})
    except _TooMany as error:
        what = f"holds a list or table of {error} items; at most {MOST_ITEMS} are read"
        raise BadFile(Problem(what, "is this the right file?", where)) from None
    except RecursionError:
        raise _too_deep(where) from None
    except ValidationError as error:
        faults = error.errors(include_url=False, include_input=False, include_context=False)
        places = [fault["loc"] for fault in faults]
        problems = [
            _problem(fault, data, model, where)
            for fault in faults[:MOST_TOLD]
            # An array whose items are all faulty is not empty to its owner.
            if not (fault["type"] == "too_short" and _holds_another(fault["loc"], places))
        ]
        if len(faults) > MOST_TOLD:
            more = len(faults) - MOST_TOLD
            problems.append(Problem(f"has {more} faults more", "correct these first", where))
        raise BadFile(problems) from None


def _rows(text: str, where: str) -> list[dict[str, Any]]:
    try:
        lines = io.StringIO(text.removeprefix(BYTE_ORDER_MARK))
        reader = csv.DictReader(lines, strict=True, skipinitialspace=True)
        # One row more than are read, and `validate` will say so.
        rows = [(reader.line_num, row) for row in islice(reader, MOST_ITEMS + 1)]
    except csv.Error as error:
        raise BadFile(
            Problem(f"is not CSV: {error}", "first line: column names; then a line a device", where)
        ) from None
    known = set(Device.model_fields) | {"username", "password_env", "password_file"}
    names = list(reader.fieldnames or ())
    unknown = [name for name in names if name not in known]
    if unknown:
        raise BadFile(
            [
                Problem(
                    brief(f"unknown column {name!r}"), _nearest(name, known), where, key=brief(name)
                )
                for name in unknown[:MOST_TOLD]
            ]
        )
    twice = [name for name, times in Counter(names).items() if times > 1]
    if twice:
        raise BadFile(
            [
                Problem(f"column {name!r} stands twice", "keep one", where, key=name)
                for name in twice
            ]
        )
    return [_device_of(row, line, where) for line, row in rows]


def _holds_another(place: tuple[Any, ...], places: Sequence[tuple[Any, ...]]) -> bool:
    return any(len(one) > len(place) and one[: len(place)] == place for one in places)


def _too_deep(where: str) -> BadFile:
    return BadFile(Problem("is nested too deeply", "write it flatter", where))


def _device_of(row: dict[str | None, Any], line: int, where: str) -> dict[str, Any]:
    if None in row:
        raise BadFile(
            Problem(
                "has more fields than columns", "quote a value with commas", where, f"line {line}"
            )
        )
    given: dict[str, Any] = {
        str(key): value.strip() for key, value in row.items() if isinstance(value, str) and value
    }
    given = {key: value for key, value in given.items() if value}
    if "port" in given:
        given["port"] = _number(given["port"])
    if "feeds" in given:
        given["feeds"] = tuple(given["feeds"].split())
    if "quiet" in given:
        given["quiet"] = tuple(given["quiet"].split())
    if "channels" in given:
        given["channels"] = tuple(_number(word) for word in given["channels"].split())
    if "wakes_seconds" in given:
        given["wakes_seconds"] = _number(given["wakes_seconds"])
    password = {
        place: given.pop(f"password_{place}")
        for place in ("env", "file")
        if f"password_{place}" in given
    }
    if password or "username" in given:
        given["login"] = {"username": given.pop("username", ""), "password": password}
    return given


def _number(text: str) -> int | str:
    """A whole number of up to five digits; other text stays, for the model to refuse."""
    return int(text) if text.isdecimal() and len(text) <= 5 else text


class _TooMany(Exception):
    """More items than any owner has."""


def _tuples(value: Any) -> Any:
    # Strict models want tuples where TOML has arrays.
    if isinstance(value, Mapping | list) and len(value) > MOST_ITEMS:
        raise _TooMany(len(value))
    if isinstance(value, Mapping):
        return {key: _tuples(item) for key, item in value.items()}
    if isinstance(value, list):
        return tuple(_tuples(item) for item in value)
    return value


def _problem(fault: Any, data: Mapping[str, Any], model: type[BaseModel], where: str) -> Problem:
    path: tuple[str | int, ...] = fault["loc"]
    kind, message = fault["type"], str(fault["msg"])
    remedy = "see the file reference in docs/files.md"
    if kind == "extra_forbidden":
        message = f"unknown key {path[-1]!r}"
        remedy = _nearest(str(path[-1]), _keys_at(model, path[:-1]))
    elif kind == "missing":
        message, remedy = f"{path[-1]} is missing", f"add {path[-1]} = ..."
    elif kind == "too_short":
        message, remedy = f"has no {path[-1]}", f"add at least one [[{path[-1]}]]"
    elif kind.endswith("_type"):
        message = message.replace("Input should be", "must be")
        message = message.replace("a valid tuple", "a list")
        remedy = "in TOML, text stands in quotes, numbers and true/false without"
        if kind == "tuple_type":
            remedy = "in TOML, a list stands in square brackets, even if it has one item"
    elif kind == "value_error":
        message = message.removeprefix("Value error, ")
        message, _, hint = message.partition("; ")
        remedy = hint or remedy
    else:
        message = message.replace("Input should", "must").replace("must be", "must be", 1)
    return Problem(
        brief(message), brief(remedy), where, brief(_spell(path, data)), _device_at(data, path)
    )


def brief(words: str) -> str:
    """Words as they are, or their beginning if they are of endless length: they quote a file."""
    return words if len(words) <= 4 * LONGEST else f"{words[:LONGEST]} ..."


def _spell(path: Sequence[str | int], data: Any) -> str:
    text = ""
    for number, part in enumerate(path):
        inside = isinstance(data, Mapping) and part not in data
        if (inside and number < len(path) - 1) or part == "[key]":
            continue  # pydantic's own marks: the tag of a form, a fault in a key
        if isinstance(part, int):
            text += f"[{part}]"
            data = data[part] if isinstance(data, Sequence) and part < len(data) else None
        else:
            quoted = f'"{part}"' if "." in part else part
            text += f".{quoted}" if text else quoted
            data = data.get(part) if isinstance(data, Mapping) else None
    return text


def _device_at(data: Mapping[str, Any], path: Sequence[str | int]) -> str:
    if len(path) >= 2 and path[0] == "device" and isinstance(path[1], int):
        devices = data.get("device")
        if isinstance(devices, Sequence) and path[1] < len(devices):
            device = devices[path[1]]
            if isinstance(device, Mapping):
                name = device.get("name")
                fit = isinstance(name, str) and name.strip() and name.isprintable()
                fit = fit and len(str(name)) <= LONGEST
                return str(name) if fit else f"number {path[1] + 1}"
    return ""


def _keys_at(model: Any, path: Sequence[str | int]) -> set[str]:
    """The keys that the models at a place know."""
    models: list[type[BaseModel]] = [model]
    for part in path:
        fields = [one.model_fields[part] for one in models if part in one.model_fields]
        if fields:
            models = [inner for field in fields for inner in _models_in(field.annotation)]
        elif len(models) > 1:
            # One of several forms: the part is its tag, not a key.
            models = [one for one in models if _tagged(one, part)]
        # Else it counts the items of an array, or names one of a table.
    return {key for one in models for key in one.model_fields}


def _models_in(annotation: Any) -> list[type[BaseModel]]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return [annotation]
    return [found for inner in getattr(annotation, "__args__", ()) for found in _models_in(inner)]


def _tagged(model: type[BaseModel], tag: str | int) -> bool:
    return any(
        tag in getattr(field.annotation, "__args__", ()) for field in model.model_fields.values()
    )


def _nearest(word: str, known: set[str]) -> str:
    # What is far longer than any of them is near none, and comparing would take its time.
    close = difflib.get_close_matches(word, sorted(known), n=1) if len(word) <= LONGEST else []
    close = close or [one for one in sorted(known) if word and one.startswith(word)]
    if close:
        return f"did you mean {close[0]!r}?"
    return f"known here: {', '.join(sorted(known))}" if known else "take it out"
