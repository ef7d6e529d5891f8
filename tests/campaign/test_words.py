"""What goes wrong between a person and the store is told in words: where, what, and what to do. No
traceback, no secret, and nobody waits for what will not come."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from migrate.model.problems import Exit

from .postgres import OWNER, Postgres

pytestmark = [pytest.mark.long, pytest.mark.timeout(120)]
ROOT = Path(__file__).parents[2]
SITE = '[[site]]\nname = "alder"\naccount = "site_alder"\n'
FILES = 'playbook = "playbook.toml"\nfleet = "fleet.toml"\n'
WRONG = "s0me-wrong-passw0rd"


@pytest.fixture(scope="module")
def server() -> Iterator[Postgres]:
    """A server with a database that is not prepared."""
    with Postgres("site_alder") as one:
        yield one


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A site's own files, of the example in playbooks/."""
    for name in ("fleet.toml", "playbook.toml"):
        shutil.copy(ROOT / "playbooks" / "campaign" / "alder" / name, tmp_path / name)
    return tmp_path


def migrate(folder: Path, *args: str, text: str) -> subprocess.CompletedProcess[str]:
    """A command with this campaign file."""
    (folder / "campaign.toml").write_text(text, encoding="utf-8")
    secrets = {"OLD_WIFI_PASSPHRASE": "eight chars", "NEW_WIFI_PASSPHRASE": "eight others"}
    ended = subprocess.run(
        [sys.executable, "-m", "migrate", *args],
        cwd=folder, capture_output=True, text=True, timeout=60, check=False,
        env={**os.environ, **secrets, "PYTHONPATH": str(ROOT), "WORD": WRONG, "HOME": str(folder)},
    )  # fmt: skip
    assert "Traceback" not in ended.stderr
    assert "made a mistake" not in ended.stderr
    assert WRONG not in ended.stdout + ended.stderr
    return ended


def store(server: Postgres, account: str = OWNER, more: str = "") -> str:
    return (
        f'[store]\nhost = "127.0.0.1"\nport = {server.port}\naccount = "{account}"\n'
        f'password = {{ env = "WORD" }}\n{more}'
    )


WORKER = ("worker", "--site", "alder", "--state", "state")


@pytest.mark.parametrize("command", [("campaign", "prepare"), ("campaign", "plan")])
def test_a_wrong_password_is_told(server: Postgres, folder: Path, command: tuple[str, ...]) -> None:
    ended = migrate(folder, *command, text=store(server) + SITE)
    assert ended.returncode == Exit.UNREACHABLE
    assert "it does not let in this account with this password" in ended.stderr


def test_a_worker_with_a_wrong_password_does_not_wait(server: Postgres, folder: Path) -> None:
    site = SITE + FILES + 'password = { env = "WORD" }\n'
    ended = migrate(folder, *WORKER, text=f"{_bare(server)}{site}")
    assert ended.returncode == Exit.UNREACHABLE
    assert "with account site_alder" in ended.stderr
    assert "it does not let in this account with this password" in ended.stderr


def _bare(server: Postgres) -> str:
    return f'[store]\nhost = "127.0.0.1"\nport = {server.port}\n'


def test_no_such_database(server: Postgres, folder: Path) -> None:
    word = folder / "word"
    word.write_text(server.passwords[OWNER])
    word.chmod(0o600)
    text = _bare(server) + f'account = "{OWNER}"\ndatabase = "other"\n'
    text += 'password = { file = "word" }\n'
    ended = migrate(folder, "campaign", "plan", text=text + SITE)
    assert ended.returncode == Exit.UNREACHABLE
    assert "it has no such database" in ended.stderr


def test_nobody_is_there(folder: Path) -> None:
    text = '[store]\nhost = "127.0.0.1"\nport = 9\naccount = "controller"\n'
    ended = migrate(folder, "campaign", "plan", text=text + SITE)
    assert ended.returncode == Exit.UNREACHABLE
    assert "is it running" in ended.stderr


def test_what_has_not_been_prepared_is_told(server: Postgres, folder: Path) -> None:
    word = folder / "word"
    word.write_text(server.passwords[OWNER])
    word.chmod(0o600)
    text = _bare(server) + f'account = "{OWNER}"\npassword = {{ file = "word" }}\n'
    ended = migrate(folder, "campaign", "plan", text=text + SITE)
    assert ended.returncode == Exit.BAD_FILE
    assert "migrate campaign prepare" in ended.stderr
    told = migrate(folder, "campaign", "prepare", text=text + SITE)
    assert told.returncode == Exit.HELD
    assert "CREATE ROLE campaign_worker NOLOGIN;" in told.stdout
    nobody = migrate(folder, "campaign", "prepare", text=text + '[[site]]\nname = "alder"\n')
    assert nobody.returncode == Exit.REFUSED
    assert 'add account = "site_alder" to it' in nobody.stderr


def test_an_account_that_may_not_is_told(server: Postgres, folder: Path) -> None:
    server.prepare({"alder": "site_alder"})
    word = folder / "word"
    word.write_text(server.passwords["site_alder"])
    word.chmod(0o600)
    # A worker's account at the desk of whoever runs the campaign.
    text = _bare(server) + 'account = "site_alder"\npassword = { file = "word" }\n'
    ended = migrate(folder, "campaign", "plan", text=text + '[[site]]\nname = "birch"\n')
    assert ended.returncode == Exit.REFUSED
    assert "does not let this account do that" in ended.stderr
    # A worker of a site that is not its own.
    site = '[[site]]\nname = "birch"\naccount = "site_alder"\npassword = { file = "word" }\n'
    args = ("worker", "--site", "birch", "--state", "state")
    ended = migrate(folder, *args, text=_bare(server) + site + FILES)
    assert ended.returncode == Exit.BAD_FILE
    assert "the store knows no site 'birch', or this account is not that site's" in ended.stderr


@pytest.mark.parametrize(
    ("content", "says"),
    [(b"no database at all, but longer than a header of sixteen octets", "no SQLite database")],
)
def test_a_file_that_is_no_store(folder: Path, content: bytes, says: str) -> None:
    (folder / "store").write_bytes(content)
    ended = migrate(folder, "campaign", "plan", text='[store]\nfile = "store"\n' + SITE)
    assert ended.returncode == Exit.UNREACHABLE, ended
    assert says in ended.stderr
    assert (folder / "store").read_bytes() == content


def test_a_folder_that_is_not_there(folder: Path) -> None:
    ended = migrate(folder, "campaign", "plan", text='[store]\nfile = "no/store"\n' + SITE)
    assert ended.returncode == Exit.BAD_FILE
    assert "there is no such folder" in ended.stderr
