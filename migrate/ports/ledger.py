"""The evidence ledger on disk: a file of findings in the folder of each run, and no other copy.

A run, or a trial, writes only its own file, so that two of them never write the same one.
"""

from __future__ import annotations

from pathlib import Path

from migrate.planning.ledger import Findings, Record, findings_from_json, findings_json
from migrate.ports.files import read_text, write_private

NAME = "findings.json"
BENCH = "bench"
"""Folder of the trials, one folder each, beside that of the runs."""


def read_ledger(runs: Path, without: str = "") -> tuple[Record, ...]:
    """Every record below a folder of runs, and of the trials on the bench beside it; `without`:
    name of a run that is left out.

    Raises BadFile.
    """
    files = sorted(path for path in runs.glob(f"*/{NAME}") if path.parent.name != without)
    files += sorted((runs.parent / BENCH).glob(f"*/{NAME}"))
    found = [findings_from_json(read_text(path), str(path)) for path in files]
    records: list[Record] = []
    for one in found:
        records += [*one.finding, *one.tried]
    return tuple(records)


def write_findings(run: Path, findings: Findings) -> None:
    """Write what a run has shown, over what it had shown earlier. Raises BadFile."""
    write_private(run / NAME, findings_json(findings))
