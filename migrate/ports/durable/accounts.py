"""What the account of a worker may touch: the rows of its own site, and no others.

PostgreSQL holds this by row-level security (manual, "Row Security Policies"), not migrate. In every
table of DBOS that belongs to an errand, the key of the errand names its site first; what belongs to
a worker as a whole names the application, which is named after the site. A table in which neither
stands is closed to workers. The row of a site names the account of its worker, and `own_site()`
looks there with the rights of whoever prepared the store.

All accounts of workers are members of one role that holds the grants, so that they stay short.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Final

import sqlalchemy as sa

from migrate.model.problems import Problem, Refused
from migrate.ports.durable.database import DBOS_SCHEMA, SCHEMA, is_postgres, reaching
from migrate.ports.durable.store import make_store
from migrate.ports.durable.tables import SITE, WORD

ROLE: Final = "campaign_worker"
ERRAND_COLUMNS: Final = ("workflow_uuid", "destination_uuid")
"""Columns of DBOS that hold the key of an errand."""
APPLICATION_COLUMN: Final = "application_name"
READ_BY_ALL: Final = frozenset({"dbos_migrations"})
"""Holds one number: the version of the tables."""
MAY: Final = {
    "queues": "SELECT",
    "workflow_schedules": "SELECT",
    "application_versions": "SELECT, INSERT, UPDATE",
}
"""What a worker may do in these; in those of errands, all."""
POLICY: Final = "own_site_only"
SAID_BY_WORKERS: Final = ("worker", "tool", "heard_at", "doing", "picture")


def prepare(engine: sa.Engine, accounts: Mapping[str, str | None]) -> list[str]:
    """Make the tables, or bring them to this version, and let each site's account touch its own
    rows; `accounts` by site. Sites that are no longer named lose their account, and keep their
    rows. Can be done again at any time.

    What only an administrator of the server can do is returned, as statements of SQL to be run
    there; then prepare once more. Raises StoreLost, and Refused if the tables cannot be made.
    """
    make_store(engine)
    if not is_postgres(engine):
        return []
    with reaching(), engine.begin() as db:
        known = set(db.scalars(sa.text("SELECT rolname FROM pg_roles")))
        missing = list(_missing(known, accounts))
        if missing:
            return missing
        for statement in _statements(db):
            db.execute(sa.text(statement))
        _sites(db, accounts)
        members = set(db.scalars(sa.text(MEMBERS), {"role": ROLE}))
        strangers = sorted(set(filter(None, accounts.values())) - members)
    return [f"GRANT {ROLE} TO {name};" for name in strangers]


MEMBERS: Final = """
SELECT member.rolname FROM pg_auth_members
JOIN pg_roles held ON held.oid = roleid JOIN pg_roles member ON member.oid = member
WHERE held.rolname = :role
"""


def _missing(known: set[str], accounts: Mapping[str, str | None]) -> Iterator[str]:
    if ROLE not in known:
        yield f"CREATE ROLE {ROLE} NOLOGIN;"
    for account in sorted(filter(None, accounts.values())):
        if account not in known:
            yield f"CREATE ROLE {account} LOGIN IN ROLE {ROLE};  -- then: \\password {account}"


def _statements(db: sa.Connection) -> Iterator[str]:
    """Everything that lets a worker in, and keeps it to its own. All names in it are our own."""
    yield f"""
        CREATE OR REPLACE FUNCTION {SCHEMA}.own_site() RETURNS text
        LANGUAGE sql STABLE SECURITY DEFINER SET search_path = pg_catalog, pg_temp
        AS $$ SELECT site FROM {SCHEMA}.{SITE.name} WHERE account = session_user $$
    """  # noqa: S608
    yield f"GRANT USAGE ON SCHEMA {SCHEMA}, {DBOS_SCHEMA} TO {ROLE}"
    for table, condition in _own(db):
        yield from _closed_but(f"{DBOS_SCHEMA}.{table}", condition)
        may = MAY.get(table, "SELECT, INSERT, UPDATE, DELETE")
        yield f"REVOKE ALL ON {DBOS_SCHEMA}.{table} FROM {ROLE}"
        yield f"GRANT {may} ON {DBOS_SCHEMA}.{table} TO {ROLE}"
    for table in sorted(READ_BY_ALL):
        yield f"GRANT SELECT ON {DBOS_SCHEMA}.{table} TO {ROLE}"
    yield from _closed_but(f"{SCHEMA}.{SITE.name}", "account = session_user")
    yield f"GRANT SELECT ON {SCHEMA}.{SITE.name} TO {ROLE}"
    yield f"GRANT UPDATE ({', '.join(SAID_BY_WORKERS)}) ON {SCHEMA}.{SITE.name} TO {ROLE}"
    yield f"ALTER TABLE {SCHEMA}.{WORD.name} ENABLE ROW LEVEL SECURITY"


def _own(db: sa.Connection) -> Iterator[tuple[str, str]]:
    """The tables of DBOS that workers use, each with the condition under which a row is theirs."""
    columns: dict[str, set[str]] = {}
    for table, column in db.execute(sa.text(COLUMNS), {"schema": DBOS_SCHEMA}):
        columns.setdefault(table, set()).add(column)
    for table, names in sorted(columns.items()):
        key = next((name for name in ERRAND_COLUMNS if name in names), None)
        if key is not None:
            yield table, f"split_part({key}, '/', 1) = {OWN}"
        elif APPLICATION_COLUMN in names:
            yield table, f"{APPLICATION_COLUMN} = 'site-' || {OWN}"


OWN: Final = f"(SELECT {SCHEMA}.own_site())"
"""Asked once for a statement, and not for every row."""
COLUMNS: Final = """
SELECT table_name, column_name FROM information_schema.columns
JOIN information_schema.tables USING (table_schema, table_name)
WHERE table_schema = :schema AND table_type = 'BASE TABLE'
"""


def _closed_but(table: str, condition: str) -> Iterator[str]:
    yield f"ALTER TABLE {table} ENABLE ROW LEVEL SECURITY"
    yield f"DROP POLICY IF EXISTS {POLICY} ON {table}"
    yield (
        f"CREATE POLICY {POLICY} ON {table} TO {ROLE} USING ({condition}) WITH CHECK ({condition})"
    )


def _sites(db: sa.Connection, accounts: Mapping[str, str | None]) -> None:
    db.execute(sa.update(SITE).values(account=None))
    there = set(db.scalars(sa.select(SITE.c.site)))
    for site, account in accounts.items():
        if site in there:
            db.execute(sa.update(SITE).where(SITE.c.site == site).values(account=account))
        else:
            db.execute(sa.insert(SITE).values(site=site, account=account))


def check_accounts(accounts: Mapping[str, str | None], own: str | None) -> None:
    """Raises Refused for a site without an account of its own at a server, or with the one of
    whoever runs the campaign."""
    without: Sequence[str] = [site for site, account in accounts.items() if account is None]
    problems = [
        Problem(
            f"site {site} has no account at the store",
            f'add account = "site_{site.replace("-", "_")}" to it',
        )
        for site in without
    ]
    if own is None:
        problems.append(
            Problem("the store names no account", "add account = ... to [store]", key="store")
        )
    if problems:
        raise Refused(problems)
