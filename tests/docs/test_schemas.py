"""The JSON Schemas that are shipped: current, and never stricter than migrate itself.

Reference: the package jsonschema, as a validator of JSON Schema 2020-12 that is not ours.
"""

from __future__ import annotations

import json
import subprocess
import sys
import tomllib
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from typer.testing import CliRunner

from migrate.cli.app import app
from migrate.cli.schema import Kind, schema_text
from migrate.dialects.schema import Dialect
from migrate.model.campaign import Campaign
from migrate.model.fleet import Fleet, Strict
from migrate.model.parsing import validate
from migrate.model.playbook import Playbook
from migrate.model.problems import BadFile

from .markdown import ROOT

MODELS: dict[Kind, type[Strict]] = {
    Kind.FLEET: Fleet,
    Kind.PLAYBOOK: Playbook,
    Kind.DIALECT: Dialect,
    Kind.CAMPAIGN: Campaign,
}
FILES = [
    (Kind.FLEET, ROOT / "playbooks" / "fleet.toml"),
    *((Kind.PLAYBOOK, path) for path in sorted((ROOT / "playbooks").glob("*.toml"))),
    *((Kind.DIALECT, path) for path in sorted((ROOT / "migrate/dialects/shipped").glob("*.toml"))),
]
FILES = [one for one in FILES if (one[0] is Kind.FLEET) == (one[1].name == "fleet.toml")]
FILES += [
    (Kind.CAMPAIGN, ROOT / "playbooks" / "campaign" / "campaign.toml"),
    *((Kind.FLEET, path) for path in sorted((ROOT / "playbooks").glob("*/*/fleet.toml"))),
    *((Kind.PLAYBOOK, path) for path in sorted((ROOT / "playbooks").glob("*/*/playbook.toml"))),
]
CHECKERS = {
    kind: jsonschema.Draft202012Validator(
        json.loads(schema_text(kind)), format_checker=jsonschema.FormatChecker()
    )
    for kind in Kind
}


def test_they_are_current() -> None:
    made = subprocess.run(
        [sys.executable, ROOT / "docs" / "generate_schemas.py", "--check"], check=False
    )
    assert made.returncode == 0


@pytest.mark.parametrize("kind", list(Kind))
def test_each_is_a_schema(kind: Kind) -> None:
    said = json.loads(schema_text(kind))
    jsonschema.Draft202012Validator.check_schema(said)
    lacking = [
        f"{name}.{key}"
        for name, one in {"": said, **said["$defs"]}.items()
        for key, about in one.get("properties", {}).items()
        if not about.get("description")
    ]
    assert lacking == []


@pytest.mark.parametrize(("kind", "path"), FILES)
def test_every_example_is_taken(kind: Kind, path: Path) -> None:
    assert list(CHECKERS[kind].iter_errors(tomllib.loads(path.read_text()))) == []


def taken(kind: Kind, data: Any) -> bool:
    """Whether migrate takes it."""
    try:
        validate(data, MODELS[kind], "a file", Path())
    except BadFile:
        return False
    return True


VALUES = st.sampled_from(
    ["", "x", "192.0.2.1", "192.0.2.0/24", 0, 1, 5, -1, 2.5, 70000, True, False, [], ["x"], {}]
)


@settings(max_examples=300)
@given(st.sampled_from(FILES), st.data())
def test_what_migrate_takes_a_schema_takes(one: tuple[Kind, Path], data: st.DataObject) -> None:
    """An example with one value put in elsewhere, or a key taken out: an editor may warn of what
    migrate refuses, and of nothing else."""
    kind, path = one
    said: Any = tomllib.loads(path.read_text())
    place: Any = said
    for _ in range(data.draw(st.integers(0, 3))):
        inner = [
            value
            for value in (place.values() if isinstance(place, dict) else place)
            if isinstance(value, dict | list) and value
        ]
        if not inner:
            break
        place = data.draw(st.sampled_from(inner))
    keys = list(place) if isinstance(place, dict) else list(range(len(place)))
    key = data.draw(st.sampled_from(keys))
    if data.draw(st.booleans()):
        place[key] = data.draw(VALUES)
    else:
        del place[key]
    if taken(kind, said):
        assert list(CHECKERS[kind].iter_errors(said)) == []


@pytest.mark.parametrize(
    ("kind", "data"),
    [
        (Kind.FLEET, {"device": [{"name": "a", "mac": "00-00-5E-00-53-01"}]}),
        (Kind.FLEET, {"device": [{"name": "a", "mac": "x", "dialect": "b", "adress": "c"}]}),
        (Kind.PLAYBOOK, {"wifi": {"ssid": "a", "secret": "written out"}}),
        (Kind.PLAYBOOK, {"pace": {"confidence": 1}}),
        (Kind.DIALECT, {"name": "a", "about": "b"}),
        (Kind.CAMPAIGN, {"store": {"file": "a"}}),
        (Kind.CAMPAIGN, {"store": {"file": "a"}, "site": [{"name": "Alder"}]}),
        (
            Kind.CAMPAIGN,
            {"store": {"host": "a", "password": "written out"}, "site": [{"name": "a"}]},
        ),
    ],
)
def test_usual_mistakes_are_seen_by_an_editor(kind: Kind, data: Any) -> None:
    assert not CHECKERS[kind].is_valid(data)
    assert not taken(kind, data)


def test_the_command(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    run = CliRunner()
    for kind in Kind:
        wrote = run.invoke(app, ["schema", str(kind)])
        assert (wrote.exit_code, wrote.output) == (0, f"{kind}.schema.json\n")
        assert (tmp_path / f"{kind}.schema.json").read_text() == schema_text(kind)
        assert run.invoke(app, ["schema", str(kind)]).exit_code == 0
    (tmp_path / "mine.json").write_text("{}")
    assert run.invoke(app, ["schema", "fleet", "--to", "mine.json"]).exit_code == 3
    assert run.invoke(app, ["schema", "other"]).exit_code == 2
