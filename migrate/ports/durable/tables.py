"""The two tables beside those of DBOS: what the owner wants of a campaign, and how a worker is.

One row for each campaign and one for each site, written over and over: neither grows while a
campaign goes on.
"""

from __future__ import annotations

import sqlalchemy as sa

from migrate.ports.durable.database import SCHEMA, is_postgres

_meta = sa.MetaData(schema=SCHEMA)

WORD = sa.Table(
    "campaign_word",
    _meta,
    sa.Column("campaign", sa.Text, primary_key=True),
    sa.Column("wanted", sa.Text, nullable=False, server_default="run"),
    # Who lets sites begin, and when that was last heard of. Never two at a time.
    sa.Column("coordinator", sa.Text),
    sa.Column("heard_at", sa.Float),
)
SITE = sa.Table(
    "campaign_site",
    _meta,
    sa.Column("site", sa.Text, primary_key=True),
    # The account of its worker at PostgreSQL: which rows it may touch goes by this.
    sa.Column("account", sa.Text, unique=True),
    # Which worker it is: the one with the site's journals. None until one has come.
    sa.Column("worker", sa.Text),
    sa.Column("tool", sa.Text),
    sa.Column("heard_at", sa.Float),
    sa.Column("doing", sa.Text),
    sa.Column("picture", sa.Text),
    # The key of an errand that the owner wants stopped.
    sa.Column("stopping", sa.Text),
)


def make_tables(engine: sa.Engine) -> None:
    """Make them, if they are not there."""
    with engine.begin() as connection:
        if is_postgres(engine):
            connection.execute(sa.schema.CreateSchema(SCHEMA, if_not_exists=True))
        _meta.create_all(connection)


def are_there(engine: sa.Engine) -> bool:
    """Whether the store has been prepared."""
    schema = SCHEMA if is_postgres(engine) else None
    return bool(sa.inspect(engine).has_table(SITE.name, schema=schema))


def clock(engine: sa.Engine) -> sa.ColumnElement[float]:
    """Seconds since 1970 by the store's clock, the same for everybody who asks it."""
    if is_postgres(engine):
        return sa.cast(sa.extract("epoch", sa.func.clock_timestamp()), sa.Float)
    return (sa.func.julianday("now") - sa.literal(2440587.5)) * sa.literal(86400.0)
