"""Secrets by reference: each place, and everything that can be wrong with it."""

from __future__ import annotations

import logging
import traceback
from collections.abc import Iterator
from pathlib import Path

import keyring
import keyring.backend
import keyring.errors
import pytest

from migrate.model.problems import Exit, SecretTrouble
from migrate.model.secrets import Secret, SecretRef
from migrate.model.wifi import psk
from migrate.ports.secret_reader import MAX_OCTETS, SecretReader

CANARY = "c4nary pass phrase"


class Shelf(keyring.backend.KeyringBackend):
    """A key store made for these tests: in memory, and out of order at will."""

    priority = 1
    broken: Exception | None = None

    def __init__(self) -> None:
        super().__init__()  # type: ignore[no-untyped-call]
        self.kept: dict[tuple[str, str], str] = {}
        self.asked: list[tuple[str, str]] = []

    def get_password(self, service: str, username: str) -> str | None:
        self.asked.append((service, username))
        if self.broken is not None:
            raise self.broken
        return self.kept.get((service, username))

    def set_password(self, service: str, username: str, password: str) -> None:
        self.kept[service, username] = password

    def delete_password(self, service: str, username: str) -> None:
        del self.kept[service, username]


@pytest.fixture
def shelf() -> Iterator[Shelf]:
    before, shelf = keyring.get_keyring(), Shelf()
    keyring.set_keyring(shelf)
    yield shelf
    keyring.set_keyring(before)


def trouble(ref: SecretRef, secret_reader: SecretReader | None = None) -> str:
    with pytest.raises(SecretTrouble) as caught:
        (secret_reader or SecretReader()).resolve(ref)
    assert caught.value.exit == Exit.SECRET
    (problem,) = caught.value.problems
    assert problem.remedy
    shown = "".join(traceback.format_exception(caught.value))
    assert CANARY not in shown + str(problem)
    return str(problem)


def in_file(folder: Path, octets: bytes, mode: int = 0o600) -> SecretRef:
    path = folder / "wifi.secret"
    path.write_bytes(octets)
    path.chmod(mode)
    return SecretRef(file=str(path))


# Environment


