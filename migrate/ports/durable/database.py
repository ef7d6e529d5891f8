"""Reaching the store. The password goes from its reference into the driver, and into no text."""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Final, TypeVar

import sqlalchemy as sa

from migrate.model.campaign import StorePlace
from migrate.model.problems import BadFile, Problem, Refused, Unreachable
from migrate.model.secrets import Secret
from migrate.ports.protocols import StoreLost

Result = TypeVar("Result")
SCHEMA: Final = "campaign"
"""Of migrate's own tables in PostgreSQL; SQLite has no schemas."""
DBOS_SCHEMA: Final = "dbos"
CONNECTIONS: Final = 4
"""That one process opens at most. A worker at rest has two or three."""
PATIENCE_SECONDS: Final = 30
"""After which a line that carries nothing any more counts as cut, and a statement as lost."""
UNREACHED = "is it running, and are host, port, database, account, password and ca right?"


def place_in_words(place: StorePlace) -> str:
    """Where it is, for a person."""
    if place.file is not None:
        return str(place.file)
    return f"{place.host}:{place.port}/{place.database}"


def engine_of(
    place: StorePlace, account: str | None = None, password: Secret | None = None
) -> sa.Engine:
    """Connections to the store, opened as they are needed. Raises BadFile."""
    # What DBOS has to say is for whoever develops with it, and could repeat what stands in a row.
    log = logging.getLogger("dbos")
    log.handlers[:] = [logging.NullHandler()]
    log.propagate = False
    if place.file is not None:
        return _sqlite(place.file)
    url = sa.URL.create(
        "postgresql+psycopg",
        username=account or place.account,
        password=password.reveal() if password else None,
        host=place.host,
        port=place.port,
        database=place.database,
    )
    return sa.create_engine(
        url,
        pool_size=CONNECTIONS,
        max_overflow=0,
        pool_timeout=PATIENCE_SECONDS,
        pool_pre_ping=True,
        hide_parameters=True,
        connect_args=_arguments(place),
    )


def _sqlite(path: Path) -> sa.Engine:
    if not path.parent.is_dir():
        what = "cannot be made: there is no such folder"
        raise BadFile(Problem(what, "name a file in a folder that is there", str(path)))
    engine = sa.create_engine(
        sa.URL.create("sqlite", database=str(path.absolute())),
        connect_args={"timeout": PATIENCE_SECONDS, "check_same_thread": False},
        hide_parameters=True,
    )
    # SQLite knows no schemas (SQLAlchemy manual, "Translation of Schema Names").
    return engine.execution_options(schema_translate_map={SCHEMA: None})


def _arguments(place: StorePlace) -> dict[str, Any]:
    """Of libpq (PostgreSQL manual, section 34.1.2). Without keepalives, a line that was cut would
    be noticed after hours."""
    third = PATIENCE_SECONDS // 3
    arguments: dict[str, Any] = {
        "connect_timeout": third,
        "keepalives_idle": third,
        "keepalives_interval": third // 2,
        "keepalives_count": 3,
        "tcp_user_timeout": PATIENCE_SECONDS * 1000,
        "application_name": "migrate",
        "options": f"-c idle_in_transaction_session_timeout={PATIENCE_SECONDS * 2}s "
        f"-c statement_timeout={PATIENCE_SECONDS}s",
    }
    if place.tls and not place.here:
        arguments["sslmode"] = "verify-full"
        arguments["sslrootcert"] = str(place.ca) if place.ca else "system"
    return arguments


TURNED_AWAY: Final = {
    "password authentication failed": "it does not let in this account with this password",
    "no password supplied": "it asks for a password, and none is named",
    "does not exist": "it has no such database, or no such account",
    "no pg_hba.conf entry": "it lets nobody in from here in this way (see its pg_hba.conf)",
    "does not support SSL": "it does not speak TLS",
    "certificate verify failed": "its certificate is not one that ca vouches for",
    "does not match host name": "its certificate is another host's",
    "root certificate file": "the file ca cannot be read",
    "could not read root certificate": "the file ca cannot be read",
    "is not permitted to log in": "this account may not log in",
    "failed to resolve host": "its name is not known",
    "unable to open database file": "its file cannot be opened",
    "readonly database": "its file may not be written to",
    "file is not a database": "its file is no SQLite database",
}
"""What servers and drivers say when they turn somebody away, and what is told of it. Their own
words hold names and addresses. (Messages of PostgreSQL 15, libpq and SQLite, as they were seen.)"""


def is_postgres(engine: sa.Engine) -> bool:
    """Whether there are schemas and accounts; SQLite has neither."""
    return engine.dialect.name == "postgresql"


def dbos_schema(engine: sa.Engine) -> str | None:
    """Of the tables of DBOS."""
    return DBOS_SCHEMA if is_postgres(engine) else None


async def reached(do: Callable[[], Result]) -> Result:
    """What comes of it, in a thread of its own. Raises as `reaching`."""

    def within() -> Result:
        with reaching():
            return do()

    return await asyncio.to_thread(within)


@contextmanager
def reaching() -> Iterator[None]:
    """Whatever the driver raises where the store is not to be reached becomes StoreLost, and what
    an account may not do, Refused."""
    try:
        yield
    except sa.exc.TimeoutError:  # all connections of this process were busy
        raise StoreLost from None
    except sa.exc.DBAPIError as error:
        said = str(error.orig)
        why = next((words for sign, words in TURNED_AWAY.items() if sign in said), "")
        # InternalError: a server that is read-only for a moment, as while another takes over.
        away = sa.exc.OperationalError | sa.exc.InterfaceError | sa.exc.InternalError
        lost = isinstance(error, away)
        if lost or error.connection_invalidated or (why and type(error) is sa.exc.DatabaseError):
            raise StoreLost(why) from None
        if isinstance(error, sa.exc.ProgrammingError):
            raise Refused(
                Problem(
                    "the store does not let this account do that, or was not prepared for this "
                    "version",
                    "prepare it again, by the account that it belongs to: migrate campaign prepare",
                )
            ) from None
        raise


def check_reached(engine: sa.Engine, place: StorePlace, account: str | None = None) -> None:
    """Raises Unreachable if it is not to be reached, or turns this account away."""
    try:
        with reaching(), engine.connect() as connection:
            connection.execute(sa.text("SELECT 1"))
    except StoreLost as lost:
        raise unreached(lost, place, account or place.account) from None


def unreached(lost: StoreLost, place: StorePlace, account: str | None) -> Unreachable:
    """In words: where, with which account, and why, as far as it is known."""
    who = f" with account {account}" if account else ""
    why = f": {lost.why}" if lost.why else ""
    what = f"the store of the campaign is not reached{who}{why}"
    return Unreachable(Problem(what, UNREACHED, place_in_words(place)))
