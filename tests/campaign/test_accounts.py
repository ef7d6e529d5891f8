"""What the account of a worker may touch, asked of a real PostgreSQL: its own site's rows. What is
refused is refused by the server, whatever a worker would send."""

from __future__ import annotations

import base64
import builtins
import json
import pickle
from collections.abc import Iterator

import psycopg
import pytest
from psycopg import errors, sql

from migrate.planning.campaign.errands import Order
from migrate.planning.campaign.look import Look
from migrate.ports.durable.accounts import ROLE, prepare
from migrate.ports.durable.store import DurableStore

from .postgres import DATABASE, Postgres

pytestmark = pytest.mark.long
ACCOUNTS: dict[str, str | None] = {"alder": "site_alder", "birch": "site_birch"}


@pytest.fixture(scope="module")
def server() -> Iterator[Postgres]:
    """Prepared for two sites, each with an errand."""
    with Postgres("site_alder", "site_birch") as one:
        left = one.prepare(ACCOUNTS)
        assert len(left) == 3  # the role, and two accounts: only an administrator can make them
        assert one.prepare(ACCOUNTS) == []  # again, whenever
        yield one


@pytest.fixture
async def errands(server: Postgres) -> None:
    """An errand on the queue of each site."""
    store = DurableStore(server.engine())
    await store.register(["alder", "birch"])
    for site in ACCOUNTS:
        await store.give(Order(kind="move", site=site, campaign="c0ffee"))
    store.close()


async def _look(server: Postgres) -> Look:
    """What whoever runs the campaign sees."""
    store = DurableStore(server.engine())
    try:
        return await store.look("c0ffee", list(ACCOUNTS))
    finally:
        store.close()


def _tables(db: psycopg.Connection) -> list[tuple[str, str]]:
    return db.execute(
        "SELECT table_schema, table_name FROM information_schema.tables "
        "WHERE table_schema IN ('dbos', 'campaign') AND table_type = 'BASE TABLE'"
    ).fetchall()


def _seen(db: psycopg.Connection, schema: str, table: str) -> list[str]:
    """Every row that the account sees, as text; none where it may not look."""
    whole = sql.SQL("SELECT t::text FROM {} t").format(sql.Identifier(schema, table))
    try:
        return [str(row[0]) for row in db.execute(whole)]
    except errors.InsufficientPrivilege:
        return []


@pytest.mark.usefixtures("errands")
def test_it_sees_no_row_of_another_site(server: Postgres) -> None:
    with server.admin(DATABASE) as db:
        tables = _tables(db)
        assert any("birch" in row for table in tables for row in _seen(db, *table))
    with server.account("site_alder") as db:
        rows = [row for table in tables for row in _seen(db, *table)]
    assert any("alder" in row for row in rows)
    assert not [row for row in rows if "birch" in row]


@pytest.mark.usefixtures("errands")
def test_it_changes_no_row_of_another_site(server: Postgres) -> None:
    changes = [
        "UPDATE dbos.workflow_status SET status = 'CANCELLED'",
        "DELETE FROM dbos.workflow_status WHERE workflow_uuid LIKE 'birch/%'",
        "UPDATE campaign.campaign_site SET heard_at = 0",
        "DELETE FROM dbos.workflow_input",
    ]
    with server.admin(DATABASE) as db:
        before = {table: _birch(db, table) for table in _tables(db)}
    with server.account("site_alder") as db:
        for change in changes:
            db.execute(change.encode())
    with server.admin(DATABASE) as db:
        assert {table: _birch(db, table) for table in _tables(db)} == before


def _birch(db: psycopg.Connection, table: tuple[str, str]) -> list[str]:
    return sorted(row for row in _seen(db, *table) if "birch" in row)


@pytest.mark.usefixtures("errands")
@pytest.mark.parametrize(
    "forged",
    [
        # An order for another site, its account, its row, another's queue, a campaign's word.
        "INSERT INTO dbos.workflow_status (workflow_uuid, status, created_at, updated_at, priority)"
        " VALUES ('birch/c0ffee/move/2', 'ENQUEUED', 0, 0, 0)",
        "UPDATE dbos.workflow_status SET workflow_uuid = 'birch/c0ffee/move/3'",
        "INSERT INTO dbos.workflow_output VALUES ('birch/c0ffee/move/1', '0', NULL, 0)",
        "INSERT INTO dbos.operation_outputs (workflow_uuid, function_id, function_name,"
        " retention_timestamp) VALUES ('birch/c0ffee/move/1', 1, 'leg', 0)",
        "INSERT INTO campaign.campaign_site (site, account) VALUES ('cedar', 'site_alder')",
        "UPDATE campaign.campaign_site SET account = 'site_birch'",
        "UPDATE campaign.campaign_site SET stopping = ''",
        "UPDATE dbos.queues SET concurrency = 9",
        "INSERT INTO dbos.queues (name, polling_interval_sec, created_at, updated_at)"
        " VALUES ('site-elm', 1, 0, 0)",
        "SELECT * FROM campaign.campaign_word",
        "UPDATE campaign.campaign_word SET wanted = 'run'",
        "UPDATE dbos.dbos_migrations SET version = 1",
        "ALTER TABLE dbos.workflow_status DISABLE ROW LEVEL SECURITY",
        "CREATE TABLE dbos.own (x int)",
        "SET ROLE controller",
        "CREATE OR REPLACE FUNCTION campaign.own_site() RETURNS text LANGUAGE sql AS"
        " $$ SELECT 'birch' $$",
    ],
)
def test_the_server_refuses(server: Postgres, forged: str) -> None:
    with server.account("site_alder") as db, pytest.raises(errors.InsufficientPrivilege):
        db.execute(forged.encode())


