"""What is fuzzed: every reader of the tool, as a function of octets.

A reader gives a value, or refuses in words: then its words are returned, shortened to their kind.
Whatever else it raises goes through, and is a fault of the tool.
"""

from __future__ import annotations

import io
import json
import re
import tempfile
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cache
from pathlib import Path
from types import MappingProxyType

from rich.console import Console

from migrate.cli.campaigns import check_order_of_sites, read_campaign
from migrate.dialects.messages import Reply
from migrate.dialects.schema import Dialect
from migrate.dialects.things.description import parse_thing
from migrate.dialects.things.match import ByHand, match
from migrate.dialects.things.render import render
from migrate.dialects.understand import NotUnderstood, answer, readings
from migrate.model.fleet import Strict
from migrate.model.parsing import parse_fleet, parse_toml
from migrate.model.playbook import Playbook
from migrate.model.problems import Trouble
from migrate.planning.campaign.errands import Order, SiteAccount, SitePlan, from_json, to_json
from migrate.planning.campaign.plan import CampaignPlan, campaign_from_json, freeze_campaign
from migrate.planning.ledger import findings_from_json
from migrate.planning.plan import digest_of
from migrate.ports.files import load_dialect, read_dialect, read_plan, read_text
from migrate.ports.fleet_file import edited, read_for_edit
from migrate.ports.snapshots import read_snapshot
from migrate.ports.sources.lease_formats import parse_leases
from migrate.ports.sources.neighbours import parse_arp, parse_table
from migrate.views.campaign.plan import show_campaign_plan
from migrate.views.plan import show_plan
from tests.fuzz.seeds import DIALECTS, SEEDS

LONGEST_WORDS = 4000
"""Characters: nobody reads a longer problem."""
MOST_SECONDS = 2.0
"""Longest time for one input of up to 1 MiB."""

Read = Callable[[bytes], str]


@dataclass(frozen=True)
class Reader:
    """One reader: `read` returns how an input was taken, `seeds` are good inputs."""

    name: str
    read: Read
    seeds: tuple[bytes, ...]


@cache
def _own() -> tempfile.TemporaryDirectory[str]:
    return tempfile.TemporaryDirectory(prefix="fuzz-")  # gone when the process ends


def _folder() -> Path:
    return Path(_own().name)


def _file(octets: bytes, name: str) -> Path:
    path = _folder() / name
    path.write_bytes(octets)
    return path


def refusal(error: Trouble, where: str) -> str:
    """The kind of a refusal, after a look at its words: they say what, where and what to do."""
    assert error.problems
    for problem in error.problems:
        assert problem.what.strip(), problem
        assert problem.remedy.strip(), problem
        assert where in problem.where, problem
        assert len(str(problem)) < LONGEST_WORDS, len(str(problem))
    return re.sub(r"[\d'\"].*", "", error.problems[0].what)[:60] or "quotes a value"


def _in_file(name: str, work: Callable[[Path], object]) -> Read:
    def read(octets: bytes) -> str:
        path = _file(octets, name)
        try:
            work(path)
        except Trouble as error:
            return refusal(error, name)
        return "taken"

    return read


def _fleet(path: Path) -> object:
    return parse_fleet(read_text(path), str(path), path.parent)


def _playbook(path: Path) -> object:
    return parse_toml(read_text(path), Playbook, str(path), path.parent)


def _findings(path: Path) -> object:
    return findings_from_json(read_text(path), str(path))


def _shown_plan(path: Path) -> None:
    """As whoever changes a plan on purpose: the digest is put right, and the plan is shown."""
    try:
        data = json.loads(path.read_bytes())
        data["digest"] = digest_of(data)
        path.write_text(json.dumps(data))
    except (ValueError, TypeError, AttributeError, RecursionError, UnicodeError):
        pass
    plan = read_plan(path)
    _steers_nothing(lambda console: show_plan(plan, console))


def _steers_nothing(show: Callable[[Console], None]) -> None:
    for colour in (True, False):
        told = io.StringIO()
        show(Console(file=told, width=80, force_terminal=colour, color_system=None))
        odd = {char for char in told.getvalue() if not char.isprintable()} - {"\n", "\x1b"}
        assert not odd, odd
        # A terminal is steered by the styles alone: numbers between [ and m (ECMA-48, SGR).
        assert "\x1b" not in re.sub(r"\x1b\[[0-9;]*m", "", told.getvalue())


def _campaign(path: Path) -> None:
    check_order_of_sites(read_campaign(path), path)


def _campaign_plan(path: Path) -> object:
    return campaign_from_json(read_text(path), str(path))


def _shown_campaign_plan(path: Path) -> None:
    """As a plan of one site is shown: its digest is put right."""
    try:
        odd = CampaignPlan.model_validate_json(path.read_bytes())
    except ValueError:
        _campaign_plan(path)
        return
    plan = freeze_campaign(odd, odd.waves, {site.name: site.why for site in odd.sites})
    assert campaign_from_json(plan.to_json(), str(path)) == plan
    _steers_nothing(lambda console: show_campaign_plan(plan, console))


def _errand(kind: type[Strict]) -> Read:
    """Of what stands in the store. What is taken is written as it was understood; of what is
    refused nothing is repeated."""

    def read(octets: bytes) -> str:
        text = octets.decode("utf-8", "replace")
        try:
            taken = from_json(text, kind, "alder/c0ffee/move/1")
        except Trouble as error:
            return refusal(error, "alder/c0ffee/move/1")
        assert from_json(to_json(taken), kind, "") == taken
        assert to_json(taken).isprintable()
        return "taken"

    return read


