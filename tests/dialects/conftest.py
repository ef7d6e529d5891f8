"""Hypothesis without a time limit for one example: a busy machine is no fault in the code."""

from __future__ import annotations

from hypothesis import settings

settings.register_profile("patient", deadline=None)
settings.load_profile("patient")
