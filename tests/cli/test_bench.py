"""migrate bench against the lab, with firmware that has defects, and what a plan makes of it.

Judged by the lab's own truth: what its devices have stored, and what they took.
"""

from __future__ import annotations

import json
import stat
from dataclasses import replace
from pathlib import Path

import pytest

from migrate.lab import Fault, FaultKind
from migrate.model.problems import Exit

from .house import LAMP, LIGHT, LOGIN, House, house
from .paper import SECRETS, Ended
from .starter import Starter


async def tried(one: House, device: str, *more: str | Path) -> Ended:
    files: list[str | Path] = ["--fleet", one.fleet, "--playbook", one.playbook]
    return await one.there("bench", device, *files, "--yes", *more)


def folders(one: House) -> list[Path]:
    return sorted((one.state / "bench").iterdir())


def shown(one: House) -> dict[str, object]:
    found = json.loads((folders(one)[-1] / "findings.json").read_text())
    assert isinstance(found, dict)
    return found


def told_firmware(one: House) -> None:
    """The fleet file says the firmware that the lab's devices have."""
    text = one.fleet.read_text()
    one.fleet.write_text(text.replace('dialect = "larch"', 'dialect = "larch"\nfirmware = "1.0.0"'))


async def test_a_sound_device_and_its_texts_put_back(tmp_path: Path, starter: Starter) -> None:
    async with house(tmp_path, starter) as one:
        unit = one.unit(LAMP)
        unit.store = replace(unit.store, label="my lamp", remark="\N{EURO SIGN} it's; mine ")
        before = unit.store
        said = await tried(one, LAMP)
        assert said.code == Exit.DONE, said.all
        assert "both took hold" in said.out
        assert unit.store == before
        # Invariant 1: what it held was on disk, for its owner alone.
        kept = folders(one)[-1] / "before.json"
        assert json.loads(kept.read_text()) == {"label": before.label, "remark": before.remark}
        assert stat.S_IMODE(kept.stat().st_mode) == 0o600
        record = shown(one)["tried"]
        assert isinstance(record, list)
        assert record[0]["together"] is True
        assert record[0]["lost"] == []
        assert record[0]["firmware"] == unit.spec.firmware
        # Nobody else was sent anything.
        assert one.changed()[1:] == [0, 0]
        for secret in (*SECRETS.values(), LOGIN):
            assert secret.encode() not in one.in_state()
            assert secret not in said.all
        one.plan()


async def test_values_cut_at_a_semicolon_are_refused_by_the_next_plan(
    tmp_path: Path, starter: Starter
) -> None:
    async with house(tmp_path, starter, (LAMP, Fault(FaultKind.CUTS_VALUES))) as one:
        told_firmware(one)
        one.edit(one.playbook, 'ssid = "quarry-loft"', 'ssid = "quarry;loft"')
        before = await one.there("plan", one.playbook, "--fleet", one.fleet)
        assert f"{LAMP}: " not in before.err  # the dialect itself carries it
        said = await tried(one, LAMP)
        assert said.code == Exit.REFUSED, said.all
        assert "NOT (dangerous" in said.out
        assert "contains ';'" in said.out
        record = shown(one)["tried"]
        assert isinstance(record, list)
        assert [sign["text"] for sign in record[0]["lost"]] == [";", "&amp;"]
        assert one.unit(LAMP).store.label == ""
        refused = await one.there("plan", one.playbook, "--fleet", one.fleet)
        assert refused.code == Exit.REFUSED
        day = record[0]["at"][:10]
        words = " ".join(refused.err.split())
        assert (
            f"{LAMP}: wifi.ssid contains ';'; a trial of {day} with firmware 1.0.0 showed that it "
            "is lost"
        ) in words


async def test_half_kept_messages_refuse_every_bundle_of_that_firmware(
    tmp_path: Path, starter: Starter
) -> None:
    async with house(tmp_path, starter, (LAMP, Fault(FaultKind.KEEPS_ONE))) as one:
        told_firmware(one)
        one.plan()  # nobody knows yet
        one.plan_file.unlink()
        said = await tried(one, LAMP)
        assert said.code == Exit.REFUSED, said.all
        assert "did NOT both take hold" in said.out
        refused = await one.there("plan", one.playbook, "--fleet", one.fleet)
        assert refused.code == Exit.REFUSED, refused.all
        assert LAMP in refused.err
        assert "two settings in one message do not both take hold" in refused.err
        assert not one.plan_file.exists()


