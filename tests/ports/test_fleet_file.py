"""The owner's fleet file: what was not asked for stays as it is, to the octet."""

from __future__ import annotations

import os
import tomllib
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from migrate.model.problems import BadFile, Changed
from migrate.ports.fleet_file import edited, read_for_edit, write_over

NEW = {"name": "porch", "mac": "00-00-5E-00-53-09", "dialect": "sedge", "via": "mqtt", "topic": "p"}
TABLES = """# mine
title='Tide House'

[[device]]   # first
  name = "lamp"
mac="00-00-5E-00-53-01"
dialect = 'sedge'
address =   "192.0.2.11"     # by the window
firmware = "0.9"

[quiet]
study = ["22:00-06:00"] # nobody

[[device]]
name = "plug"
mac = "00-00-5E-00-53-02"
dialect = "sedge"
"""
INLINE = """device = [
  { name = "lamp", mac = "00-00-5E-00-53-01", dialect = "sedge", address = "192.0.2.11" },  # one
  { name = "plug", mac = "00-00-5E-00-53-02", dialect = "sedge" },
]
"""


@pytest.mark.parametrize("ending", ["\n", "\r\n"])
def test_a_value_is_put_in_where_it_stands(ending: str) -> None:
    text = TABLES.replace("\n", ending)
    after = edited(text, "fleet.toml", [], {0: {"address": "198.51.100.7"}})
    assert after == text.replace('"192.0.2.11"', '"198.51.100.7"')


def test_a_key_that_was_not_there_is_added_to_its_device() -> None:
    after = edited(TABLES, "fleet.toml", [], {1: {"firmware": "2.0"}})
    assert tomllib.loads(after)["device"][1]["firmware"] == "2.0"
    assert [line for line in TABLES.splitlines() if line not in after.splitlines()] == []


def test_lines_that_are_added_end_as_the_others_do() -> None:
    text = TABLES.replace("\n", "\r\n")
    after = edited(text, "fleet.toml", [NEW], {0: {"topic": "lamp"}, 1: {"firmware": "2.0"}})
    assert after.count("\n") == after.count("\r\n")


@pytest.mark.parametrize("mark", ["", "\ufeff"])
@pytest.mark.parametrize("end", ["", "\n", "\n\n"])
def test_new_devices_stand_below(mark: str, end: str) -> None:
    text = mark + TABLES.rstrip("\n") + end
    after = edited(text, "fleet.toml", [NEW], {})
    assert after.startswith(text)
    assert tomllib.loads(after.removeprefix(mark))["device"][-1] == {**NEW, "reach": "tools"}


def test_a_text_that_looks_like_a_table_is_not_edited() -> None:
    text = TABLES.replace("by the window", 'by the window\nplace = """a\n[[device]]\nb"""')
    with pytest.raises(BadFile):
        edited(text, "fleet.toml", [], {1: {"firmware": "2.0"}})


def test_an_inline_array_stays_one() -> None:
    after = edited(INLINE, "fleet.toml", [NEW], {0: {"address": "192.0.2.99"}})
    assert [one["name"] for one in tomllib.loads(after)["device"]] == ["lamp", "plug", "porch"]
    assert "# one" in after
    assert INLINE.splitlines()[2] in after


def test_from_nothing() -> None:
    after = edited("", "fleet.toml", [NEW, {**NEW, "name": "b", "mac": "00-00-5E-00-53-0A",
                                            "topic": "b"}], {})  # fmt: skip
    assert after.startswith("# Devices as they were found")
    assert len(tomllib.loads(after)["device"]) == 2


WORDS = st.text(
    st.characters(codec="utf-8", exclude_categories=["Cc", "Cs"]), min_size=1, max_size=12
)


@settings(max_examples=60)
@given(st.lists(WORDS, max_size=6), st.booleans())
def test_comments_of_any_kind_stay(comments: list[str], change: bool) -> None:
    lines = TABLES.splitlines()
    for number, comment in enumerate(comments):
        lines.insert(2 * number, f"# {comment}")
    text = "\n".join(lines) + "\n"
    after = edited(text, "fleet.toml", [NEW], {0: {"firmware": "1.0"}} if change else {})
    begin = text.replace('"0.9"', '"1.0"') if change else text
    assert after.startswith(begin)


@pytest.mark.parametrize(
    ("new", "changes"),
    [
        ([{**NEW, "mac": "00-00-5E-00-53-01"}], {}),
        ([{**NEW, "name": "lamp"}], {}),
        ([], {0: {"address": "300.1.1.1"}}),
    ],
)
def test_what_would_be_no_fleet_is_not_made(
    new: list[dict[str, str | int]], changes: dict[int, dict[str, str]]
) -> None:
    with pytest.raises(BadFile):
        edited(TABLES, "fleet.toml", new, changes)


def test_whole_or_not_at_all(tmp_path: Path) -> None:
    path = tmp_path / "fleet.toml"
    path.write_text(TABLES)
    path.chmod(0o640)
    link = tmp_path / "link.toml"
    link.symlink_to(path)
    read = read_for_edit(link)
    write_over(read, TABLES + "# more\n")
    assert path.read_text() == TABLES + "# more\n"
    assert link.is_symlink()
    assert path.stat().st_mode & 0o777 == 0o640
    with pytest.raises(Changed, match="was changed while"):
        write_over(read, "other")
    assert path.read_text() == TABLES + "# more\n"
    assert sorted(one.name for one in tmp_path.iterdir()) == ["fleet.toml", "link.toml"]


def test_what_is_no_plain_file_is_neither_waited_for_nor_written_over(tmp_path: Path) -> None:
    pipe, loop = tmp_path / "pipe", tmp_path / "loop"
    os.mkfifo(pipe)
    loop.symlink_to(loop)
    for path in (pipe, Path("/dev/null")):
        with pytest.raises(BadFile, match="no plain file"):
            read_for_edit(path)
    with pytest.raises(BadFile, match="cannot be read"):
        read_for_edit(loop)


def test_one_that_came_meanwhile_is_not_written_over(tmp_path: Path) -> None:
    read = read_for_edit(tmp_path / "fleet.toml")
    assert read.text == ""
    (tmp_path / "fleet.toml").write_text(TABLES)
    with pytest.raises(Changed):
        write_over(read, "other")
    assert (tmp_path / "fleet.toml").read_text() == TABLES


@pytest.mark.parametrize("octets", [b"\xff\xfe", b"\x80"])
def test_what_is_no_text(tmp_path: Path, octets: bytes) -> None:
    path = tmp_path / "fleet.toml"
    path.write_bytes(octets)
    with pytest.raises(BadFile, match="UTF-8"):
        read_for_edit(path)
    with pytest.raises(BadFile):
        read_for_edit(tmp_path)
