"""Adding to an owner's fleet file. What stands in it stays as it is, to the octet.

New devices are written below the last line; a value that changed is replaced where it stands, by
tomlkit, comments included. The result must read as a fleet, and differ from what was there in just
what was asked for, or nothing is written.
"""

from __future__ import annotations

import os
import re
import stat
import tempfile
import tomllib
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import tomlkit
from tomlkit.exceptions import TOMLKitError
from tomlkit.items import AoT, Array, InlineTable

from migrate.model.parsing import BYTE_ORDER_MARK, MAX_OCTETS, parse_fleet
from migrate.model.problems import BadFile, Changed, Problem

_TABLE = re.compile(r"^[ \t]*\[", re.MULTILINE)
_DEVICE = re.compile(r"[ \t]*\[\[[ \t]*device[ \t]*\]\]")
"""Where a table begins. A line of a text of several lines may look the same; what comes of that is
seen when the result is checked."""
_LINE_FEED = re.compile(r"(?<!\r)\n")
BY_HAND = "write it into the file by hand; nothing was changed"
HEAD = (
    "# Devices as they were found. Their MAC is who they are; everything else may change.\n"
    "# Before you plan, say of each: reach (table, ladder or tools), place, what it switches (load)"
    ",\n# what it feeds (feeds) and who stands in for it (cover). See docs/files.md.\n"
)
REACH = (
    'reach = "tools"  # not known; put "table" or "ladder" if it is easier to get at, then add '
    "place, load, feeds, cover\n"
)
"""Unknown counts as the hardest: a device that is taken for easy would go first."""


@dataclass(frozen=True)
class Text:
    """A fleet file as it was read: octets, so that its owner's change meanwhile is seen."""

    path: Path
    octets: bytes
    text: str


def read_for_edit(path: Path) -> Text:
    """A fleet file that is to be edited; one that is not there yet is empty. Raises BadFile."""
    try:
        if not stat.S_ISREG(path.stat().st_mode) and not path.is_dir():
            # A pipe would be waited for, a device written over.
            raise BadFile(Problem("is no plain file", "correct the path", str(path)))
        octets = path.read_bytes()
    except FileNotFoundError:
        octets = b""
    except (OSError, ValueError) as error:
        why = getattr(error, "strerror", None) or "is not a path"
        problem = Problem(f"cannot be read: {why}", "correct the path", str(path))
        raise BadFile(problem) from None
    if len(octets) > MAX_OCTETS:
        what = f"is longer than {MAX_OCTETS} octets"
        raise BadFile(Problem(what, "is this the right file?", str(path)))
    try:
        return Text(path, octets, octets.decode("utf-8"))
    except UnicodeDecodeError as error:
        problem = Problem(f"is not UTF-8 text (octet {error.start})", "save it as UTF-8", str(path))
        raise BadFile(problem) from None


def device_text(keys: Mapping[str, str | int]) -> str:
    """A device as it is written below the others: name, MAC and what else is known."""
    table = tomlkit.table()
    for key, value in keys.items():
        table.add(key, value)
    return f"[[device]]\n{table.as_string()}{REACH}"


def edited(
    text: str,
    where: str,
    new: Sequence[Mapping[str, str | int]],
    changes: Mapping[int, Mapping[str, str]],
) -> str:
    """The text with these devices added and these values put in, by the number of the device in the
    file. Raises BadFile if that cannot be done without touching anything else."""
    mark = BYTE_ORDER_MARK if text.startswith(BYTE_ORDER_MARK) else ""
    body = text.removeprefix(mark)
    before: dict[str, Any] = tomllib.loads(body)
    try:
        after, inline = _with_changes(body, changes, new)
    except (TOMLKitError, RecursionError, LookupError, TypeError, ValueError) as error:
        what = f"cannot be edited ({type(error).__name__})"
        raise BadFile(Problem(what, BY_HAND, where)) from None
    if new and not inline:
        ending = "\r\n" if "\r\n" in after else "\n"
        added = "\n".join(device_text(keys) for keys in new)
        if after.strip():
            after += ("" if after.endswith("\n") else ending) + ending
        else:
            after += HEAD.replace("\n", ending) + ending
        after += added.replace("\n", ending)
    _check(before, after, where, new, changes)
    return mark + after