async def test_who_is_none_for_a_trial(tmp_path: Path, starter: Starter) -> None:
    async with house(tmp_path, starter) as one:
        said = await tried(one, LIGHT, "--restart")
        assert said.code == Exit.REFUSED, said.all
        assert "feeds access-point" in said.err
        assert "has reach 'ladder'" in said.err
        assert one.changed() == [0, 0, 0]
        # It also restarts, and its texts are there after that.
        well = await tried(one, LIGHT, "--restart", "--even-so")
        assert well.code == Exit.DONE, well.all
        assert "do not, the dialect says itself: no harm." in well.out  # sedge trims, ASCII only
        assert "still there" in well.out
        assert one.unit(LIGHT).boots == 2
        files: list[str | Path] = ["--fleet", one.fleet, "--playbook", one.playbook]
        nobody = await one.there("bench", LAMP, *files)
        assert nobody.code == Exit.USAGE, nobody.all
        assert "--yes" in nobody.err
        assert one.changed()[0] == 0
        unknown = await tried(one, "desk-lam")
        assert unknown.code == Exit.BAD_FILE
        assert LAMP in unknown.err


async def test_stopped_in_the_middle(tmp_path: Path, starter: Starter) -> None:
    async with house(tmp_path, starter) as one:
        unit = one.unit(LAMP)
        unit.store = replace(unit.store, label="my lamp")
        before = unit.store
        files: list[str | Path] = ["--fleet", one.fleet, "--playbook", one.playbook]
        async with one.begun("bench", LAMP, *files, "--yes", "--state", one.state) as command:
            await one.lab.wait_until(lambda: unit.store != before, 20)
            command.press()
            ended = await command.ended()
        assert ended.code == Exit.STOPPED, ended.all
        assert unit.store == before


async def test_what_was_shown_before_it_was_stopped_stays_shown(
    tmp_path: Path, starter: Starter
) -> None:
    async with house(tmp_path, starter, (LAMP, Fault(FaultKind.KEEPS_ONE))) as one:
        told_firmware(one)
        unit = one.unit(LAMP)
        before = unit.store
        files: list[str | Path] = ["--fleet", one.fleet, "--playbook", one.playbook]
        first = (before.label, "bench-one", "bench-two")
        async with one.begun("bench", LAMP, *files, "--yes", "--state", one.state) as command:
            await one.lab.wait_until(lambda: unit.store.label not in first, 20)
            command.press()
            ended = await command.ended()
        assert ended.code == Exit.STOPPED, ended.all
        assert unit.store == before
        assert "did NOT both take hold" in ended.out
        record = shown(one)["tried"]
        assert isinstance(record, list)
        assert record[0]["together"] is False
        refused = await one.there("plan", one.playbook, "--fleet", one.fleet)
        assert refused.code == Exit.REFUSED, refused.all
        assert "two settings in one message do not both take hold" in refused.err


async def test_its_power_fails_in_the_middle(tmp_path: Path, starter: Starter) -> None:
    async with house(tmp_path, starter) as one:
        one.edit(one.playbook, "reply_seconds = 2", "reply_seconds = 0.2")
        unit = one.unit(LAMP)
        unit.store = replace(unit.store, label="my lamp")
        before = unit.store
        files: list[str | Path] = ["--fleet", one.fleet, "--playbook", one.playbook]
        async with one.begun("bench", LAMP, *files, "--yes", "--state", one.state) as command:
            await one.lab.wait_until(lambda: unit.store != before, 20)
            await unit.power_off()
            ended = await command.ended()
        assert ended.code == Exit.HELD, ended.all
        assert "its label could not be put back" in ended.err
        kept = json.loads((folders(one)[-1] / "before.json").read_text())
        assert kept == {"label": "my lamp", "remark": ""}


@pytest.mark.long
async def test_there_and_back(tmp_path: Path, starter: Starter) -> None:
    async with house(tmp_path, starter) as one:
        told_firmware(one)
        before = one.unit(LAMP).store
        said = await tried(one, LAMP, "--there-and-back")
        assert said.code == Exit.DONE, said.all
        assert one.unit(LAMP).store == before
        assert one.changed()[1:] == [0, 0]
        found = shown(one)["finding"]
        assert isinstance(found, list)
        assert [(each["kind"], each["returns"], each["faults"]) for each in found] == [
            ("bench", 1, 0)
        ]