def test_from_the_environment(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("NEW_WIFI_PASSPHRASE", CANARY)
    assert SecretReader().resolve(SecretRef(env="NEW_WIFI_PASSPHRASE")).reveal() == CANARY


def test_blanks_belong_to_it(monkeypatch: pytest.MonkeyPatch) -> None:
    """IEEE Std 802.11 allows a blank (32) anywhere in a passphrase."""
    monkeypatch.setenv("NEW_WIFI_PASSPHRASE", f" {CANARY} ")
    assert SecretReader().resolve(SecretRef(env="NEW_WIFI_PASSPHRASE")).reveal() == f" {CANARY} "


@pytest.mark.parametrize("value", [None, ""])
def test_missing_in_the_environment(monkeypatch: pytest.MonkeyPatch, value: str | None) -> None:
    monkeypatch.delenv("NEW_WIFI_PASSPHRASE", raising=False)
    if value is not None:
        monkeypatch.setenv("NEW_WIFI_PASSPHRASE", value)
    words = trouble(SecretRef(env="NEW_WIFI_PASSPHRASE"))
    assert "NEW_WIFI_PASSPHRASE is not set" in words
    assert "export NEW_WIFI_PASSPHRASE" in words


def test_octets_in_the_environment_that_are_no_utf8(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("NEW_WIFI_PASSPHRASE", CANARY + b"\xff".decode("utf-8", "surrogateescape"))
    assert "is not UTF-8" in trouble(SecretRef(env="NEW_WIFI_PASSPHRASE"))


def test_too_long_in_the_environment(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("NEW_WIFI_PASSPHRASE", CANARY * MAX_OCTETS)
    assert "longer than 4096" in trouble(SecretRef(env="NEW_WIFI_PASSPHRASE"))


# Files


@pytest.mark.parametrize("end", [b"", b"\n", b"\r\n"])
def test_from_a_file(tmp_path: Path, end: bytes) -> None:
    assert SecretReader().resolve(in_file(tmp_path, CANARY.encode() + end)).reveal() == CANARY


def test_only_one_line_end_is_dropped(tmp_path: Path) -> None:
    ref = in_file(tmp_path, CANARY.encode() + b" \n\n")
    assert SecretReader().resolve(ref).reveal() == CANARY + " \n"


def test_a_byte_order_mark_is_no_part_of_it(tmp_path: Path) -> None:
    assert (
        SecretReader().resolve(in_file(tmp_path, b"\xef\xbb\xbf" + CANARY.encode())).reveal()
        == CANARY
    )


@pytest.mark.parametrize("mode", [0o644, 0o640, 0o604, 0o660, 0o601, 0o777])
def test_open_to_others(tmp_path: Path, mode: int) -> None:
    words = trouble(in_file(tmp_path, CANARY.encode(), mode))
    assert f"can be read by others (mode {mode:04o})" in words
    assert "chmod 600 wifi.secret" in words


@pytest.mark.parametrize("mode", [0o600, 0o400, 0o700])
def test_private(tmp_path: Path, mode: int) -> None:
    assert SecretReader().resolve(in_file(tmp_path, CANARY.encode(), mode)).reveal() == CANARY


def test_a_link_counts_as_what_it_leads_to(tmp_path: Path) -> None:
    in_file(tmp_path, CANARY.encode(), 0o644)
    link = tmp_path / "link"
    link.symlink_to(tmp_path / "wifi.secret")
    assert "mode 0644" in trouble(SecretRef(file=str(link)))


@pytest.mark.parametrize(
    ("octets", "words"),
    [
        (b"", "is empty"),
        (b"\n", "is empty"),
        (b"\r\n", "is empty"),
        (CANARY.encode() + b"\xff", "is not UTF-8"),
        (CANARY.encode("utf-16"), "is not UTF-8"),
        (CANARY.encode() * 1000, "longer than 4096"),
    ],
    ids=["empty", "a line end", "CRLF", "Latin-1", "UTF-16", "long"],
)
def test_bad_files(tmp_path: Path, octets: bytes, words: str) -> None:
    said = trouble(in_file(tmp_path, octets))
    assert words in said
    assert str(tmp_path / "wifi.secret") in said


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("missing", "No such file"),
        (".", "directory"),
        ("missing/deeper", "No such file"),
        ("a\0b", "cannot be read"),
    ],
)
def test_no_file(tmp_path: Path, name: str, words: str) -> None:
    tmp_path.chmod(0o700)
    assert words in trouble(SecretRef(file=str(tmp_path / name)))


# Key store


def test_from_the_key_store(shelf: Shelf) -> None:
    keyring.set_password("house", "wifi/new", CANARY)
    assert SecretReader().resolve(SecretRef(keyring="house/wifi/new")).reveal() == CANARY
    assert shelf.asked == [("house", "wifi/new")]


def test_not_in_the_key_store(shelf: Shelf) -> None:
    words = trouble(SecretRef(keyring="house/wifi"))
    assert "keyring entry house/wifi does not exist" in words
    assert "keyring set house wifi" in words


@pytest.mark.parametrize(
    "error",
    [
        keyring.errors.KeyringLocked(CANARY),
        keyring.errors.NoKeyringError(CANARY),
        keyring.errors.InitError(CANARY),
        RuntimeError(CANARY),
        OSError(CANARY),
    ],
    ids=lambda error: type(error).__name__,
)
def test_a_key_store_out_of_order(shelf: Shelf, error: Exception) -> None:
    shelf.broken = error
    assert "cannot be read" in trouble(SecretRef(keyring="house/wifi"))


# Prompt


def test_from_the_person() -> None:
    asked: list[str] = []

    def ask(words: str) -> str:
        asked.append(words)
        return CANARY

    secret_reader = SecretReader(ask)
    ref = SecretRef(prompt="passphrase of the new network")
    assert secret_reader.resolve(ref).reveal() == CANARY
    assert secret_reader.resolve(ref).reveal() == CANARY
    assert asked == ["passphrase of the new network"]  # once


def test_nobody_is_there() -> None:
    words = trouble(SecretRef(prompt="passphrase of the new network"))
    assert "nobody is at the keyboard" in words
    assert "passphrase of the new network" in words


def test_the_person_types_nothing() -> None:
    assert "is empty" in trouble(SecretRef(prompt="word"), SecretReader(lambda words: ""))


def test_the_person_ends_the_input() -> None:
    def end(_: str) -> str:
        raise EOFError

    assert "was not given" in trouble(SecretRef(prompt="word"), SecretReader(end))


# All of them


def test_a_failure_is_not_remembered(tmp_path: Path) -> None:
    secret_reader, ref = SecretReader(), in_file(tmp_path, CANARY.encode(), 0o644)
    trouble(ref, secret_reader)
    Path(ref.file or "").chmod(0o600)
    assert secret_reader.resolve(ref) == Secret(CANARY)


def test_the_redactor_knows_what_was_resolved(
    monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.DEBUG)
    monkeypatch.setenv("NEW_WIFI_PASSPHRASE", CANARY)
    secret_reader = SecretReader()
    said = f"no: {CANARY}, and {psk(CANARY, 'quarry-loft')}"
    assert secret_reader.redactor().clean(said) == said
    secret_reader.resolve(SecretRef(env="NEW_WIFI_PASSPHRASE"))
    cleaned = secret_reader.redactor(("quarry-loft",)).clean(said)
    assert CANARY not in cleaned
    assert psk(CANARY, "quarry-loft") not in cleaned
    assert CANARY not in repr(secret_reader) + repr(vars(secret_reader)) + caplog.text
