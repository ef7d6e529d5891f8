"""Counts every step of the tool, and lets something happen at some of them.

A step is: a transaction begins, is about to be committed, was committed; a message is about to
leave; its answer was heard.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable

from migrate.dialects.messages import Request
from migrate.ports.protocols import At
from migrate.virtual.disk import BROKEN, FULL


class Cut(BaseException):
    """The end of the process, at once."""


class Gauge:
    """`cuts`: what happens at which step; `disk`: from which transaction to which it fails."""

    def __init__(self, cuts: dict[int, str], disk: tuple[tuple[int, int, str], ...]) -> None:
        self.cuts = dict(cuts)
        self.disk = disk
        self.steps = 0
        self.transactions = 0
        self.dead = False
        self.counts: dict[str, int] = {}
        self.stop: Callable[[], None] = lambda: None
        self.interrupt: Callable[[], None] = lambda: None
        self.on_leaving: Callable[[Request, At], None] = lambda request, at: None
        self.on_committed: Callable[[], None] = lambda: None

    def count(self, what: str) -> None:
        """One more of these."""
        self.counts[what] = self.counts.get(what, 0) + 1

    def _step(self, where: str) -> None:
        if self.dead:
            raise Cut
        self.steps += 1
        what = self.cuts.pop(self.steps, None)
        if what is None:
            return
        self.count(f"{what} {where}")
        if what == "cut":
            self.dead = True
            raise Cut
        (self.stop if what == "stop" else self.interrupt)()

    # DiskWatch

    def begins(self) -> None:
        self._step("before a write")

    def commits(self) -> None:
        self.transactions += 1
        for first, last, kind in self.disk:
            if first <= self.transactions < last:
                self.count(f"disk {kind}")
                raise sqlite3.OperationalError(FULL if kind == "full" else BROKEN)
        self._step("within a write")

    def committed(self) -> None:
        self.on_committed()
        self._step("after a write")

    # Watch

    def leaving(self, request: Request, at: At) -> None:
        self._step("before a send")
        self.on_leaving(request, at)

    def answered(self, request: Request) -> None:
        self._step("after an answer")
