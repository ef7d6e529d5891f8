"""From the text of an owner's file to a model, or to problems that name file, key and device."""

from __future__ import annotations

import csv
import difflib
import io
import tomllib
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError

from migrate.model.fleet import Device, Fleet
from migrate.model.problems import BadFile, Problem

Model = TypeVar("Model", bound=BaseModel)
MAX_OCTETS = 8 * 1024 * 1024
"""No file of an owner is longer than this; a longer one is not what it is taken for."""


def parse_toml(text: str, model: type[Model], where: str, base: Path) -> Model:
    """Read TOML text as a model; paths in it are relative to `base`. Raises BadFile."""
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise BadFile(
            Problem(
                f"is not TOML: {error}",
                "correct that line; text stands in quotes, tables in square brackets",
                where,
            )
        ) from None
    except RecursionError:
        raise BadFile(Problem("is nested too deeply", "write it flatter", where)) from None
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
    except ValidationError as error:
        problems = [
            _problem(fault, data, model, where) for fault in error.errors(include_url=False)
        ]
        raise BadFile(problems) from None


def _rows(text: str, where: str) -> list[dict[str, Any]]:
    try:
        reader = csv.DictReader(io.StringIO(text), strict=True, skipinitialspace=True)
        rows = list(reader)
    except csv.Error as error:
        raise BadFile(
            Problem(f"is not CSV: {error}", "first line: column names; then a line a device", where)
        ) from None
    known = set(Device.model_fields) | {"username", "password_env", "password_file"}
    unknown = [name for name in reader.fieldnames or () if name not in known]
    if unknown:
        raise BadFile(
            [
                Problem(f"unknown column {name!r}", _nearest(name, known), where, key=name)
                for name in unknown
            ]
        )
    return [_device_of(row, line, where) for line, row in enumerate(rows, start=2)]


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
    if "port" in given and given["port"].isdecimal():
        given["port"] = int(given["port"])
    if "feeds" in given:
        given["feeds"] = tuple(given["feeds"].split())
    password = {
        place: given.pop(f"password_{place}")
        for place in ("env", "file")
        if f"password_{place}" in given
    }
    if password or "username" in given:
        given["login"] = {"username": given.pop("username", ""), "password": password}
    return given


def _tuples(value: Any) -> Any:
    # Strict models want tuples where TOML has arrays.
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
    elif kind.endswith("_type"):
        message = message.replace("Input should be", "must be")
        remedy = "TOML: text in quotes, numbers and true/false without"
    elif kind == "value_error":
        message = message.removeprefix("Value error, ")
        message, _, hint = message.partition("; ")
        remedy = hint or remedy
    else:
        message = message.replace("Input should", "must").replace("must be", "must be", 1)
    return Problem(message, remedy, where, _spell(path), _device_at(data, path))


def _spell(path: Sequence[str | int]) -> str:
    text = ""
    for part in path:
        text += f"[{part}]" if isinstance(part, int) else f".{part}" if text else part
    return text


def _device_at(data: Mapping[str, Any], path: Sequence[str | int]) -> str:
    if len(path) >= 2 and path[0] == "device" and isinstance(path[1], int):
        devices = data.get("device")
        if isinstance(devices, Sequence) and path[1] < len(devices):
            device = devices[path[1]]
            if isinstance(device, Mapping):
                return str(device.get("name", f"number {path[1] + 1}"))
    return ""


def _keys_at(model: Any, path: Sequence[str | int]) -> set[str]:
    """The keys a model knows at a place, as far as simple nesting tells."""
    for part in path:
        if isinstance(part, int):
            continue
        field = model.model_fields.get(part) if hasattr(model, "model_fields") else None
        if field is None:
            return set()
        model = _model_in(field.annotation)
    return set(model.model_fields) if hasattr(model, "model_fields") else set()


def _model_in(annotation: Any) -> Any:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    for inner in getattr(annotation, "__args__", ()):
        if (found := _model_in(inner)) is not None:
            return found
    return None


def _nearest(word: str, known: set[str]) -> str:
    close = difflib.get_close_matches(word, sorted(known), n=1)
    if close:
        return f"did you mean {close[0]!r}?"
    return f"known here: {', '.join(sorted(known))}" if known else "take it out"
