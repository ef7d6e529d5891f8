"""The example files: each plan can be made, and says what its comments say."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import pytest
from typer.testing import CliRunner

from migrate.cli.app import app
from migrate.cli.campaigns import check_order_of_sites, read_campaign
from migrate.ports.files import load, read_plan

from .markdown import ROOT, commands, read

EXAMPLES = ("home-wifi", "new-broker", "group-topic")
LEGS = {"group-topic": 2}
SITES = ("alder", "birch", "cedar")


@pytest.fixture
def copy(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with the examples in it, as a reader has them, and nothing in the environment."""
    shutil.copytree(ROOT / "playbooks", tmp_path / "playbooks")
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("COLUMNS", "120")
    texts = [read(path) for path in (ROOT / "playbooks").rglob("*.*") if path.is_file()]
    for name in secrets_of("\n".join(texts)):
        monkeypatch.delenv(name, raising=False)
    return tmp_path


def secrets_of(text: str) -> set[str]:
    return set(re.findall(r'env = "([A-Z_]+)"', re.sub(r"#.*", "", text)))


def exported(text: str) -> set[str]:
    line = re.search(r"#   export (.*)", text)
    assert line is not None
    return set(re.findall(r"([A-Z_]+)=\.\.\.", line[1]))


@pytest.mark.parametrize("name", EXAMPLES)
def test_plan_of_an_example(name: str, copy: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    text = read(copy / "playbooks" / f"{name}.toml")
    fleet = read(copy / "playbooks" / "fleet.toml")
    assert exported(text) == secrets_of(text) | secrets_of(fleet)
    for number, secret in enumerate(sorted(exported(text))):
        monkeypatch.setenv(secret, f"canary-{number}-canary")
    shown = re.search(r"#   migrate (plan .*)", text)
    assert shown is not None
    result = CliRunner().invoke(app, shown[1].split())
    assert result.exit_code == 0, result.output
    # Of a change in several legs the last concerns every device.
    frozen = sorted((copy / "playbooks").glob(f"{name}*.plan.json"))
    assert len(frozen) == LEGS.get(name, 1)
    plan = read_plan(frozen[-1])
    assert plan.waves[0].devices == ("bench-lamp",)
    assert plan.waves[-1].devices == ("loft-plug",)
    assert len(plan.devices) == 11
    assert "canary" not in result.output + plan.to_json()


@pytest.mark.parametrize("name", EXAMPLES)
def test_plan_without_the_secrets_names_them(name: str, copy: Path) -> None:
    text = read(copy / "playbooks" / f"{name}.toml")
    needed = re.sub(r"own = .*", "", re.sub(r"#.*", "", text))  # migrate's own login is for the run
    result = CliRunner().invoke(
        app, ["plan", f"playbooks/{name}.toml", "--fleet", "playbooks/fleet.toml"]
    )
    assert result.exit_code == (5 if secrets_of(needed) else 0), result.output
    if secrets_of(needed):
        assert any(secret in result.output for secret in secrets_of(needed))


@pytest.mark.parametrize("site", SITES)
def test_plan_of_a_site(site: str, copy: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    folder = copy / "playbooks" / "campaign" / site
    text = read(folder / "playbook.toml")
    assert exported(text) == secrets_of(text)
    shown = re.search(r"#   migrate (plan .*)", text)
    assert shown is not None
    without = CliRunner().invoke(app, shown[1].split())
    assert without.exit_code == 5, without.output
    for number, secret in enumerate(sorted(exported(text))):
        monkeypatch.setenv(secret, f"canary-{number}-canary")
    result = CliRunner().invoke(app, shown[1].split())
    assert result.exit_code == 0, result.output
    plan = read_plan(folder / "playbook.plan.json")
    assert [len(wave.devices) for wave in plan.waves] == [1, 1]
    assert "canary" not in result.output + plan.to_json()


def test_the_campaign_has_these_sites(copy: Path) -> None:
    place = copy / "playbooks" / "campaign" / "campaign.toml"
    text = read(place)
    for shown in (text, server_instead(text)):
        place.write_text(shown, encoding="utf-8")
        campaign = read_campaign(place)
        check_order_of_sites(campaign, place)
        assert tuple(site.name for site in campaign.site) == SITES
        for site in campaign.site:
            assert site.playbook is not None
            assert site.fleet is not None
            load(site.fleet, site.playbook)
    assert campaign.store.host is not None
    assert campaign.store.password is not None


def server_instead(text: str) -> str:
    """The example with its file taken out, and the lines for a server put in."""
    text = re.sub(r"^file = .*\n", "", text, flags=re.M)
    return re.sub(r"^# (host|database|account|password|ca)( = )", r"\1\2", text, flags=re.M)


def test_both_fleet_files_hold_the_same_devices(copy: Path) -> None:
    playbook = copy / "playbooks" / "group-topic.toml"
    toml = load(copy / "playbooks" / "fleet.toml", playbook)
    csv = load(copy / "playbooks" / "fleet.csv", playbook)
    assert csv.fleet.device == toml.fleet.device


def test_readme_plan(copy: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (command,) = commands(read(ROOT / "README.md"))
    for secret in ("OLD_WIFI_PASSPHRASE", "NEW_WIFI_PASSPHRASE", "MILL_PLUG_PASSWORD"):
        assert f"{secret}=..." in read(ROOT / "README.md")
        monkeypatch.setenv(secret, "canary-canary")
    result = CliRunner().invoke(app, command.arguments)
    assert result.exit_code == 0, result.output
    assert "Wave 1, the pilot" in result.output
