"""Snapshots: what counts as a change, what is odd among twins, and what a file may hold."""

from __future__ import annotations

import json
from typing import Any

import pytest

from migrate.model.fleet import Fleet
from migrate.model.problems import BadFile
from migrate.model.settings import Setting
from migrate.planning.snapshots import (
    Seen,
    Snapshot,
    against_fleet,
    by_signal,
    compare,
    odd_ones,
    snapshot_from_json,
)


def seen(number: int, **more: Any) -> Seen:
    usual: dict[str, Any] = {
        "name": f"lamp-{number}",
        "mac": f"00-00-5E-00-53-{number:02X}",
        "dialect": "larch",
        "via": "http",
        "standing": "read",
        "side": "old",
        "firmware": "3.1.0",
        "address": f"192.0.2.{number}",
        "settings": {"wifi.ssid": "quarry", "broker.port": 1883, "broker.tls": False},
        "outputs": {"relay": True},
    }
    return Seen.model_validate({**usual, **more})


def taken(*devices: Seen) -> Snapshot:
    return Snapshot(
        kind="survey", title="house", at="2026-03-01T10:00:00+00:00", tool="1", device=devices
    )


def test_it_is_read_as_it_was_written() -> None:
    said = taken(seen(1, outputs={"relay": False, "dimmer": 40.0}, signal_dbm=-71), seen(2))
    assert snapshot_from_json(said.to_json(), "x.json") == said
    # A line for each device, so that two of them can be compared by any tool for text.
    assert len(said.to_json().splitlines()) == 4


@pytest.mark.parametrize(
    ("more", "what"),
    [
        ({"settings": {"wifi.ssid": "other", "broker.port": 1883}}, ["wifi.ssid", "broker.tls"]),
        # In JSON, 1 is not true (RFC 8259, section 3), though Python says that they are equal.
        (
            {"settings": {"wifi.ssid": "quarry", "broker.port": 1883, "broker.tls": 0}},
            ["broker.tls"],
        ),
        ({"outputs": {"relay": False}}, ["output relay"]),
        ({"outputs": {}}, ["output relay"]),
        ({"firmware": "3.2.0"}, ["firmware"]),
        ({"firmware": None}, ["firmware"]),
        ({"side": "new"}, ["side"]),
        ({"side": "either"}, []),
        ({"name": "renamed"}, []),
        ({"uptime_seconds": 4.0, "signal_dbm": -80}, []),
    ],
)
def test_what_counts_as_a_change(more: dict[str, Any], what: list[str]) -> None:
    told = compare(taken(seen(1)), taken(seen(1, **more)))
    assert [one.what for one in told.changed] == what
    assert not told.unproven


def test_an_address_is_told_and_is_no_change() -> None:
    told = compare(taken(seen(1)), taken(seen(1, address="192.0.2.77")))
    assert not told.changed
    assert [(one.before, one.now) for one in told.moved] == [("192.0.2.1", "192.0.2.77")]


def test_what_is_not_read_again_is_not_proven_to_be_the_same() -> None:
    before = taken(seen(1), seen(2), seen(3), seen(4, standing="missing", settings={}))
    now = taken(
        seen(1, standing="missing", why="no reply"), seen(2, standing="asleep"), seen(4), seen(5)
    )
    told = compare(before, now)
    assert [name for name, _ in told.unproven] == ["lamp-1", "lamp-2", "lamp-3"]
    assert told.fresh == ("lamp-4", "lamp-5")


def test_twins_that_differ() -> None:
    odd = {"wifi.ssid": "quarry", "broker.port": 8883, "broker.tls": False}
    own = {**odd, "broker.port": 1883, "addressing.address": "192.0.2.4"}
    told = odd_ones(
        taken(
            seen(1),
            seen(2),
            seen(3, settings=odd),
            seen(4, settings=own),  # its address is its own
            seen(5, settings=odd, side="new"),  # on the new side it must differ
            seen(6, settings=odd, firmware="2"),  # no twin
        )
    )
    assert [(one.setting, one.values) for one in told] == [
        (Setting.BROKER_PORT, (("1883", ("lamp-1", "lamp-2", "lamp-4")), ("8883", ("lamp-3",))))
    ]


def test_the_weakest_first() -> None:
    said = taken(seen(1, signal_dbm=-60), seen(2, signal_dbm=-82), seen(3))
    assert by_signal(said) == [(-82, "lamp-2"), (-60, "lamp-1")]


def test_what_the_fleet_file_says_otherwise() -> None:
    fleet = Fleet.model_validate(
        {
            "device": (
                {
                    "name": "lamp-1",
                    "mac": "00-00-5E-00-53-01",
                    "dialect": "larch",
                    "firmware": "3.0.0",
                    "address": "192.0.2.9",
                    "topic": "lamp",
                },
                {"name": "lamp-2", "mac": "00-00-5E-00-53-02", "dialect": "larch"},
            )
        }
    )
    others = ("00-00-5E-00-53-02", "00-00-5E-00-53-99")
    told = against_fleet(taken(seen(1, silent=True, others=others), seen(2)), fleet)
    assert [one.what for one in told] == ["firmware", "address", "MAC", "MAC", "topic"]
    assert "which is lamp-2" in told[2].now
    assert "which is not in the file" in told[3].now


@pytest.mark.parametrize(
    "spoil",
    [
        lambda data: data["device"][0]["settings"].update({"wifi.secret": "quay and plum"}),
        lambda data: data["device"].append(data["device"][0]),
        lambda data: data["device"][0].update({"signal_dbm": 42}),
        lambda data: data["device"][0].update({"mac": "00-00-00-00-00-00"}),
        lambda data: data["device"][0].update({"extra": 1}),
        lambda data: data.update({"format": 2}),
        lambda data: data.pop("device"),
    ],
)
def test_a_file_that_says_something_else_is_refused(spoil: Any) -> None:
    data = json.loads(taken(seen(1)).to_json())
    spoil(data)
    with pytest.raises(BadFile) as told:
        snapshot_from_json(json.dumps(data), "x.json")
    assert "x.json" in str(told.value)
    assert "plum" not in str(told.value)
