"""A PostgreSQL server of our own: Debian's package, its own cluster in a folder of its own, on one
free port of 127.0.0.1, with passwords. It can be killed, and started again.
"""

from __future__ import annotations

import os
import secrets
import shutil
import signal
import socket
import subprocess
import tempfile
import threading
import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import NoReturn, Self

import psycopg
import pytest
import sqlalchemy as sa

from migrate.model.campaign import StorePlace
from migrate.model.secrets import Secret
from migrate.ports.durable.accounts import prepare
from migrate.ports.durable.database import engine_of

REQUIRED = "MIGRATE_POSTGRES"
"""Set to `required` where the tests must not be skipped."""
PREPARING = threading.Lock()
"""A process has one DBOS, and two stories told side by side would both start it."""
OWNER = "controller"
DATABASE = "campaign"
STARTING_SECONDS = 30.0


def programs() -> Path:
    """Where initdb and postgres are: Debian has them in a folder for each version."""
    found = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"))
    if found:
        return found[-1].parent
    if there := shutil.which("initdb"):
        return Path(there).resolve().parent
    return missing("PostgreSQL is not installed (Debian: postgresql)")


def missing(words: str) -> NoReturn:
    """Skip, or fail where it must be there."""
    if os.environ.get(REQUIRED) == "required":
        pytest.fail(words)
    pytest.skip(words)


