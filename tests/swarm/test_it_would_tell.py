"""The checks would see a broken engine: each rule is broken on purpose, and must be missed soon.

A check that never fires proves nothing; so each of these engines is wrong in one way.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from migrate.engine import conductor, journey, proof, soak, survey, talk
from migrate.journal import store
from migrate.model.lifecycle import Event
from migrate.planning import make
from migrate.planning.gates import Admission
from migrate.planning.waves import Wave

from .scenario import SECRETS
from .story import play

SEEDS = 400
Break = Callable[[pytest.MonkeyPatch], None]


def half_a_bundle(patch: pytest.MonkeyPatch) -> None:
    """Settings go out one message each."""
    write = talk.Talker.write

    async def one_by_one(self: Any, member: Any, at: Any, bundle: Any, seconds: float) -> Any:
        first = dict(list(bundle.items())[:1])
        return await write(self, member, at, first, seconds)

    patch.setattr(talk.Talker, "write", one_by_one)


def no_gate(patch: pytest.MonkeyPatch) -> None:
    """The next wave starts whatever became of the last."""
    patch.setattr(conductor, "shut_by", lambda *_: [])

    async def open_all_the_same(self: Any, index: int, failed: Any) -> None:
        return None

    patch.setattr(conductor.Conductor, "_on_fault", open_all_the_same)


def all_at_once(patch: pytest.MonkeyPatch) -> None:
    """One wave, and everybody is let go."""

    def one_wave(devices: Any, *args: Any, **more: Any) -> list[Wave]:
        names = tuple(device.name for device in devices)
        return [Wave(names, float(len(names)), dict.fromkeys(names, "all together"))]

    patch.setattr(make, "make_waves", one_wave)
    patch.setattr(conductor, "admit", lambda plan, rows, ready: Admission(tuple(ready), {}, 0.0))


def no_soak(patch: pytest.MonkeyPatch) -> None:
    """Found once is settled."""

    async def at_once(*_: Any) -> soak.Soaked:
        return Event.SOAK, "well"

    patch.setattr(journey, "soak_awake", at_once)


def believes_anything(patch: pytest.MonkeyPatch) -> None:
    """Whatever shows the new settings has restarted, and so has them in force."""
    patch.setattr(proof.Proof, "restarted", lambda self, there: True)


def wrong_way_back(patch: pytest.MonkeyPatch) -> None:
    """The way back leads to the new side."""
    judge = survey._judge

    def wrongly(crew: Any, member: Any, look: Any) -> Any:
        found = judge(crew, member, look)
        if isinstance(found, survey.Surveyed):
            return survey.Surveyed(found.member, found.sighting, dict(member.planned.bundle))
        return found

    patch.setattr(survey, "_judge", wrongly)


def forgets(patch: pytest.MonkeyPatch) -> None:
    """A new process takes what was on its way for not yet sent."""
    opened = store.Journal.open

    def forgetful(path: Path, *args: Any, **more: Any) -> store.Journal:
        db = sqlite3.connect(path, isolation_level=None)
        db.execute("UPDATE device SET state = 'waiting' WHERE state IN ('sending', 'away')")
        db.close()
        return opened(path, *args, **more)

    patch.setattr(store.Journal, "open", forgetful)


def tells_a_secret(patch: pytest.MonkeyPatch) -> None:
    """A passphrase gets into the words."""
    patch.setattr(talk.Talker, "clean", lambda self, words: words + SECRETS["NEW_WIFI"])


@pytest.mark.parametrize(
    ("wrong", "missed"),
    [
        (half_a_bundle, "3:"),
        (no_gate, "2:"),
        (all_at_once, "789"),
        (no_soak, "6:"),
        (believes_anything, "6:"),
        (wrong_way_back, "12:"),
        (forgets, "5:"),
        (tells_a_secret, "10:"),
    ],
    ids=lambda one: getattr(one, "__name__", ""),
)
def test_a_wrong_engine_is_found_out(
    wrong: Break, missed: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    wrong(monkeypatch)
    for seed in range(SEEDS):
        broken = play(seed).broken
        if broken.startswith(missed) or (missed == "789" and broken[:2] in ("7:", "8:", "9:")):
            return
    pytest.fail(f"{SEEDS} stories, and nobody saw it")
