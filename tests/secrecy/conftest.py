"""Fixtures: commands in this process and in others."""

from __future__ import annotations

from tests.cli.conftest import paper, starter

__all__ = ["paper", "starter"]
