"""Every kind of bad input: its exit code, and words that name file, key, device and remedy."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from migrate.dialects import schema
from migrate.model.problems import Exit

from .paper import Paper

# Exit codes as docs/exit-codes.md and `migrate --help` have them; never renumbered.
CODES = {
    "DONE": 0,
    "BUG": 1,
    "USAGE": 2,
    "BAD_FILE": 3,
    "REFUSED": 4,
    "SECRET": 5,
    "CHANGED": 6,
    "HELD": 7,
    "STOPPED": 8,
    "BUSY": 9,
    "JOURNAL": 10,
    "UNREACHABLE": 11,
    "PAGE": 12,
    "MISSING": 13,
}


def test_the_codes_are_what_they_always_were() -> None:
    assert {code.name: code.value for code in Exit} == CODES


def test_a_good_plan(paper: Paper) -> None:
    ended = paper.plan()
    assert (ended.code, ended.err) == (0, "")
    assert paper.plan_file.stat().st_mode & 0o777 == 0o600
    assert f"migrate run {paper.plan_file} --dry-run" in ended.out
    text = paper.plan_file.read_text()
    assert not [secret for secret in paper.env.values() if str(secret) in text]


# 2: wrong usage


@pytest.mark.parametrize(
    "args",
    [
        ("plan",),
        ("run",),
        ("fly",),
        ("plan", "a", "b"),
        ("run", "x.json", "--fast"),
        ("status", "a", "b"),
        (),
    ],
    ids=" ".join,
)
def test_wrong_usage(paper: Paper, args: tuple[str, ...]) -> None:
    ended = paper.cli(*args)
    assert ended.code == Exit.USAGE
    assert "Usage: " in ended.all


# 3: bad files

FLEET_FAULTS = {
    "unknown key": ('place = "study"', 'plaze = "study"', ("plaze", "did you mean 'place'")),
    "wrong type": ('name = "desk-lamp"', "name = 5", ("device[0].name",)),
    "duplicate MAC": ("53-02", "53-01", ("00-00-5E-00-53-01", "hall-plug", "desk-lamp")),
    "duplicate name": ('name = "hall-plug"', 'name = "desk-lamp"', ("device[1].name",)),
    "no MAC": ('mac = "00-00-5E-00-53-01"', "", ("mac is missing", "desk-lamp")),
    "half a MAC": ("00-00-5E-00-53-01", "00-00-5E-00-53", ("not a MAC address", "desk-lamp")),
    "topic with +": (
        'topic = "desk-lamp"',
        'topic = "desk+lamp"',
        ("device[0].topic", "wildcard (+ or #)"),
    ),
    "MQTT without topic": ('topic = "hall-plug"', "", ("needs its own topic", "hall-plug")),
    "no dialect": ('"rowan"', '"birch"', ("no dialect 'birch'", "hall-plug", "docs/dialects.md")),
    "dialect with slash": ('"rowan"', '"../rowan"', ("../rowan", "no slashes")),
    "IPv6 address": ("192.0.2.11", "2001:db8::1", ("not an IPv4 address", "desk-lamp")),
    "unknown reach": ('place = "study"', 'reach = "moon"', ("table, ladder, tools",)),
    "no TOML": ("[[device]]", "[[device", ("is not TOML", "line 4")),
    "no device": ("[[device]]", "[[devise]]", ("devise",)),
}
PLAYBOOK_FAULTS = {
    "unknown key": ("ssid =", "sid =", ("wifi.sid", "did you mean 'ssid'")),
    "unknown table": ("[broker]", "[brocker]", ("brocker", "did you mean 'broker'")),
    "wrong type": ('host = "198.51.100.2"', "host = 7", ("broker.host",)),
    "SSID of 33 octets": ("quarry-loft", "ü" * 16 + "x", ("33 octets", "wifi.ssid")),
    "empty SSID": ("quarry-loft", "", ("SSID is empty",)),
    "secret as text": ('{ env = "NEW_WIFI" }', '"c4nary new wifi words"', ("wifi.secret",)),
    "secret in two places": ('env = "NEW_WIFI"', 'env = "A", file = "b"', ("exactly one",)),
    "wifi without secret": ('secret = { env = "NEW_WIFI" }', "", ("strands every device",)),
    "password without user": ('username = "cottage"', "", ("add username",)),
    "group with +": ("[wifi]", '[group]\ntopic = "a/+"\n[wifi]', ("group.topic",)),
    "no network": ("198.51.100.0/24", "198.51.100.1/24", ("new.subnet", "host bits")),
    "confidence of 100 %": ("[new]", "[pace]\nconfidence = 1.0\n[new]", ("pace.confidence",)),
    "unknown policy": ("[new]", '[gate]\non_fault = "pray"\n[new]', ("gate.on_fault", "hold")),
}


@pytest.mark.parametrize("name", FLEET_FAULTS)
def test_bad_fleet_file(paper: Paper, name: str) -> None:
    old, new, expected = FLEET_FAULTS[name]
    paper.edit(paper.fleet, old, new)
    _bad_file(paper, paper.fleet, expected)


@pytest.mark.parametrize("name", PLAYBOOK_FAULTS)
def test_bad_playbook(paper: Paper, name: str) -> None:
    old, new, expected = PLAYBOOK_FAULTS[name]
    paper.edit(paper.playbook, old, new)
    _bad_file(paper, paper.playbook, expected)


def _bad_file(paper: Paper, path: Path, expected: tuple[str, ...]) -> None:
    ended = paper.plan()
    assert ended.code == Exit.BAD_FILE, ended.all
    assert ended.out == ""
    for words in (*expected, "what to do: ", str(path)):
        assert words in ended.err, ended.err
    assert not paper.plan_file.exists()


def test_a_playbook_that_changes_nothing(paper: Paper) -> None:
    paper.playbook.write_text('title = "nothing"\n')
    assert "declares no change" in paper.plan().err


@pytest.mark.parametrize("table", ["read", "readings", "settings", "write"])
def test_dialect_without_a_needed_table(paper: Paper, table: str) -> None:
    own = _own_dialect(paper)
    text = own.read_text()
    begin = text.index(f"[{table}]")
    end = text.find("\n[", begin)
    own.write_text(text[:begin] + (text[end:] if end >= 0 else ""))
    ended = paper.plan()
    assert ended.code == Exit.BAD_FILE
    assert f"{table} is missing" in ended.err
    assert str(own) in ended.err


@pytest.mark.parametrize(
    ("word", "expected"),
    [
        ("wifi.secret", "knows wifi.ssid but not wifi.secret"),
        ("broker.password", "knows broker.host but not broker.password"),
    ],
)
def test_dialect_without_a_needed_word(paper: Paper, word: str, expected: str) -> None:
    own = _own_dialect(paper)
    lines = own.read_text().splitlines()
    own.write_text("\n".join(line for line in lines if not line.startswith(f'"{word}"')))
    ended = paper.plan()
    assert ended.code == Exit.BAD_FILE
    assert expected in ended.err
    assert str(own) in ended.err


def _own_dialect(paper: Paper) -> Path:
    shipped = Path(schema.__file__).with_name("shipped") / "larch.toml"
    (paper.folder / "dialects").mkdir()
    own = paper.folder / "dialects" / "larch.toml"
    own.write_text(shipped.read_text())
    return own


@pytest.mark.parametrize(
    ("octets", "words"),
    [
        (b"\xff\xfe", "is not UTF-8"),
        (b"x = " + b"[" * 100_000, "is nested too deeply"),
        (b"x = " + b"9" * 10_000, "is not TOML"),
        (b"#" * (8 * 1024 * 1024 + 1), "is longer than"),
        (b"", ""),
    ],
    ids=["UTF-16", "nesting", "number", "8 MiB", "empty"],
)
def test_files_that_are_something_else(paper: Paper, octets: bytes, words: str) -> None:
    for path in (paper.fleet, paper.playbook):
        before = path.read_bytes()
        path.write_bytes(octets)
        ended = paper.plan()
        assert ended.code == Exit.BAD_FILE
        assert words in ended.err
        assert str(path) in ended.err
        path.write_bytes(before)


@pytest.mark.parametrize("path", ["missing.toml", ".", os.devnull + "/x", "x" * 300])
def test_paths_that_are_no_file(paper: Paper, path: str) -> None:
    for args in (("--fleet", path),):
        assert paper.cli("plan", paper.playbook, *args).code == Exit.BAD_FILE
    assert paper.cli("plan", path, "--fleet", paper.fleet).code == Exit.BAD_FILE
    assert paper.cli("run", path).code == Exit.BAD_FILE


@pytest.mark.parametrize("name", ["a" * 100, "\U0001f33f" * 100, "..", "a" * 41, "Larch"])
def test_names_that_no_dialect_can_have(paper: Paper, name: str) -> None:
    """Not even asked of the disk, where some of them are too long."""
    paper.edit(paper.fleet, '"larch"', f'"{name}"')
    _bad_file(paper, paper.fleet, ("is not the name of a dialect", "desk-lamp"))


@pytest.mark.parametrize("path", ["x" * 300, "x/" * 3000], ids=["long name", "long path"])
@pytest.mark.parametrize("command", ["status", "report", "resume", "rollback", "replan"])
def test_state_folders_that_cannot_be(paper: Paper, command: str, path: str) -> None:
    ended = paper.cli(command, "--state", path)
    assert ended.code == Exit.BAD_FILE
    assert "name another folder with --state" in ended.err


def test_a_plan_with_a_name_that_is_too_long(paper: Paper) -> None:
    ended = paper.plan("--to", "x" * 300)
    assert ended.code == Exit.BAD_FILE
    assert "cannot be written" in ended.err


def test_of_very_many_faults_the_first_are_told(paper: Paper) -> None:
    paper.fleet.write_text(paper.fleet.read_text() + "[[device]]\n" * 1000)
    ended = paper.plan()
    assert ended.code == Exit.BAD_FILE
    assert ended.err.count("what to do: ") <= 101
    assert "faults more" in ended.err


def test_a_file_with_more_devices_than_anybody_has(paper: Paper) -> None:
    paper.fleet.write_text("[[device]]\n" * 30_000)
    _bad_file(paper, paper.fleet, ("30000 items", "at most 20000"))


def test_a_pattern_that_repeats_without_end(paper: Paper) -> None:
    own = _own_dialect(paper)
    pattern = "'(?P<value>(?:(?:a{999}){999}){999})'"
    own.write_text(
        own.read_text().replace('{ pointer = "/unit/mac" }', f"{{ pattern = {pattern} }}")
    )
    ended = paper.plan()
    assert ended.code == Exit.BAD_FILE
    assert "readings.mac.pattern: repeats too much" in ended.err


def test_all_faults_of_all_files_are_told_at_once(paper: Paper) -> None:
    paper.edit(paper.fleet, "place =", "plaze =")
    paper.edit(paper.fleet, "53-02", "53")
    paper.edit(paper.playbook, "quarry-loft", "x" * 33)
    ended = paper.plan()
    assert ended.code == Exit.BAD_FILE
    assert ended.err.count("what to do: ") == 3


def test_what_is_no_plan(paper: Paper) -> None:
    ended = paper.cli("run", paper.fleet, "--dry-run")
    assert ended.code == Exit.BAD_FILE
    assert "not a plan" in ended.err


@pytest.mark.parametrize("target", ["fleet.toml", "house.toml", "notes.txt"])
def test_a_plan_is_not_written_over_anything_else(paper: Paper, target: str) -> None:
    place = paper.folder / target
    place.write_text(place.read_text() if place.exists() else "my notes")
    before = place.read_text()
    ended = paper.plan("--to", str(place))
    assert ended.code == Exit.BAD_FILE
    assert "is not written over" in ended.err
    assert place.read_text() == before


def test_a_plan_is_written_over_a_plan(paper: Paper) -> None:
    assert paper.plan().code == 0
    paper.plan_file.write_text(paper.plan_file.read_text().replace("study", "cellar"))
    assert paper.plan().code == 0
    assert "cellar" not in paper.plan_file.read_text()


def test_a_place_where_no_plan_can_be_written(paper: Paper) -> None:
    ended = paper.plan("--to", str(paper.fleet / "x.json"))
    assert ended.code == Exit.BAD_FILE
    assert "cannot be written" in ended.err


@pytest.mark.parametrize("command", ["run", "resume", "rollback"])
def test_a_device_that_is_not_in_the_plan(paper: Paper, command: str) -> None:
    paper.plan()
    if command == "run":
        ended = paper.cli("run", paper.plan_file, "--write-off", "cellar-pump")
        assert ended.code == Exit.BAD_FILE
        assert "cellar-pump: is not in the plan" in ended.err
    else:
        ended = paper.cli(command, "--state", paper.state)
        assert ended.code == Exit.BAD_FILE
        assert "there is no run yet" in ended.err
        assert str(paper.state) in ended.err


@pytest.mark.parametrize("command", ["status", "report", "resume", "rollback"])
def test_a_run_that_is_not_there(paper: Paper, command: str) -> None:
    ended = paper.cli(command, "20260101-000000-x", "--state", paper.state)
    assert ended.code == Exit.BAD_FILE
    assert "no run '20260101-000000-x'" in ended.err


# 4: refused


def test_all_refusals_are_told_in_one_pass(paper: Paper) -> None:
    paper.edit(paper.fleet, 'place = "study"', 'feeds = ["moon"]')
    paper.edit(paper.fleet, "192.0.2.11", "203.0.113.11")
    paper.edit(paper.playbook, "broker = { host", "#")
    ended = paper.plan()
    assert ended.code == Exit.REFUSED
    for words in (
        "feeds 'moon'",
        "outside the old subnet",
        "old broker is not declared",
        "no way back: broker.password",
    ):
        assert words in ended.err
    assert ended.err.count("desk-lamp: ") + ended.err.count(", desk-lamp") >= 3
    assert ended.err.count("hall-plug: ") >= 1
    assert not paper.plan_file.exists()


def test_what_devices_have_alike_is_told_once_with_all_names(paper: Paper) -> None:
    more = paper.fleet.read_text().replace("desk-lamp", "shelf-lamp").replace("53-01", "53-09")
    paper.edit(paper.fleet, "192.0.2.11", "203.0.113.11")
    first = more[more.index("[[device]]") :].partition('[[device]]\nname = "hall')[0]
    paper.fleet.write_text(f"{paper.fleet.read_text()}\n{first}")
    paper.edit(paper.playbook, 'ssid = "quarry-loft"', 'ssid = "quarry-loft"\nbands = ["5 GHz"]')
    ended = paper.plan()
    assert ended.code == Exit.REFUSED
    told = ended.err.splitlines()
    alike = "each of 2 devices: the new network is at 5 GHz; the radio of dialect larch is for"
    (place,) = [number for number, line in enumerate(told) if line.startswith(alike)]
    assert told[place + 1] == "    desk-lamp, shelf-lamp"
    assert told[place + 2].startswith("    what to do: ")
    # What is one device's own stands under its name alone.
    assert any(line.startswith("hall-plug: the new network is at 5 GHz") for line in told)
    assert any(line.startswith("desk-lamp: address 203.0.113.11 is outside") for line in told)


@pytest.mark.parametrize(
    ("secret", "words"),
    [
        ("1234567", "has 7 characters"),
        ("x" * 64, "64 characters must all be hexadecimal digits"),
        ("passphräse", "passphrase"),
    ],
    ids=["7", "64", "not ASCII"],
)
def test_passphrases_that_no_network_has(paper: Paper, secret: str, words: str) -> None:
    """IEEE Std 802.11: 8 to 63 characters of code 32..126, or 64 hexadecimal digits."""
    paper.env["NEW_WIFI"] = secret
    ended = paper.plan()
    assert ended.code == Exit.REFUSED
    assert words in ended.err
    assert secret not in ended.err
    assert "environment variable NEW_WIFI" in ended.err


@pytest.mark.parametrize("secret", ["12345678", "x" * 63, "0123456789abcdefABCDEF" * 2 + "0" * 20])
def test_passphrases_that_a_network_can_have(paper: Paper, secret: str) -> None:
    paper.env["NEW_WIFI"] = secret
    ended = paper.plan()
    assert ended.code == 0, ended.err
    assert secret not in ended.out + paper.plan_file.read_text()


def test_a_value_that_a_dialect_cannot_carry(paper: Paper) -> None:
    paper.edit(paper.fleet, '"larch"', '"sedge"')
    paper.env["NEW_WIFI"] = "c4nary; new=wifi"
    ended = paper.plan()
    assert ended.code == Exit.REFUSED
    assert "desk-lamp: wifi.secret contains the separator ';'" in ended.err
    assert "c4nary;" not in ended.all


# 5: secrets


@pytest.mark.parametrize("value", [None, ""])
def test_secret_missing(paper: Paper, value: str | None) -> None:
    paper.env["NEW_WIFI"] = value
    ended = paper.plan()
    assert ended.code == Exit.SECRET
    assert "environment variable NEW_WIFI is not set" in ended.err
    assert "export NEW_WIFI" in ended.err


def test_secret_missing_at_the_run(paper: Paper) -> None:
    paper.plan()
    paper.env["OLD_WIFI"] = None
    assert paper.dry_run().code == Exit.SECRET
    ended = paper.cli("run", paper.plan_file, "--state", paper.state)
    assert ended.code == Exit.SECRET
    assert list(paper.state.glob("runs/*/*")) == []  # no run that never was one


def test_secret_file_open_to_others(paper: Paper) -> None:
    paper.edit(paper.playbook, 'env = "NEW_WIFI"', 'file = "wifi.secret"')
    secret = paper.folder / "wifi.secret"
    secret.write_text("c4nary new wifi words\n")
    secret.chmod(0o644)
    ended = paper.plan()
    assert ended.code == Exit.SECRET
    assert f"file {secret} can be read by others (mode 0644)" in ended.err
    assert "chmod 600" in ended.err
    secret.chmod(0o600)
    assert paper.plan().code == 0


def test_secret_asked_of_nobody(paper: Paper) -> None:
    paper.edit(paper.playbook, 'env = "NEW_WIFI"', 'prompt = "new passphrase"')
    ended = paper.plan()
    assert ended.code == Exit.SECRET
    assert "nobody is at the keyboard" in ended.err


# 6: changed since it was planned


def test_an_edited_plan(paper: Paper) -> None:
    paper.plan()
    paper.edit(paper.plan_file, "198.51.100.2", "198.51.100.3")
    ended = paper.dry_run()
    assert ended.code == Exit.CHANGED
    assert "edited after it was frozen" in ended.err
    assert "migrate plan" in ended.err


@pytest.mark.parametrize("which", ["fleet", "playbook"])
def test_a_changed_file(paper: Paper, which: str) -> None:
    paper.plan()
    path = paper.fleet if which == "fleet" else paper.playbook
    path.write_text(path.read_text() + "\n# a remark\n")
    for ended in (paper.dry_run(), paper.cli("run", paper.plan_file, "--state", paper.state)):
        assert ended.code == Exit.CHANGED
        assert f"{path} was changed" in ended.err
    assert list(paper.state.glob("runs/*/*")) == []


def test_a_changed_dialect(paper: Paper) -> None:
    own = _own_dialect(paper)
    paper.plan()
    own.write_text(own.read_text() + "\n# a remark\n")
    ended = paper.dry_run()
    assert ended.code == Exit.CHANGED
    assert f"{own} was changed" in ended.err


def test_a_dialect_that_takes_the_place_of_the_shipped_one(paper: Paper) -> None:
    paper.plan()
    _own_dialect(paper).write_text(_shipped_text() + "\n# mine\n")
    assert paper.dry_run().code == Exit.CHANGED


def _shipped_text() -> str:
    return (Path(schema.__file__).with_name("shipped") / "larch.toml").read_text()


def test_another_version_of_the_tool(paper: Paper, monkeypatch: pytest.MonkeyPatch) -> None:
    paper.plan()
    monkeypatch.setattr("migrate.cli.conduct.TOOL", "99.0")
    ended = paper.dry_run()
    assert ended.code == Exit.CHANGED
    assert "99.0" in ended.err


# 10: journal


def test_a_state_folder_that_cannot_be(paper: Paper) -> None:
    paper.plan()
    ended = paper.cli("run", paper.plan_file, "--state", paper.fleet)
    assert ended.code == Exit.JOURNAL
    assert "the journal cannot be created" in ended.err


@pytest.mark.parametrize("octets", [b"", b"this is no database", bytes(8192)])
@pytest.mark.parametrize("command", ["status", "report", "resume", "rollback"])
def test_a_damaged_journal(paper: Paper, command: str, octets: bytes) -> None:
    run = paper.state / "runs" / "20260101-000000-000000-x"
    run.mkdir(parents=True)
    (run / "journal.sqlite3").write_bytes(octets)
    ended = paper.cli(command, "--state", paper.state)
    assert ended.code == Exit.JOURNAL
    assert str(run / "journal.sqlite3") in ended.err
    assert "the journal" in ended.err
