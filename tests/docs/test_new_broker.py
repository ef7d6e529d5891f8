"""docs/new-broker.md: its commands move a house to another broker, and its words hold."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

from migrate.lab import two_networks_possible
from migrate.model.parsing import validate
from migrate.model.playbook import Playbook

from .calling import call, typed
from .house import house, shown_files
from .markdown import ROOT, blocks, commands, read

PAGE = read(ROOT / "docs" / "new-broker.md")
NEW_BROKER = commands(PAGE)


@pytest.mark.skipif(not two_networks_possible(), reason="this machine has one loopback address")
def test_new_broker(owner: Path) -> None:
    with house(owner, new_broker=True) as here:
        plan, dry_run, run, status = NEW_BROKER
        assert "The broker changes and the network stays" in call(plan)
        assert "2 of 2 devices answered as they must" in call(dry_run)
        assert set(here.told().values()) == {0}
        call(run)
        hosts = {name: store["broker_host"] for name, store in here.stores().items()}
        assert hosts == {
            "desk-lamp": "127.20.0.3",
            "porch-light": "127.20.0.3",
            "cellar-pump": "127.20.0.2",
        }
        assert set(here.where().values()) == {"old"}  # nobody has left the network
        assert "2 settled" in call(status)


def test_a_device_whose_dialect_knows_no_broker(files: Path) -> None:
    said = call(typed("migrate plan broker.toml"), 4)
    assert "cellar-pump" in said
    assert "porch-light" not in said


def test_the_broker_with_everything_told() -> None:
    (shown,) = (block for block in blocks(PAGE, "toml") if block.startswith("[broker]"))
    old = tomllib.loads(shown_files("new-broker.md")["broker.toml"])["old"]
    found = validate(tomllib.loads(shown) | {"old": old}, Playbook, "playbook", ROOT)
    assert found.broker is not None
    # Every key of a broker is in the example, so whoever copies it has seen them all.
    assert found.broker.model_fields_set == set(type(found.broker).model_fields)
