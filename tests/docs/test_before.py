"""docs/before-you-change-your-router.md: what it says the plan does, the plan does."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from .calling import call, typed
from .markdown import ROOT, blocks, commands, read

PAGE = read(ROOT / "docs" / "before-you-change-your-router.md")
PLAN = typed("migrate plan playbook.toml")


@pytest.fixture
def playbook(files: Path) -> Path:
    """The playbook of the tide house, in its folder."""
    return files / "playbook.toml"


def put(playbook: Path, table: str, text: str) -> None:
    """Another text for one table of the playbook."""
    whole = playbook.read_text("utf-8")
    changed, times = re.subn(rf"^\[{table}\]\n(?:.+\n)*", lambda _: text, whole, flags=re.M)
    assert times == 1
    playbook.write_text(changed, encoding="utf-8")


def test_its_commands_are_those_of_the_first_steps() -> None:
    first = {one.text for one in commands(read(ROOT / "docs" / "first-steps.md"))}
    assert {one.text for one in commands(PAGE)} <= first


def test_what_the_new_network_is_set_to(playbook: Path) -> None:
    shown = {block.partition("\n")[0].strip("[]"): block for block in blocks(PAGE, "toml")}
    assert set(shown) == {"wifi", "new"}
    for table, text in shown.items():
        put(playbook, table, text)
    assert "3 devices in 3 waves" in call(PLAN)
    put(playbook, "wifi", shown["wifi"].replace('"2.4 GHz", ', ""))
    said = call(PLAN, 4)
    for device in ("desk-lamp", "porch-light", "cellar-pump"):
        assert device in said


def test_the_same_name_and_passphrase_need_no_move(
    playbook: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("NEW_WIFI_PASSPHRASE", "the tide goes out")
    put(playbook, "wifi", '[wifi]\nssid = "tide-old"\nsecret = { env = "NEW_WIFI_PASSPHRASE" }\n')
    assert "have the same name and the same passphrase" in call(PLAN, 4)


def test_one_network_behind_both_names(playbook: Path) -> None:
    put(playbook, "new", "")
    assert "nobody can tell" in call(PLAN, 4)
    whole = playbook.read_text("utf-8")
    playbook.write_text(whole.replace("[old]\n", '[old]\nleases = "leases"\n'), encoding="utf-8")
    assert "3 devices in 3 waves" in call(PLAN)


def test_subnets_that_overlap(playbook: Path) -> None:
    put(playbook, "new", '[new]\nsubnet = "192.0.2.128/25"\nleases = "leases-new"\n')
    assert "overlap" in call(PLAN, 4)


def test_a_pool_that_is_too_small(playbook: Path) -> None:
    pool = 'pool = { first = "198.51.100.100", last = "198.51.100.109", taken = 8 }'
    put(playbook, "new", f'[new]\nsubnet = "198.51.100.0/24"\nleases = "leases-new"\n{pool}\n')
    assert "3 devices will ask for one" in call(PLAN, 4)
