"""What the documents' commands are run with."""

from __future__ import annotations

from pathlib import Path

import pytest

from .house import BROKER_KEY, NEW_KEY, OLD_KEY, shown_files


@pytest.fixture
def owner(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The folder an owner works in, and the environment the documents ask for."""
    for name in ("HOME", "XDG_STATE_HOME"):
        monkeypatch.setenv(name, str(tmp_path / "owner"))
    monkeypatch.setenv("OLD_WIFI_PASSPHRASE", OLD_KEY)
    monkeypatch.setenv("NEW_WIFI_PASSPHRASE", NEW_KEY)
    monkeypatch.setenv("NEW_BROKER_PASSWORD", BROKER_KEY)
    monkeypatch.setenv("COLUMNS", "80")
    folder = tmp_path / "tide-house"
    folder.mkdir()
    monkeypatch.chdir(folder)
    return folder


@pytest.fixture
def files(owner: Path) -> Path:
    """The same folder, with all files in it as the documents show them; nobody is there."""
    for path, text in {**shown_files(), **shown_files("new-broker.md")}.items():
        (owner / path).parent.mkdir(exist_ok=True)
        (owner / path).write_text(text, encoding="utf-8")
    return owner
