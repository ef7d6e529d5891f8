"""The owner's files from disk: fleet, playbook, dialects, and the frozen plan."""

from __future__ import annotations

import hashlib
import json
import os
import re
import tempfile
from collections.abc import Callable, Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass, field, replace
from importlib import resources
from pathlib import Path

from migrate.dialects.schema import Dialect
from migrate.model.fleet import Fleet
from migrate.model.parsing import MAX_OCTETS, parse_fleet, parse_toml
from migrate.model.playbook import Playbook
from migrate.model.problems import BadFile, Problem
from migrate.planning.plan import Plan, Source, Sources, plan_from_json

SHIPPED = "shipped with migrate"
DIALECT_NAME = re.compile(r"[a-z][a-z0-9-]{0,39}")
"""The schema asks the same of what a dialect calls itself."""
PLAN_OCTETS = 128 * 1024 * 1024
"""migrate writes its plans itself, a few hundred octets for each device."""


@dataclass(frozen=True)
class Inputs:
    """What a plan is made from, and the digests of the octets it was read from. `certificates`:
    octets of the certificate files of the new broker, as far as they can be read."""

    fleet: Fleet
    playbook: Playbook
    dialects: Mapping[str, Dialect]
    sources: Sources
    certificates: Mapping[Path, bytes] = field(default_factory=dict, repr=False)


def read_text(path: Path, most: int = MAX_OCTETS) -> str:
    """A text file of at most so many octets. Raises BadFile."""
    try:
        str(path.absolute()).encode("utf-8")
        with path.open("rb") as file:
            octets = file.read(most + 1)
    except OSError as error:
        raise BadFile(
            Problem(f"cannot be read: {error.strerror}", "correct the path", str(path))
        ) from None
    except ValueError:
        # A NUL in it, or octets that are no UTF-8: such a path could not be kept in a plan.
        where = repr(str(path))
        raise BadFile(Problem("is not a path in UTF-8", "rename the file", where)) from None
    if len(octets) > most:
        raise BadFile(
            Problem(f"is longer than {most} octets", "is this the right file?", str(path))
        )
    try:
        return octets.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise BadFile(
            Problem(f"is not UTF-8 text (octet {error.start})", "save it as UTF-8", str(path))
        ) from None


def load(fleet_path: Path, playbook_path: Path) -> Inputs:
    """Fleet, playbook and every dialect they need. Raises BadFile with all problems found.

    What the files name by relative paths lies beside them. The paths kept here are absolute, so
    that a plan or a journal means the same files from whatever folder it is used.
    """
    problems: list[Problem] = []
    fleet_text, playbook_text = "", ""
    fleet: Fleet | None = None
    playbook: Playbook | None = None
    dialects: dict[str, Dialect] = {}
    sources: dict[str, Source] = {}
    try:
        fleet_text = read_text(fleet_path)
        fleet = parse_fleet(fleet_text, str(fleet_path), _folder(fleet_path))
    except BadFile as error:
        problems += error.problems
    try:
        playbook_text = read_text(playbook_path)
        where, folder = str(playbook_path), _folder(playbook_path)
        playbook = parse_toml(playbook_text, Playbook, where, folder)
    except BadFile as error:
        problems += error.problems
    for name in sorted({device.dialect for device in fleet.device}) if fleet else ():
        try:
            dialects[name], sources[name] = load_dialect(name, fleet_path.parent)
        except BadFile as error:
            speakers = [one.name for one in fleet.device if one.dialect == name] if fleet else []
            problems += [
                problem
                if problem.where
                else replace(problem, where=str(fleet_path), device=", ".join(speakers))
                for problem in error.problems
            ]
    if problems or fleet is None or playbook is None:
        raise BadFile(problems)
    return Inputs(
        fleet,
        playbook,
        dialects,
        Sources(
            fleet=source_of(str(fleet_path.absolute()), fleet_text),
            playbook=source_of(str(playbook_path.absolute()), playbook_text),
            dialects=sources,
        ),
        dict(_certificates(playbook)),
    )


def read_playbook(path: Path) -> Playbook:
    """A playbook file alone. Raises BadFile."""
    return parse_toml(read_text(path), Playbook, str(path), _folder(path))