class Postgres:
    """The server. Enter it: it is up, with the database of a campaign and the account of whoever
    runs it."""

    def __init__(
        self, *accounts: str, inside: Sequence[str] = (), extra: Sequence[str] = ()
    ) -> None:
        self.bin = programs()
        # Below a folder that another user can look into: as root, the server must be somebody else.
        self.folder = Path(tempfile.mkdtemp(prefix="campaign-pg-"))
        self.data = self.folder / "data"
        self.port = _free_port()
        self.accounts = accounts
        self.passwords = {name: secrets.token_urlsafe(12) for name in (OWNER, *accounts)}
        self._admin = secrets.token_urlsafe(12)
        self._user = "postgres" if os.geteuid() == 0 else None
        # Words before the command of the server, such as those of ip(8), and options after it.
        self._inside, self._extra, self._hba = list(inside), list(extra), ""
        self._server: subprocess.Popen[bytes] | None = None

    def __enter__(self) -> Self:
        try:
            word = self.folder / "word"
            word.write_text(self._admin)
            self.folder.chmod(0o755)
            if self._user:
                shutil.chown(self.folder, self._user)
                shutil.chown(word, self._user)
            self._run(
                "initdb",
                "-D",
                str(self.data),
                "-U",
                "admin",
                "-A",
                "scram-sha-256",
                "--pwfile",
                str(word),
                "-E",
                "UTF8",
                "--locale=C",
                "--no-sync",
            )
            if self._hba:
                with (self.data / "pg_hba.conf").open("a") as file:
                    file.write(f"{self._hba}\n")
            self.start()
            with self.admin() as db:
                db.execute(f"CREATE ROLE {OWNER} LOGIN PASSWORD '{self.passwords[OWNER]}'")
                db.execute(f"CREATE DATABASE {DATABASE} OWNER {OWNER}")
        except BaseException:
            self.__exit__()
            raise
        return self

    def __exit__(self, *error: object) -> None:
        self.kill()
        shutil.rmtree(self.folder, ignore_errors=True)

    def start(self) -> None:
        """Start it, and wait until it lets somebody in."""
        # ip(8) asks for root, and a server must not have it.
        lower = ["setpriv", f"--reuid={self._user}", f"--regid={self._user}", "--clear-groups"]
        self._server = subprocess.Popen(
            [
                *self._inside,
                *(lower if self._user else ()),
                str(self.bin / "postgres"),
                *("-D", str(self.data), "-p", str(self.port)),
                *("-c", f"unix_socket_directories={self.folder}"),
                # Processes are killed here, not machines.
                *("-c", "fsync=off", "-c", "max_connections=200"),
                *(self._extra or ("-c", "listen_addresses=127.0.0.1")),
            ],
            stdout=subprocess.DEVNULL,
            stderr=(self.folder / "log").open("ab"),
            start_new_session=True,
            cwd=self.folder,
        )
        until = time.monotonic() + STARTING_SECONDS
        while True:
            try:
                self.connect("admin", self._admin, "postgres").close()
            except psycopg.OperationalError:
                if time.monotonic() > until or self._server.poll() is not None:
                    raise RuntimeError((self.folder / "log").read_text()[-2000:]) from None
                time.sleep(0.05)  # it tells nobody when it is up
            else:
                return

    def kill(self) -> None:
        """SIGKILL to the server and every process of it, at once."""
        if self._server is None:
            return
        # Those that serve a connection are children of the server, each its own group.
        children = _children(self._server.pid)
        for pid in (self._server.pid, *children):
            with suppress(ProcessLookupError):
                os.kill(pid, signal.SIGKILL)
        self._server.wait()
        self._server = None
        _gone(children)
        (self.data / "postmaster.pid").unlink(missing_ok=True)

    def give(self, path: Path) -> None:
        """A file that the server alone may read."""
        path.chmod(0o600)
        if self._user:
            shutil.chown(path, self._user)

    def options(self, extra: Sequence[str], hba: str) -> None:
        """Options, and a line on who may come from where, for a server that is not up yet."""
        self._extra, self._hba = list(extra), hba

    def engine(self) -> sa.Engine:
        """As whoever runs the campaign, by the server's socket."""
        place = StorePlace(host=str(self.folder), port=self.port, account=OWNER)
        return engine_of(place, None, Secret(self.passwords[OWNER]))

    def prepare(self, accounts: Mapping[str, str | None]) -> list[str]:
        """As the owner does, then the administrator, and the owner once more; the statements that
        were the administrator's."""
        engine = self.engine()
        with PREPARING:
            left = prepare(engine, accounts)
        with self.admin() as db:
            for statement in left:
                db.execute(statement.partition("--")[0].encode())
        for account in filter(None, accounts.values()):
            self.give_password(account)
        with PREPARING:
            assert prepare(engine, accounts) == []
        engine.dispose()
        return left

    def keep_words(self, folder: Path) -> None:
        """The password of every account as a file that its owner alone may read: NAME.word."""
        for name, word in self.passwords.items():
            place = folder / f"{name}.word"
            place.write_text(word, encoding="utf-8")
            place.chmod(0o600)

    def give_password(self, name: str) -> None:
        """The account gets its password, as by \\password of psql."""
        with self.admin() as db:
            db.execute(f"ALTER ROLE {name} PASSWORD '{self.passwords[name]}'")

    @contextmanager
    def admin(self, database: str = "postgres") -> Iterator[psycopg.Connection]:
        """As the administrator of the server."""
        with self.connect("admin", self._admin, database) as db:
            yield db

    @contextmanager
    def account(self, name: str) -> Iterator[psycopg.Connection]:
        """As one of the accounts, each statement by itself."""
        with self.connect(name, self.passwords[name], DATABASE) as db:
            yield db

    def connect(self, user: str, password: str, database: str) -> psycopg.Connection:
        """A connection, each statement by itself."""
        return psycopg.connect(
            host=str(self.folder),  # the socket is reached from any network namespace
            port=self.port,
            user=user,
            password=password,
            dbname=database,
            autocommit=True,
            connect_timeout=5,
        )

    def _run(self, program: str, *args: str) -> None:
        subprocess.run(
            [str(self.bin / program), *args],
            check=True,
            capture_output=True,
            user=self._user,
            group=self._user,
            cwd=self.folder,
        )


def _free_port() -> int:
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        return int(one.getsockname()[1])


def _children(pid: int) -> list[int]:
    try:
        text = Path(f"/proc/{pid}/task/{pid}/children").read_text()
    except OSError:
        return []
    return [int(word) for word in text.split()]


def _gone(pids: list[int]) -> None:
    """Wait until these are no more: their memory is shared with the next server otherwise."""
    for pid in pids:
        while True:
            try:
                if Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] == "Z":
                    break
            except OSError:
                break
            time.sleep(0.01)
