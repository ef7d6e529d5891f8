"""From files to a frozen plan, for a house of all three families over both transports."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from migrate.dialects.compose import preview
from migrate.model.fleet import Device
from migrate.model.problems import Refused
from migrate.model.secrets import SecretRef
from migrate.model.settings import Setting
from migrate.planning.make import make_plan
from migrate.planning.plan import check_sources, plan_from_json
from migrate.ports.files import load
from tests.model.helpers import playbook_of
from tests.planning.samples import (
    CANARIES,
    NEW_NET,
    OLD_BROKER,
    WHOLE,
    device,
    dialects,
    fleet,
    plan_of,
    resolver,
    sources,
)

HOUSE = (
    device("desk", 1, firmware="3"),
    device("hall", 2, via="mqtt", firmware="3"),
    device("attic", 3, firmware="3", reach="tools"),
    device("kettle", 4, dialect="rowan"),
    device("freezer", 5, dialect="rowan", load="the freezer"),
    device("loft-plug", 6, dialect="rowan", via="mqtt", feeds=("access-point",)),
    device("bed-left", 7, dialect="sedge", cover="bed"),
    device("bed-right", 8, dialect="sedge", via="mqtt", cover="bed"),
)
FILE = """
[[device]]
name = "desk"
mac = "00-00-5E-00-53-01"
dialect = "larch"
address = "192.0.2.11"

[[device]]
name = "bed"
mac = "00-00-5E-00-53-02"
dialect = "sedge"
address = "192.0.2.12"
"""


def test_a_house_of_all_three_families() -> None:
    plan = plan_of(HOUSE)
    waves = [wave.devices for wave in plan.waves]
    assert len(waves[0]) == 1
    assert waves[0][0] in {"desk", "hall"}
    assert waves[-1] == ("loft-plug",)
    assert plan.wave_of("bed-left") != plan.wave_of("bed-right")
    assert plan.wave_of("attic") > min(plan.wave_of("desk"), plan.wave_of("hall"))
    for wave in plan.waves:
        # Accepted: one device at 95 % (the default pace).
        assert len(wave.devices) == 1 or wave.exposure <= 1 + 1e-9
    for planned, given in zip(plan.devices, HOUSE, strict=True):
        assert (planned.name, planned.mac, planned.via) == (given.name, given.mac, given.via)
        assert planned.firmware == (given.firmware or "unknown")
        assert (planned.place, planned.reach, planned.cover) == (
            given.place,
            given.reach,
            given.cover,
        )
        assert (planned.feeds, planned.load) == (given.feeds, given.load)
        assert planned.why
        assert set(planned.bundle) == set(planned.way_back) | set(planned.read_back)
        assert planned.bundle[Setting.WIFI_SECRET] == SecretRef(env="NEW_WIFI")
        assert planned.way_back[Setting.WIFI_SECRET] == SecretRef(env="OLD_WIFI")
    again = plan_from_json(plan.to_json(), "house.plan.json")
    assert again == plan
    check_sources(again, sources(), "migrate 0", "house.plan.json")
    assert not any(secret in plan.to_json() for secret in CANARIES.values())


def test_the_same_files_make_the_same_plan() -> None:
    assert plan_of(HOUSE) == plan_of(HOUSE)
    assert plan_of(HOUSE).digest != plan_of(HOUSE[:-1]).digest


@pytest.mark.parametrize("one", HOUSE, ids=lambda one: one.name)
def test_every_frozen_bundle_can_be_shown_as_a_message_without_its_secrets(one: Device) -> None:
    planned = plan_of(HOUSE).device(one.name)
    values = {
        setting: value if not isinstance(value, SecretRef) else str(value)
        for setting, value in planned.bundle.items()
    }
    shown = preview(dialects()[one.dialect], one, one.via, values)
    assert "loft" in shown
    assert not any(secret in shown for secret in CANARIES.values())


def test_a_group_alone_takes_nobody_off_the_network() -> None:
    plan = plan_of(HOUSE, f"[group]\ntopic = 'house'\n[old]\n{OLD_BROKER}")
    assert {tuple(one.bundle) for one in plan.devices} == {(Setting.GROUP_TOPIC,)}
    assert not any(one.restarts for one in plan.devices)


def test_from_files_on_disk(tmp_path: Path) -> None:
    (tmp_path / "fleet.toml").write_text(FILE, encoding="utf-8")
    (tmp_path / "change.toml").write_text(WHOLE, encoding="utf-8")
    inputs = load(tmp_path / "fleet.toml", tmp_path / "change.toml")
    plan = make_plan(
        inputs.fleet,
        inputs.playbook,
        inputs.dialects,
        resolver(),
        inputs.sources,
        created="2026-01-01T00:00:00+00:00",
        tool="migrate 0",
    )
    assert set(plan.sources.dialects) == {"larch", "sedge"}
    assert json.loads(plan.to_json())["sources"]["fleet"]["path"] == str(tmp_path / "fleet.toml")
    check_sources(
        plan, load(tmp_path / "fleet.toml", tmp_path / "change.toml").sources, "migrate 0", ""
    )


def test_a_refused_plan_is_no_plan_and_names_its_files() -> None:
    with pytest.raises(Refused) as trouble:
        make_plan(
            fleet(device("plug", feeds=("nothing",))),
            playbook_of(f"[group]\ntopic = 'house'\n{NEW_NET}[old]\nno_way_back = ['x']\n"),
            dialects(),
            resolver(),
            sources(),
            created="",
            tool="",
        )
    assert [problem.where for problem in trouble.value.problems] == ["fleet.toml", "playbook.toml"]
