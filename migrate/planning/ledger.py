"""The evidence ledger: what earlier runs and trials on the bench have shown of twins.

A finding counts for a plan only where it speaks of the same thing: the same dialect to the octet,
the same firmware, and at least the groups of settings that the plan changes. Devices of unknown
firmware are nobody's twins from one run to the next.
"""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Iterable, Mapping
from typing import Annotated, Literal

from pydantic import FailFast, Field

from migrate.model.fleet import Strict, Text
from migrate.model.problems import BadFile, Problem
from migrate.model.settings import Setting
from migrate.planning.exposure import Evidence, Twin
from migrate.planning.gates import Standings, shown_by_run
from migrate.planning.plan import Plan, Sources

MOST = 1_000_000
"""No run has shown more returns or faults; of much greater numbers no bound can be had."""
UNKNOWN = "unknown"
"""What stands for the firmware of a device whose owner did not write it down."""


class Finding(Strict):
    """What one run, or one trial on the bench, has shown of one twin group and one change.

    `at` is an ISO 8601 time; `sha256` the digest of the dialect file; `change` the groups of
    settings that were given in one message, such as `wifi` or `wifi.spare`.
    """

    kind: Literal["run", "bench"]
    at: Text
    dialect: Text
    sha256: Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")]
    firmware: Text
    change: Annotated[tuple[Text, ...], Field(min_length=1)]
    returns: Annotated[int, Field(ge=0, le=MOST)]
    faults: Annotated[int, Field(ge=0, le=MOST)]


class Sign(Strict):
    """A character, or a few, tried inside a text. `where`: anywhere inside it, at its beginning or
    end; or it stands for all characters outside US-ASCII that are as long in UTF-8."""

    text: Annotated[str, Field(min_length=1, max_length=64)]
    where: Literal["inside", "first", "last", "like"] = "inside"

    def within(self, text: str) -> bool:
        """Whether a text holds it."""
        if self.where == "first":
            return text.startswith(self.text)
        if self.where == "last":
            return text.endswith(self.text)
        if self.where == "like":
            octets = len(self.text.encode())
            return any(len(char.encode("utf-8", "replace")) == octets for char in text)
        return self.text in text


class Tried(Strict):
    """What a trial on the bench has shown of the messages of one twin group: signs that came back
    as they were, those that did not although the dialect says so, and whether two settings in one
    message both took hold, None where nobody could tell. `cut`: octets that were left of a longer
    text, None if none was seen to be cut."""

    at: Text
    dialect: Text
    sha256: Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")]
    firmware: Text
    via: Text
    together: bool | None = None
    lost: tuple[Sign, ...] = ()
    kept: tuple[Sign, ...] = ()
    cut: Annotated[int, Field(ge=1)] | None = None


class Findings(Strict):
    """A file of findings: all that one run or trial has shown."""

    format: Literal[1] = 1
    finding: Annotated[tuple[Finding, ...], FailFast()] = ()
    tried: Annotated[tuple[Tried, ...], FailFast()] = ()


Record = Finding | Tried
"""One entry of the ledger."""


def change_of(settings: Iterable[Setting]) -> tuple[str, ...]:
    """The groups of settings in a bundle: `wifi.ssid` and `wifi.secret` are `wifi`."""
    return tuple(sorted({setting.rpartition(".")[0] for setting in settings}))


def findings_of(plan: Plan, standings: Standings, at: str) -> Findings:
    """What a run has shown so far. What its plan knew before is not in it: it stands where it
    came from."""
    shown = shown_by_run(plan, standings)
    change: dict[Twin, tuple[str, ...]] = {}
    for device in plan.devices:
        change.setdefault(device.twin, change_of(device.bundle))
    return Findings(
        finding=tuple(
            Finding(
                kind="run",
                at=at,
                dialect=dialect,
                sha256=plan.sources.dialects[dialect].sha256,
                firmware=firmware,
                change=change[dialect, firmware],
                returns=evidence.returns,
                faults=evidence.faults,
            )
            for (dialect, firmware), evidence in sorted(shown.items())
            if firmware != UNKNOWN and change[dialect, firmware]
        )
    )


def counted(
    findings: Iterable[Record], sources: Sources, changes: Mapping[Twin, tuple[str, ...]]
) -> dict[Twin, Evidence]:
    """Evidence of the twin groups of a plan; `changes` is what it changes of each of them."""
    total: dict[Twin, Evidence] = defaultdict(Evidence)
    for one in findings:
        if isinstance(one, Tried):
            continue
        twin = (one.dialect, one.firmware)
        source = sources.dialects.get(one.dialect)
        wanted = changes.get(twin)
        if source is None or wanted is None or one.firmware == UNKNOWN:
            continue
        if one.sha256 == source.sha256 and set(wanted) <= set(one.change):
            total[twin] = total[twin].plus(one.returns, one.faults)
    return {twin: evidence for twin, evidence in total.items() if evidence != Evidence()}


def trials_of(records: Iterable[Record], sources: Sources) -> dict[Twin, tuple[Tried, ...]]:
    """What trials have shown of twin groups, by the very dialects that a plan is made with."""
    found: dict[Twin, tuple[Tried, ...]] = defaultdict(tuple)
    for one in records:
        if isinstance(one, Tried) and one.firmware != UNKNOWN:
            source = sources.dialects.get(one.dialect)
            if source is not None and source.sha256 == one.sha256:
                found[one.dialect, one.firmware] += (one,)
    return dict(found)


def findings_json(findings: Findings) -> str:
    """Findings as they are written to disk."""
    return json.dumps(findings.model_dump(mode="json"), indent=1) + "\n"


def findings_from_json(text: str, where: str) -> Findings:
    """The inverse. Raises BadFile."""
    try:
        return Findings.model_validate_json(text)
    except ValueError:
        raise BadFile(
            Problem(
                "holds no findings that migrate wrote",
                "move it away; what it knew is then not counted",
                where,
            )
        ) from None
