"""Fixtures: commands in this process and in others."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.cli.paper import Paper
from tests.cli.starter import Starter


@pytest.fixture
def paper(tmp_path: Path) -> Paper:
    """A small house on paper."""
    tmp_path.chmod(0o700)
    return Paper(tmp_path)


@pytest.fixture(scope="session")
def starter() -> Iterator[Starter]:
    """Starts commands in other processes."""
    starter = Starter()
    yield starter
    starter.close()
