"""The owner's files from disk, and files written so that only their owner reads them."""

from __future__ import annotations

import os
import stat
from pathlib import Path

import pytest

from migrate.model.parsing import MAX_OCTETS
from migrate.model.problems import BadFile
from migrate.ports import files
from migrate.ports.files import (
    is_plan,
    load,
    load_dialect,
    private_folder,
    read_dialect,
    read_plan,
    read_text,
    shipped_dialects,
    write_private,
)

FLEET = """
[[device]]
name = "desk-lamp"
mac = "00-00-5E-00-53-01"
dialect = "larch"
address = "192.0.2.11"
"""
PLAYBOOK = """
[wifi]
ssid = "quarry-loft"
secret = { file = "new.secret" }
[new]
subnet = "198.51.100.0/24"
leases = "leases-new"
"""


def bad(path: Path) -> str:
    with pytest.raises(BadFile) as caught:
        read_text(path)
    (problem,) = caught.value.problems
    assert problem.remedy
    return str(problem)


def test_text_with_and_without_byte_order_mark(tmp_path: Path) -> None:
    (tmp_path / "plain").write_bytes("ä\n".encode())
    (tmp_path / "marked").write_bytes(b"\xef\xbb\xbf" + "ä\n".encode())
    assert read_text(tmp_path / "plain") == read_text(tmp_path / "marked") == "ä\n"


def test_not_utf8_names_the_octet(tmp_path: Path) -> None:
    (tmp_path / "f.toml").write_bytes(b'name = "caf\xe9"')
    words = bad(tmp_path / "f.toml")
    assert "octet 11" in words
    assert str(tmp_path / "f.toml") in words


def test_missing_and_folder_and_no_path(tmp_path: Path) -> None:
    assert "No such file" in bad(tmp_path / "missing.toml")
    assert "directory" in bad(tmp_path)
    assert "Not a directory" in bad(Path(os.devnull) / "x")
    assert "not a path in UTF-8" in bad(Path("a\0b"))
    odd = tmp_path / os.fsdecode(b"\xff.toml")
    odd.write_text("x")
    assert "not a path in UTF-8" in bad(odd)
    assert "File name too long" in bad(tmp_path / ("x" * 300))


def test_too_long(tmp_path: Path) -> None:
    path = tmp_path / "f.toml"
    with path.open("wb") as file:
        file.truncate(MAX_OCTETS)
        assert len(read_text(path)) == MAX_OCTETS
        file.truncate(MAX_OCTETS + 1)
    assert "longer than" in bad(path)


def test_an_endless_file_is_not_read_to_its_end() -> None:
    assert "longer than" in bad(Path("/dev/zero"))


def test_load_keeps_absolute_paths(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "fleet.toml").write_text(FLEET)
    (tmp_path / "books").mkdir()
    (tmp_path / "books" / "p.toml").write_text(PLAYBOOK)
    monkeypatch.chdir(tmp_path)
    inputs = load(Path("fleet.toml"), Path("books/p.toml"))
    wifi, new = inputs.playbook.wifi, inputs.playbook.new
    assert wifi is not None
    assert wifi.secret is not None
    assert wifi.secret.file == str(tmp_path / "books" / "new.secret")
    assert new.leases == tmp_path / "books" / "leases-new"
    assert inputs.sources.fleet.path == str(tmp_path / "fleet.toml")
    assert inputs.sources.playbook.path == str(tmp_path / "books" / "p.toml")


def test_load_tells_the_faults_of_all_files_at_once(tmp_path: Path) -> None:
    (tmp_path / "fleet.toml").write_text(FLEET.replace("larch", "birch"))
    (tmp_path / "p.toml").write_text(PLAYBOOK.replace("quarry-loft", "x" * 33))
    with pytest.raises(BadFile) as caught:
        load(tmp_path / "fleet.toml", tmp_path / "p.toml")
    told = [str(problem) for problem in caught.value.problems]
    assert len(told) == 2
    assert any("33 octets" in words and "p.toml" in words for words in told)
    assert any("no dialect 'birch'" in words for words in told)
    with pytest.raises(BadFile) as caught:
        load(tmp_path / "no-fleet.toml", tmp_path / "no-playbook.toml")
    assert len(caught.value.problems) == 2


