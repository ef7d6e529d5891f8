"""What must be true when a campaign is over, whoever was killed meanwhile. The store is read with
plain SQL, journals with sqlite3, and what the devices hold is asked of the lab: nothing of the tool
judges itself here."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping

from tests.engine.harness import SECRETS
from tests.engine.scan import leaks, spellings
from tests.kills.checks import Finding, at_any_time, at_the_end, secrets_in_files
from tests.kills.house import KilledHouse

from .postgres import DATABASE, Postgres
from .trio import SITES, Trio, no_traceback

MOVES = """
SELECT workflow_uuid, status, recovery_attempts, workflow_output.output
FROM dbos.workflow_status LEFT JOIN dbos.workflow_output USING (workflow_uuid)
WHERE workflow_uuid LIKE '%%/move/%%' ORDER BY workflow_uuid
"""


def everything(trio: Trio, code: int) -> Iterator[Finding]:
    """All of it, for a campaign that was to be moved to its end."""
    if code != 0:
        yield Finding("outcome", f"the coordinator ended with {code}")
    assert trio.postgres is not None
    yield from _errands(trio.homes, trio.postgres)
    for name, home in trio.homes.items():
        for finding in _home(home):
            yield Finding(finding.kind, f"{name}: {finding.words}")
    for name in (*SITES, "coordinator", "command"):
        for sign in no_traceback(trio.said(name)):
            yield Finding("outcome", f"{name} said {sign!r}")
    yield from secrets_in_store(trio.postgres)


def _errands(homes: Mapping[str, KilledHouse], server: Postgres) -> Iterator[Finding]:
    """Each site was moved by one errand, which came to its end once; and its account has every
    device of the lab, and no other, where it is."""
    with server.admin(DATABASE) as db:
        rows = db.execute(MOVES).fetchall()
    sites = [row[0].partition("/")[0] for row in rows]
    if sorted(sites) != sorted(homes):
        yield Finding("unaccounted", f"errands of {sites}")
    for key, status, _, output in rows:
        site = key.partition("/")[0]
        if status != "SUCCESS" or output is None:
            yield Finding("unaccounted", f"the errand of {site} is {status}")
            continue
        account = json.loads(json.loads(output))
        told = {one["name"]: (one["state"], one["direction"]) for one in account.get("devices", ())}
        if account["exit"] != 0 or set(told) != set(homes[site].lab.units):
            yield Finding("unaccounted", f"the account of {site}: {account['exit']}, {told}")
        for name, stands in told.items():
            if (stands == ("settled", "forward")) != homes[site].moved(name):
                yield Finding("unaccounted", f"{site}: {name} is told as {stands}")


def _home(home: KilledHouse) -> Iterator[Finding]:
    # Of a worker that was killed between a journal and its first byte, an empty one is left.
    with home.copied() as db:
        yield from at_any_time(home, db)
        yield from at_the_end(home, db, 0, back=False)
    yield from secrets_in_files(home)


def secrets_in_store(server: Postgres) -> Iterator[Finding]:
    """Canaries, however they are spelled: in every row, and in every file of the server, with what
    rows once held and what its log for recovery still holds."""
    ssids = ("old-net", "new-net")
    with server.admin(DATABASE) as db:
        tables = db.execute(
            "SELECT table_schema, table_name FROM information_schema.tables "
            "WHERE table_type = 'BASE TABLE' AND table_schema IN ('dbos', 'campaign')"
        ).fetchall()
        rows = [
            str(row[0])
            for schema, table in tables
            for row in db.execute(f'SELECT t::text FROM "{schema}"."{table}" t')  # noqa: S608
        ]
    for leak in leaks("\n".join(rows).encode(), SECRETS, ssids):
        yield Finding("secret", f"in a row of the store: {leak}")
    wanted = [
        (f"{name}, {how}", octets)
        for name, secret in SECRETS.items()
        for how, octets in spellings(secret, ssids)
        if len(octets) >= 8
    ]
    for path in sorted(server.data.rglob("*")):
        octets = path.read_bytes() if path.is_file() else b""
        for words, sign in wanted:
            if sign in octets:
                yield Finding("secret", f"in {path.relative_to(server.data)}: {words}")
