"""DBOS at work in this process, as a worker and the making of the tables both have it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import sqlalchemy as sa
from dbos import DBOS

from migrate.ports.durable.database import dbos_schema
from migrate.ports.durable.names import version_of
from migrate.ports.durable.plain import JSON, read_json_only


def launch(engine: sa.Engine, application: str, queues: Sequence[str] = (), **more: Any) -> None:
    """Start it for an application, taking what is on these queues. `more`: of its configuration.
    Raises what DBOS and SQLAlchemy do; then `leave` it before another try."""
    read_json_only()
    config: Any = {
        "name": application,
        "system_database_engine": engine,
        "dbos_system_schema": dbos_schema(engine),
        "application_version": version_of(application),
        "serializer": JSON,
        # What is told this way is heard by every account of the database.
        "use_listen_notify": False,
        **more,
    }
    DBOS(config=config)
    DBOS.listen_queues(list(queues))
    DBOS.launch()


def leave() -> None:
    """End it. What is an errand stays known, so that it can be started again."""
    DBOS.destroy(destroy_registry=False)