def load_dialect(name: str, folder: Path) -> tuple[Dialect, Source]:
    """A dialect by name: NAME.toml in the folder `dialects` beside the fleet file, else one that
    is shipped. Raises BadFile."""
    own = folder / "dialects" / f"{name}.toml"
    if not DIALECT_NAME.fullmatch(name):
        what = "small letters, digits and hyphens, at most 40, and no slashes"
        raise BadFile(Problem(f"{name!r} is not the name of a dialect", what, key="dialect"))
    if own.is_file():
        return read_dialect(own, name)
    if name not in shipped_dialects():
        raise BadFile(
            Problem(
                f"there is no dialect {name!r}",
                f"write {own} from your device's manual (docs/dialects.md); shipped as patterns: "
                + ", ".join(shipped_dialects()),
                key="dialect",
            )
        )
    text = (resources.files("migrate.dialects") / "shipped" / f"{name}.toml").read_text("utf-8")
    where = f"{name}.toml, {SHIPPED}"
    return parse_toml(text, Dialect, where, folder), source_of(where, text)


def read_dialect(path: Path, name: str | None = None) -> tuple[Dialect, Source]:
    """A dialect file. Raises BadFile, also if it names itself otherwise than `name`."""
    text = read_text(path)
    dialect = parse_toml(text, Dialect, str(path), _folder(path))
    if name is not None and dialect.name != name:
        raise BadFile(
            Problem(f"calls itself {dialect.name!r}", f"name = {name!r}", str(path), "name")
        )
    return dialect, source_of(str(path.absolute()), text)


def own_dialects(folder: Path) -> list[str]:
    """Names of the dialects that lie in the folder `dialects` beside a fleet file."""
    found = sorted((folder / "dialects").glob("*.toml"))
    return [path.stem for path in found if DIALECT_NAME.fullmatch(path.stem)]


def shipped_dialects() -> list[str]:
    """Names of the dialects that come with the tool."""
    folder = resources.files("migrate.dialects") / "shipped"
    return sorted(
        item.name.removesuffix(".toml") for item in folder.iterdir() if item.name.endswith(".toml")
    )


def read_plan(path: Path) -> Plan:
    """A frozen plan. Raises BadFile or Changed."""
    return plan_from_json(read_text(path, PLAN_OCTETS), str(path))


def private_folder(path: Path) -> Path:
    """Make a folder that only its owner may look into, if it is not there. Raises BadFile."""
    try:
        path.mkdir(parents=True, exist_ok=True, mode=0o700)
    except OSError as error:
        raise BadFile(
            Problem(f"cannot be made: {error.strerror}", "choose another place", str(path))
        ) from None
    return path


def is_there(path: Path) -> bool:
    """Whether there is a file, or anything else, of that name; what can be no name is not there."""
    try:
        return path.exists()
    except (OSError, ValueError):
        return False


def is_plan(text: str) -> bool:
    """Whether this looks like a frozen plan, whole or not, of whatever version."""
    try:
        data = json.loads(text)
    except (ValueError, RecursionError):
        return False
    return isinstance(data, dict) and "digest" in data


def free_or_ours(
    place: Path, ours: Callable[[str], bool], what: str, most: int = MAX_OCTETS
) -> Path:
    """A place where a file may be written: free, or another of the same kind, such as a report, by
    its text of at most so many octets. Raises BadFile."""
    if not is_there(place):
        return place
    try:
        theirs = not ours(read_text(place, most))
    except BadFile:
        theirs = True
    if theirs:
        words = f"is there already, and is no {what}: it is not written over"
        raise BadFile(Problem(words, "name another file with --to", str(place)))
    return place


def write_private(path: Path, text: str) -> None:
    """Write a file that only its owner may read, whole or not at all. Raises BadFile."""
    draft: Path | None = None
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        # mkstemp makes a file of mode 0600 that was not there before.
        handle, name = tempfile.mkstemp(prefix=".", suffix=".draft", dir=path.parent)
        draft = Path(name)
        with os.fdopen(handle, "w", encoding="utf-8", errors="backslashreplace") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        draft.replace(path)
        draft = None
    except OSError as error:
        raise BadFile(
            Problem(f"cannot be written: {error.strerror}", "choose another place", str(path))
        ) from None
    finally:
        if draft is not None:
            draft.unlink(missing_ok=True)


def _certificates(playbook: Playbook) -> Iterator[tuple[Path, bytes]]:
    broker = playbook.broker
    # Only planning asks for them, and refuses one that is not there. A run or a rescue that is
    # under way must not end because such a file has been moved.
    for path in (broker.certificate, broker.ca) if broker and broker.certificate else ():
        if path is not None:
            with suppress(OSError, ValueError), path.open("rb") as file:
                yield path, file.read(MAX_OCTETS)


def _folder(path: Path) -> Path:
    return path.absolute().parent


def source_of(path: str, text: str) -> Source:
    """A file by its path and the digest of its octets."""
    return Source(path=path, sha256=hashlib.sha256(text.encode()).hexdigest())