def _with_changes(
    body: str, changes: Mapping[int, Mapping[str, str]], new: Sequence[Mapping[str, str | int]]
) -> tuple[str, bool]:
    """The text with these values put in, and whether its devices stand in one array, in which case
    the new ones are in it as well."""
    inline = isinstance(tomlkit.parse(body).get("device"), Array) if body.strip() else False
    if inline:
        return (_in_array(body, changes, new) if changes or new else body), True
    heads = [found.start() for found in _TABLE.finditer(body)]
    ours = [start for start in heads if _DEVICE.match(body, start)]
    # From the last to the first, so that the places of those before stay what they are.
    for number, values in sorted(changes.items(), reverse=True):
        start = ours[number]
        end = next((head for head in heads if head > start), len(body))
        body = body[:start] + _block(body[start:end], values) + body[end:]
    return body, False


def _block(text: str, values: Mapping[str, str]) -> str:
    """One device, edited by itself: in a whole document tomlkit may put tables in another order."""
    document = tomlkit.parse(text)
    devices = document["device"]
    if not isinstance(devices, AoT):
        raise TypeError
    for key, value in values.items():
        devices[0][key] = value
    edited_ = tomlkit.dumps(document)
    # The end of a line that tomlkit adds is always its own.
    dos = "\r\n" in text and not _LINE_FEED.search(text)
    return _LINE_FEED.sub("\r\n", edited_) if dos else edited_


def _in_array(
    body: str, changes: Mapping[int, Mapping[str, str]], new: Sequence[Mapping[str, str | int]]
) -> str:
    document = tomlkit.parse(body)
    if tomlkit.dumps(document) != body:
        raise ValueError
    devices = document["device"]
    if not isinstance(devices, Array):
        raise TypeError
    for number, values in changes.items():
        device = devices[number]
        if not isinstance(device, InlineTable):
            raise TypeError
        for key, value in values.items():
            device[key] = value
    for keys in new:
        one = tomlkit.inline_table()
        one.update({**keys, "reach": "tools"})
        devices.append(one)
    return tomlkit.dumps(document)


def _check(
    before: dict[str, Any],
    after: str,
    where: str,
    new: Sequence[Mapping[str, str | int]],
    changes: Mapping[int, Mapping[str, str]],
) -> None:
    parse_fleet(after, where, Path(where).absolute().parent)
    wanted = {**before, "device": [dict(one) for one in before.get("device", [])]}
    for number, values in changes.items():
        wanted["device"][number].update(values)
    wanted["device"] += [{**keys, "reach": "tools"} for keys in new]
    if tomllib.loads(after) != wanted:
        what = "cannot be edited without changing something else in it"
        raise BadFile(Problem(what, BY_HAND, where))


def write_over(read: Text, text: str) -> None:
    """Put the new text in place of what was read, whole or not at all, with the file's own mode.

    Raises Changed if somebody has written the file meanwhile, BadFile if it cannot be written.
    """
    draft: Path | None = None
    try:
        path = read.path.resolve()  # what a link points to is the file
        there = path.exists()
        if (path.read_bytes() if there else b"") != read.octets:
            problem = Problem(
                "was changed while devices were looked for: nothing was written",
                "look for them again",
                str(read.path),
            )
            raise Changed(problem)
        path.parent.mkdir(parents=True, exist_ok=True)
        handle, name = tempfile.mkstemp(prefix=".", suffix=".draft", dir=path.parent)
        draft = Path(name)
        with os.fdopen(handle, "wb") as file:
            file.write(text.encode("utf-8"))
            file.flush()
            os.fsync(file.fileno())
        draft.chmod(stat.S_IMODE(path.stat().st_mode) if there else 0o644)
        draft.replace(path)
        draft = None
    except OSError as error:
        what = f"cannot be written: {error.strerror}"
        raise BadFile(Problem(what, "choose another place", str(read.path))) from None
    finally:
        if draft is not None:
            with suppress(OSError):
                draft.unlink(missing_ok=True)
