"""Fixtures of the tests that kill."""

from __future__ import annotations

import gc
from collections.abc import Iterator

import pytest


@pytest.fixture(autouse=True)
def _tidy() -> Iterator[None]:
    """The embedded broker leaves closed sockets to the garbage collector. It is run here, where
    its remarks hurt nobody: inside a parse of source text they upset CPython 3.11."""
    yield
    gc.collect()