def _thing(path: Path) -> object:
    where = str(path)
    thing = parse_thing(read_text(path), where)
    matched = match(thing, ByHand(), where)
    return parse_toml(render(thing, matched, "lamp", "lamp-1", where), Dialect, where, path.parent)


def _edited(path: Path) -> object:
    """A device is added, and one value changed: all else stays, or the file is refused."""
    read = read_for_edit(path)
    fleet = parse_fleet(read.text, str(path), path.parent)
    keys = {"name": "a new one", "mac": "00-00-5E-00-53-FE", "dialect": "larch"}
    after = edited(read.text, str(path), [keys], {0: {"firmware": "9.9"}})
    changed = parse_fleet(after, str(path), path.parent)
    assert changed.device[0].firmware == "9.9"
    assert changed.device[1:-1] == fleet.device[1:]
    return changed


def _neighbours(octets: bytes) -> str:
    text = octets.decode("utf-8", "replace")
    found = [*parse_table(text), *parse_arp(text)]
    assert not any(sight.proven for sight in found)
    return "taken" if found else "nobody"


def _leases(octets: bytes) -> str:
    found = parse_leases(octets.decode("utf-8", "replace"))
    for leases in found.values():
        for lease in leases:
            assert lease.ends >= 0
            datetime.fromtimestamp(min(lease.ends, 2**31), UTC)
    return "taken" if found else "no lease"


def _reply(dialect: Dialect, status: int | None) -> Read:
    def read(octets: bytes) -> str:
        reply = Reply(octets, status)
        kinds = [type(answer(dialect, dialect.write, reply, 7)).__name__]
        if dialect.restart is not None:
            kinds.append(type(answer(dialect, dialect.restart, reply, 7)).__name__)
        try:
            found = readings(dialect, reply, 7)
        except NotUnderstood as error:
            kinds.append(_not_understood(str(error)))
        else:
            words = [found.firmware, found.address]
            assert all(word is None or word.isprintable() for word in words)
            # It is journalled as JSON, and a value that is no text stays what it is.
            json.dumps({str(k): v for k, v in found.settings.items()}, allow_nan=False).encode()
            json.dumps([found.uptime_seconds, dict(found.outputs)], allow_nan=False)
            assert found.signal_dbm is None or -127 <= found.signal_dbm <= 0
            kinds.append("read")
        return ", ".join(kinds)

    return read


def _not_understood(words: str) -> str:
    assert words.strip()
    assert words.isprintable()
    assert len(words) < LONGEST_WORDS
    return re.sub(r"[\d:].*", "", words)[:60]


def _dialect(name: str) -> Dialect:
    if name in DIALECTS:
        return read_dialect(_file(DIALECTS[name].encode(), f"{name}.toml"))[0]
    return load_dialect(name, _folder())[0]


def _all() -> Mapping[str, Reader]:
    found = [
        Reader("fleet.toml", _in_file("fleet.toml", _fleet), SEEDS["fleet.toml"]),
        Reader("fleet.csv", _in_file("fleet.csv", _fleet), SEEDS["fleet.csv"]),
        Reader("playbook", _in_file("house.toml", _playbook), SEEDS["playbook"]),
        Reader("dialect", _in_file("own.toml", read_dialect), SEEDS["dialect"]),
        Reader("plan", _in_file("house.plan.json", read_plan), SEEDS["plan"]),
        Reader("plan, shown", _in_file("shown.plan.json", _shown_plan), SEEDS["plan"]),
        Reader("findings", _in_file("findings.json", _findings), SEEDS["findings"]),
        Reader("leases", _leases, SEEDS["leases"]),
        Reader("neighbours", _neighbours, SEEDS["neighbours"]),
        Reader("thing", _in_file("lamp.td.json", _thing), SEEDS["thing"]),
        Reader("fleet to edit", _in_file("fleet.toml", _edited), SEEDS["fleet.toml"]),
        Reader("snapshot", _in_file("survey.json", read_snapshot), SEEDS["snapshot"]),
        Reader("campaign", _in_file("campaign.toml", _campaign), SEEDS["campaign"]),
        Reader("campaign plan", _in_file("c.plan.json", _campaign_plan), SEEDS["campaign plan"]),
        Reader(
            "campaign, shown",
            _in_file("c.shown.plan.json", _shown_campaign_plan),
            SEEDS["campaign plan"],
        ),
        Reader("errand: order", _errand(Order), SEEDS["order"]),
        Reader("errand: plan", _errand(SitePlan), SEEDS["site plan"]),
        Reader("errand: account", _errand(SiteAccount), SEEDS["account"]),
    ]
    for name in ("larch", "rowan", "sedge", *DIALECTS):
        dialect = _dialect(name)
        seeds = SEEDS[f"{name} replies"]
        for over, status in (("HTTP", 200), ("MQTT", None)):
            found.append(Reader(f"{name} over {over}", _reply(dialect, status), seeds))
    found.append(Reader("larch declines", _reply(_dialect("larch"), 422), SEEDS["larch replies"]))
    return MappingProxyType({reader.name: reader for reader in found})


@cache
def readers() -> Mapping[str, Reader]:
    """Every reader, by name."""
    return _all()
