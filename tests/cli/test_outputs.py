"""What a person reads of outputs: in the dry run, at the end of the run, and afterwards."""

from __future__ import annotations

from pathlib import Path

from migrate.lab import Fault, FaultKind
from migrate.model.problems import Exit
from tests.views.report.reading import read

from .house import LAMP, house
from .starter import Starter


async def test_an_output_that_was_dropped_is_told_to_the_person(
    tmp_path: Path, starter: Starter
) -> None:
    fault = Fault(FaultKind.OUTPUT_OTHERWISE, times=2)
    async with house(tmp_path, starter, (LAMP, fault)) as one:
        planned = one.plan()
        assert "Outputs that a restart changes are set as they were just before" in planned.out
        looked = await one.there("run", one.plan_file, "--dry-run")
        assert "switches: relay on" in looked.out
        moved = await one.run()
        assert moved.code == Exit.DONE, moved.all
        words = f"{LAMP}: output was off after the restart, restored to on"
        assert "Switched otherwise by their restart, and restored:" in moved.out
        assert words in moved.out
        told = await one.there("status")
        assert words in told.out
        assert words in read((one.run_folder / "report.html").read_text()).words("outputs")
        back = await one.there("rollback")
        assert back.code == Exit.DONE, back.all
        assert words in back.out
        assert one.unit(LAMP).store.output is True
