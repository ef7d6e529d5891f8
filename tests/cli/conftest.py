"""Fixtures of the command line's tests."""

from __future__ import annotations

from pathlib import Path

import pytest

from .paper import Paper


@pytest.fixture
def paper(tmp_path: Path) -> Paper:
    """A small house on paper."""
    tmp_path.chmod(0o700)
    return Paper(tmp_path)
