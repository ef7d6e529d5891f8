"""Fixtures: commands in other processes."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from tests.cli.starter import Starter


@pytest.fixture(scope="session")
def starter() -> Iterator[Starter]:
    """Starts commands in other processes."""
    starter = Starter()
    yield starter
    starter.close()