def test_another_name_for_the_function_leads_nowhere(server: Postgres) -> None:
    # The function runs with the rights of the owner: it must not find tables of the caller's.
    with server.account("site_alder") as db:
        db.execute("CREATE TEMP TABLE campaign_site (site text, account text)")
        db.execute("INSERT INTO campaign_site VALUES ('birch', 'site_alder')")
        found = db.execute("SELECT campaign.own_site()").fetchone()
    assert found == ("alder",)


def test_a_site_that_is_no_longer_named_is_closed(server: Postgres) -> None:
    engine = server.engine()
    try:
        assert prepare(engine, {"alder": "site_alder"}) == []
        with server.account("site_birch") as db:
            assert not [row for table in _tables(db) for row in _seen(db, *table) if "/" in row]
    finally:
        assert prepare(engine, ACCOUNTS) == []
        engine.dispose()


def test_every_table_is_closed_or_has_a_rule(server: Postgres) -> None:
    """Of a later version of DBOS as well: a table that is not known is not open."""
    with server.admin(DATABASE) as db:
        open_ = db.execute(
            "SELECT table_schema || '.' || table_name FROM information_schema.role_table_grants "
            "WHERE grantee IN (%s, 'PUBLIC') AND table_schema IN ('dbos', 'campaign')",
            [ROLE],
        ).fetchall()
        secured = db.execute(
            "SELECT n.nspname || '.' || c.relname FROM pg_class c "
            "JOIN pg_namespace n ON n.oid = c.relnamespace WHERE c.relrowsecurity"
        ).fetchall()
    assert set(open_) - set(secured) == {("dbos.dbos_migrations",)}


class Evil:
    """Runs code where it is read."""

    def __reduce__(self) -> tuple[object, ...]:
        return exec, ("import builtins; builtins.ran = True",)


@pytest.mark.usefixtures("errands")
async def test_an_object_of_python_in_a_row_is_not_read(server: Postgres) -> None:
    """A stolen worker's account runs no code at the desk of whoever runs the campaign. (The form is
    that of pickle, whose manual warns of exactly this: Python library reference, pickle.)"""
    octets = base64.b64encode(pickle.dumps(Evil())).decode()
    with server.account("site_alder") as db:
        db.execute(
            "UPDATE dbos.workflow_status SET status = 'SUCCESS', serialization = 'py_pickle' "
            "WHERE workflow_uuid = 'alder/c0ffee/move/1'"
        )
        db.execute(
            "INSERT INTO dbos.workflow_output VALUES ('alder/c0ffee/move/1', %s, NULL, 0) "
            "ON CONFLICT (workflow_uuid) DO UPDATE SET output = EXCLUDED.output",
            [octets],
        )
    look = await _look(server)
    assert not hasattr(builtins, "ran")
    # What nobody understands is a failure of that site, and of no other.
    assert [errand.phase for errand in look.errands["alder"]] == ["failed"]
    assert [errand.phase for errand in look.errands["birch"]] == ["asked"]


@pytest.mark.usefixtures("errands")
@pytest.mark.parametrize("said", ["{", json.dumps({"format": 9}), "[" * 5000, "\\u0000", "null"])
async def test_a_picture_that_nobody_understands_is_none(server: Postgres, said: str) -> None:
    with server.account("site_alder") as db:
        db.execute("UPDATE campaign.campaign_site SET picture = %s", [said])
    assert (await _look(server)).signs["alder"].picture is None


@pytest.mark.usefixtures("errands")
@pytest.mark.parametrize("said", ["Infinity", "-Infinity", "NaN"])
async def test_a_time_that_no_clock_says_is_none(server: Postgres, said: str) -> None:
    with server.account("site_alder") as db:
        db.execute("UPDATE campaign.campaign_site SET heard_at = %s::float8", [said])
    look = await _look(server)
    assert look.silent_for("alder") is None
    assert not look.heard("alder")
