"""Reaching the store. The password goes from its reference into the driver, and into no text."""

from __future__ import annotations

import logging
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Final

import sqlalchemy as sa

from migrate.model.campaign import StorePlace
from migrate.model.problems import BadFile, Problem, Unreachable
from migrate.model.secrets import Secret
from migrate.ports.protocols import StoreLost

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


@contextmanager
def reaching() -> Iterator[None]:
    """Whatever the driver raises where the store is not to be reached becomes StoreLost."""
    try:
        yield
    except (sa.exc.TimeoutError, sa.exc.OperationalError, sa.exc.InterfaceError):
        raise StoreLost from None
    except sa.exc.DBAPIError as error:
        if error.connection_invalidated:
            raise StoreLost from None
        raise


def check_reached(engine: sa.Engine, place: StorePlace, account: str | None = None) -> None:
    """Raises Unreachable if it is not to be reached, or lets this account not in."""
    try:
        with reaching(), engine.connect() as connection:
            connection.execute(sa.text("SELECT 1"))
    except StoreLost:
        who = f" with account {account or place.account}" if account or place.account else ""
        what = f"the store of the campaign is not reached{who}"
        raise Unreachable(Problem(what, UNREACHED, place_in_words(place))) from None
