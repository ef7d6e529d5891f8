"""Fixtures of the command line's tests."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from .paper import Paper
from .starter import Starter


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
