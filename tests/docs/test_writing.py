"""docs/writing-a-dialect.md: from the manual page to a dialect, by the commands that it shows."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from migrate.dialects.schema import Dialect
from migrate.model.parsing import parse_toml
from migrate.model.settings import Setting

from .calling import call, says
from .markdown import ROOT, blocks, commands, excerpts, read

PAGE = read(ROOT / "docs" / "writing-a-dialect.md")
MANUAL = read(ROOT / "docs" / "manuals" / "alder.md")
WRITING = commands(PAGE)
SHOWN = excerpts(PAGE)


def test_from_the_manual_to_a_tried_dialect(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    answers, fleet = blocks(PAGE, "toml")
    (tmp_path / "alder.answers.toml").write_text(answers)
    (tmp_path / "fleet.toml").write_text(fleet)
    quoted = "\n".join(line.removeprefix("> ").removeprefix(">") for line in MANUAL.splitlines())
    (reply,) = blocks(quoted, "json")
    (tmp_path / "alder.reply.json").write_text(reply)
    new, schema, try_, with_reply = WRITING
    says(call(new), SHOWN[new.text])
    call(schema)
    assert json.loads((tmp_path / "dialects" / "dialect.schema.json").read_text())["$defs"]
    said = call(try_)
    says(said, SHOWN[try_.text])
    assert "PUT /v/set with body" in said
    assert "<hidden>" in said
    says(call(with_reply), SHOWN[with_reply.text])
    path = tmp_path / "dialects" / "alder.toml"
    written = parse_toml(path.read_text(), Dialect, "alder.toml", tmp_path)
    assert written.carries.message_octets == 400
    assert written.http.auth == "basic"
    assert Setting.BROKER_PASSWORD in written.settings


def test_its_table_fits_the_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Each line that the page says to put in reads as a dialect."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "alder.answers.toml").write_text(blocks(PAGE, "toml")[0])
    call(WRITING[0])
    path = tmp_path / "dialects" / "alder.toml"
    text = path.read_text()
    rows = [line.split(" | ")[1] for line in PAGE.splitlines() if line.startswith("| ")]
    lines = [part.strip("` |") for row in rows for part in row.split("`, `") if " = " in part]
    assert len(lines) == 5
    taken, declined, reason, cannot, uptime = lines
    text = text.replace("taken = { status = [200] }", f"{taken}\n{declined}\n{reason}")
    text = text.replace('# cannot = [";"]', cannot)
    text = text.replace('# uptime = { pointer = "/uptime" }', uptime)
    written = parse_toml(text, Dialect, "alder.toml", tmp_path)
    assert written.write.declined
    assert written.carries.cannot == ("\\",)
    assert written.readings.uptime