def test_the_owners_dialect_goes_before_the_shipped_one(tmp_path: Path) -> None:
    assert shipped_dialects() == ["larch", "rowan", "sedge"]
    shipped, source = load_dialect("larch", tmp_path)
    assert "shipped with migrate" in source.path
    text = (Path(files.__file__).parents[1] / "dialects" / "shipped" / "larch.toml").read_text()
    (tmp_path / "dialects").mkdir()
    own = tmp_path / "dialects" / "larch.toml"
    own.write_text(text.replace(shipped.about, "mine"))
    mine, source = load_dialect("larch", tmp_path)
    assert (mine.about, source.path) == ("mine", str(own))
    own.write_text(text.replace('"larch"', '"birch"', 1))
    with pytest.raises(BadFile, match="calls itself 'birch'"):
        load_dialect("larch", tmp_path)
    assert read_dialect(own)[0].name == "birch"


@pytest.mark.parametrize("name", ["../larch", "a/b", "..", "."])
def test_a_dialect_is_no_path(tmp_path: Path, name: str) -> None:
    with pytest.raises(BadFile):
        load_dialect(name, tmp_path)


@pytest.mark.parametrize("text", ["", "[]", "{}", "{", "[" * 100_000, '{"format": 1}', "\x00"])
def test_what_is_no_plan(tmp_path: Path, text: str) -> None:
    (tmp_path / "x.plan.json").write_text(text)
    with pytest.raises(BadFile, match="not a plan"):
        read_plan(tmp_path / "x.plan.json")
    assert not is_plan(text)


# Private files


def test_only_the_owner_reads_it_whatever_the_umask(tmp_path: Path) -> None:
    before = os.umask(0)
    try:
        write_private(tmp_path / "a" / "plan.json", "x")
        private_folder(tmp_path / "b")
    finally:
        os.umask(before)
    path = tmp_path / "a" / "plan.json"
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert stat.S_IMODE((tmp_path / "b").stat().st_mode) == 0o700
    assert path.read_text() == "x"


def test_an_open_file_is_replaced_by_a_private_one(tmp_path: Path) -> None:
    path = tmp_path / "report.html"
    path.write_text("old")
    path.chmod(0o666)
    with path.open() as reader:
        write_private(path, "new")
        assert reader.read() == "old"  # not written into: replaced
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert path.read_text() == "new"


def test_a_failure_leaves_the_old_file_whole(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "report.html"
    write_private(path, "old")

    def no_space(_: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", no_space)
    with pytest.raises(BadFile, match="No space left"):
        write_private(path, "new")
    assert path.read_text() == "old"
    assert [item.name for item in tmp_path.iterdir()] == ["report.html"]


def test_breaking_off_leaves_nothing_behind(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def pressed(_: int) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(os, "fsync", pressed)
    with pytest.raises(KeyboardInterrupt):
        write_private(tmp_path / "report.html", "new")
    assert list(tmp_path.iterdir()) == []


def test_places_that_cannot_be_written(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("x")
    for path in (
        tmp_path / "file" / "report.html",
        Path(os.devnull) / "x" / "report.html",
        tmp_path,
        tmp_path / ("x" * 300),
    ):
        with pytest.raises(BadFile, match="cannot be written"):
            write_private(path, "x")
    with pytest.raises(BadFile, match="cannot be made"):
        private_folder(tmp_path / "file" / "folder")
    assert [item.name for item in tmp_path.iterdir()] == ["file"]


def test_a_planted_link_is_not_followed(tmp_path: Path) -> None:
    """Whoever can write the folder must not make the tool write elsewhere."""
    victim = tmp_path / "victim"
    victim.write_text("mine")
    (tmp_path / "report.html").symlink_to(victim)
    write_private(tmp_path / "report.html", "new")
    assert victim.read_text() == "mine"
    assert not (tmp_path / "report.html").is_symlink()


def test_names_that_are_no_utf8_do_not_stop_a_report(tmp_path: Path) -> None:
    write_private(tmp_path / "report.html", "about \udcff")
    assert (tmp_path / "report.html").read_text() == "about \\udcff"
