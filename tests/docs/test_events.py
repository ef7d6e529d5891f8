"""docs/events.md and docs/events.schema.json are what the models of the events say."""

from __future__ import annotations

import json
import subprocess
import sys

from tests.views.test_events import checked

from .markdown import ROOT, blocks, read

DOCS = ROOT / "docs"


def test_the_reference_of_events_is_up_to_date() -> None:
    check = subprocess.run(
        [sys.executable, str(DOCS / "generate_events.py"), "--check"],
        capture_output=True,
        text=True,
    )
    assert check.returncode == 0, check.stderr


def test_the_line_that_is_shown_is_one() -> None:
    (shown,) = blocks(read(DOCS / "events.md"), "json")
    assert checked(shown.strip())["event"] == "device"


def test_every_key_is_told() -> None:
    page = read(DOCS / "events.md")
    schema = json.loads(read(DOCS / "events.schema.json"))
    for name, one in schema["$defs"].items():
        for key in one.get("properties", {}):
            assert f"`{key}`" in page, f"{name}.{key}"
