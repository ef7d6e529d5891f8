"""What a survey says: nothing is left out, nothing steers the terminal, and it fits 80 columns."""

from __future__ import annotations

import io
import unicodedata
from typing import Any

from rich.console import Console

from migrate.model.fleet import Fleet
from migrate.planning.snapshots import Seen, Snapshot, compare
from migrate.views.snapshot import WEAKEST, show_comparison, show_snapshot
from tests.planning.test_snapshots import seen, taken


def told(found: Snapshot, *notes: str, terminal: bool = False, **more: Any) -> str:
    fleet = Fleet.model_validate(
        {"device": tuple(_written(one, **more) for one in found.device)},
    )
    said = io.StringIO()
    console = Console(file=said, width=80, force_terminal=terminal, color_system=None)
    show_snapshot(found, fleet, list(notes), console)
    return said.getvalue()


def _written(one: Seen, **more: Any) -> dict[str, Any]:
    return {"name": one.name, "mac": one.mac, "dialect": one.dialect, **more}


def compared(before: Snapshot, now: Snapshot, *, terminal: bool = False) -> str:
    said = io.StringIO()
    console = Console(file=said, width=80, force_terminal=terminal, color_system=None)
    show_comparison(before, compare(before, now), console)
    return said.getvalue()


def mixed() -> Snapshot:
    return taken(
        seen(1, signal_dbm=-81, side="new"),
        seen(2, side="either", hidden=("group.topic",)),
        seen(3, standing="asleep", why="it sleeps, and is said to wake every 60 s"),
        seen(4, standing="missing", why="no reply " * 30),
        seen(5, mac="02-00-5E-00-53-05", settings={"wifi.ssid": "attic", "broker.tls": True}),
        seen(6, signal_dbm=-60, firmware="2.0"),
    )


def test_everybody_is_told_of() -> None:
    said = told(mixed(), "Not heard: the new broker", firmware="3.1.0")
    for words in (
        "1 on the new side",
        "2 on the old side",
        "1 there, on a side that nothing they tell gives away",
        "1 asleep, which need not answer now",
        "1 found nowhere",
        "Not heard: the new broker",
        "lamp-4: no reply",
        "lamp-3: it sleeps",
        "-81 dBm  lamp-1 is weak",
        "-60 dBm  lamp-6",
        "not told by 2 devices",
        "larch: 2.0 on 1, 3.1.0 on 3",
        "lamp-5: the MAC may be a made-up one",
        "lamp-2 (group.topic): where the dialect reads",
    ):
        assert words in said, f"{words}\n{said}"
    assert said.index("-81 dBm") < said.index("-60 dBm")
    assert "lamp-6 firmware 3.1.0 2.0" in " ".join(said.split())


def test_in_a_terminal_no_line_is_longer_than_it() -> None:
    before = mixed()
    now = taken(*(one.model_copy(update={"firmware": "9" * 150}) for one in before.device))
    for text in (told(before, terminal=True), compared(before, now, terminal=True)):
        assert max(len(line) for line in text.splitlines()) <= 80, text
        assert not any(line != line.rstrip() for line in text.splitlines())


def test_nothing_that_a_file_or_device_says_steers_the_terminal() -> None:
    evil = "\x1b[2Jgone\u202e\x07"
    bad = seen(1, firmware=evil, settings={"wifi.ssid": evil}, why=evil, outputs={"relay": False})
    before = taken(bad, seen(2, standing="missing", why=evil))
    now = taken(seen(1), seen(2))
    for text in (told(before, evil), compared(before, now), compared(now, before)):
        odd = {c for c in text if unicodedata.category(c) in ("Cc", "Cf") and c != "\n"}
        assert not odd, odd


def test_what_is_compared() -> None:
    same = compared(mixed(), mixed())
    assert "lamp-3" not in same  # it was not read then either
    assert "read the same as then" in same
    gone = compared(taken(seen(1), seen(2)), taken(seen(1), seen(2, standing="missing", why="x")))
    assert "read the same as then" not in gone
    assert "lamp-2 cannot be compared: x" in gone
    # Nothing was compared, so nothing is proved.
    nobody = taken(seen(1, standing="missing", why="x"))
    assert "read the same as then" not in compared(nobody, taken(seen(1)))
    assert "not read then, so not compared: lamp-1" in compared(nobody, taken(seen(1)))


def test_a_great_many_weak_ones_do_not_fill_the_screen() -> None:
    many = taken(*(seen(n, signal_dbm=-90) for n in range(1, 100)), seen(100, signal_dbm=-50))
    said = told(many)
    assert said.count(" is weak\n") == WEAKEST[-1]
    assert f"{99 - WEAKEST[-1]} more are weak" in said
    assert "1 more is not weak" in said
