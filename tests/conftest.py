"""What holds for all tests."""

from __future__ import annotations

import os
from collections.abc import Iterator

import pytest

from migrate.ports.locks import VARIABLE


@pytest.fixture(scope="session", autouse=True)
def own_locks(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """Every process that runs tests locks devices in a place of its own: the MACs of the tests are
    few, and those of a run on this machine are none of their business."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setitem(os.environ, VARIABLE, str(tmp_path_factory.mktemp("locks")))
        yield
