"""The evidence ledger on disk: a file of findings in the folder of each run, and no other copy.

A run writes only its own file, so that two of them never write the same one.
"""

from __future__ import annotations

from pathlib import Path

from migrate.planning.ledger import Finding, Findings, findings_from_json, findings_json
from migrate.ports.files import read_text, write_private

NAME = "findings.json"


def read_ledger(runs: Path, without: str = "") -> tuple[Finding, ...]:
    """Every finding below a folder of runs; `without`: name of a run that is left out.

    Raises BadFile.
    """
    files = sorted(path for path in runs.glob(f"*/{NAME}") if path.parent.name != without)
    return tuple(
        finding
        for path in files
        for finding in findings_from_json(read_text(path), str(path)).finding
    )


def write_findings(run: Path, findings: Findings) -> None:
    """Write what a run has shown, over what it had shown earlier. Raises BadFile."""
    write_private(run / NAME, findings_json(findings))
