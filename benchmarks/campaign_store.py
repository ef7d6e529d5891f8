"""What the store of a campaign takes: rows and octets for each device, and the memory of whoever
runs it, for 1,000 sites of 40 devices on a real PostgreSQL.

The coordinator is the real one, in a process of its own. Every site has a real worker of DBOS, in a
process of its own, but only while it has an errand: one machine cannot hold a thousand at once. Its
fleet is made up: an errand tells its picture a few times, and then its account, with every device.
That workers are there is written into their rows by this program. The baseline, measured in the
same run: a campaign of ten sites.

    python -m benchmarks.campaign_store [SITES [DEVICES]]        (1000 and 40 without numbers)

Needs Debian's postgresql; as root, its server runs as the user postgres.
"""

from __future__ import annotations

import asyncio
import hashlib
import multiprocessing
import os
import resource
import sys
import threading
import time
from collections.abc import Awaitable, Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from functools import partial

from migrate.engine.campaign import CampaignScene, Coordinator
from migrate.model.campaign import SitePace
from migrate.model.lifecycle import Direction, State
from migrate.model.problems import Exit
from migrate.planning.campaign.errands import (
    DeviceAccount,
    Order,
    SiteAccount,
    SiteLeg,
    SitePlan,
    SiteTwin,
)
from migrate.planning.campaign.plan import CampaignPlan, PlannedSite, freeze_campaign
from migrate.planning.campaign.turn import expected_waves
from migrate.planning.plan import Source
from migrate.ports.durable.store import DurableStore
from migrate.ports.durable.worker import Worker
from tests.campaign.postgres import DATABASE, OWNER, Postgres

PICTURES = 5
"""Times that an errand tells how far it is."""
AT_ONCE = 12
"""Workers that are processes at one time."""
ACCOUNT = "site_any"
FORK = multiprocessing.get_context("fork")


def main() -> None:
    """Measure and print."""
    numbers = [int(word) for word in sys.argv[1:]]
    sites, devices = (*numbers, *(1000, 40)[len(numbers) :])
    print(f"PostgreSQL, {os.cpu_count()} cores", flush=True)
    small = measured(10, devices)
    large = measured(sites, devices)
    head = f"{'':34}{f'{sites} sites':>14}{'10 sites':>14}{'ratio':>8}"
    print(head)
    for words, unit in FIGURES:
        a, b = large[words], small[words]
        ratio = f"{a / b:8.2f}" if b else f"{'':>8}"
        print(f"{f'{words} ({unit})':34}{a:14,.1f}{b:14,.1f}{ratio}")


FIGURES = (
    ("rows for each site", "rows"),
    ("rows for each device", "rows"),
    ("octets for each device", "octets"),
    ("log for each device", "octets"),
    ("memory of the coordinator", "MiB"),
    ("its processor time for each site", "ms"),
    ("looks", "looks"),
    ("whole campaign", "s"),
)


def measured(sites: int, devices: int) -> dict[str, float]:
    """A campaign from its first errand to its last."""
    plan = plan_of(sites, devices)
    with Postgres(ACCOUNT) as server:
        server.prepare({site.name: None for site in plan.sites})
        before = _used(server)
        begun = time.monotonic()
        there, here = FORK.Pipe()
        coordinator = FORK.Process(target=_coordinate, args=(server, plan, here))
        coordinator.start()
        with beside(partial(beat, server)), beside(partial(serve, server, devices)):
            found: dict[str, float] = there.recv()
            coordinator.join()
        seconds = time.monotonic() - begun
        after = _used(server)
    many = sites * devices
    return {
        "rows for each site": (after.rows - before.rows) / sites,
        "rows for each device": (after.rows - before.rows) / many,
        "octets for each device": (after.octets - before.octets) / many,
        "log for each device": (after.log - before.log) / many,
        "whole campaign": seconds,
        **found,
    }


def plan_of(sites: int, devices: int) -> CampaignPlan:
    """A campaign of sites that are alike."""
    twin = SiteTwin(dialect="larch", digest="0" * 64, firmware="3.1.0", devices=devices)
    draft = CampaignPlan(
        tool="benchmark",
        title="many homes",
        created="2026-01-01T00:00:00+00:00",
        source=Source(path="campaign.toml", sha256="0" * 64),
        pace=SitePace(),
        sites=tuple(
            PlannedSite(
                name=f"s{number:04}",
                legs=(SiteLeg(digest=_digest(number), devices=devices, waves=6),),
                twins=(twin,),
            )
            for number in range(sites)
        ),
    )
    return freeze_campaign(draft, *expected_waves(draft))


def _digest(number: int) -> str:
    return hashlib.sha256(str(number).encode()).hexdigest()


def _coordinate(server: Postgres, plan: CampaignPlan, out: object) -> None:
    looks = 0
    before = resource.getrusage(resource.RUSAGE_SELF)

    def show(scene: CampaignScene) -> None:
        nonlocal looks
        looks += 1

    async def go() -> None:
        engine = server.engine()
        store = DurableStore(engine, coordinates=True)
        await store.register([site.name for site in plan.sites])
        ending = await Coordinator(plan, store, show).forward()
        if ending.exit is not Exit.DONE:
            raise RuntimeError(ending.headline)
        store.close()

    asyncio.run(go())
    used = resource.getrusage(resource.RUSAGE_SELF)
    spent = used.ru_utime + used.ru_stime - before.ru_utime - before.ru_stime
    out.send(  # type: ignore[attr-defined]
        {
            "memory of the coordinator": used.ru_maxrss / 1024,
            "its processor time for each site": 1000 * spent / len(plan.sites),
            "looks": looks,
        }
    )


@dataclass
class MadeUp:
    """A SiteWork whose devices are made up: a tenth of them, then more, then all."""

    devices: int
    told: Callable[[], Awaitable[None]] = field(init=False)
    part: float = 0.0

    async def plan(self) -> SitePlan:
        """Nobody asks."""
        raise NotImplementedError

    async def move(self, order: Order, leg: int) -> SiteAccount:
        """Tell a few pictures."""
        for number in range(PICTURES):
            self.part = number / PICTURES
            await self.told()
        self.part = 1.0
        return self.account(order)

    async def back(self, order: Order, leg: int) -> SiteAccount:
        """Nobody asks."""
        raise NotImplementedError

    def stop(self) -> None:
        """It is over soon."""

    @property
    def picture(self) -> SiteAccount:
        """How far it is."""
        return self.account(None)

    def account(self, order: Order | None) -> SiteAccount:
        """Every device, some of them there."""
        there = int(self.part * self.devices)
        return SiteAccount(
            exit=Exit.DONE,
            began=True,
            devices=tuple(
                DeviceAccount(
                    name=f"kitchen ceiling {number}",
                    state=State.SETTLED if number < there else State.WAITING,
                    direction=Direction.FORWARD,
                    sent=number < there,
                )
                for number in range(self.devices)
            ),
        )


def _work(server: Postgres, site: str, devices: int) -> None:
    """A worker, until its errand is over."""

    async def go() -> None:
        engine = server.engine()
        work = MadeUp(devices)
        worker = Worker(engine, site, site, "benchmark", work)
        work.told = worker.told
        await worker.claim()
        going = asyncio.create_task(worker.go(asyncio.Event()))
        await asyncio.to_thread(_until_over, server, site)
        going.cancel()
        os._exit(0)

    asyncio.run(go())


def _until_over(server: Postgres, site: str) -> None:
    with server.account(OWNER) as db:
        query = "SELECT status FROM dbos.workflow_status WHERE queue_name = %s"
        while db.execute(query, [f"site-{site}"]).fetchone() != ("SUCCESS",):
            time.sleep(0.05)  # the store tells nobody


@contextmanager
def beside(work: Callable[[threading.Event], None]) -> Iterator[None]:
    """A thread while the block lasts; it is to end when the event is set."""
    over = threading.Event()
    thread = threading.Thread(target=work, args=(over,))
    thread.start()
    try:
        yield
    finally:
        over.set()
        thread.join()


def serve(server: Postgres, devices: int, over: threading.Event) -> None:
    """A worker for each site that has been given an errand, a few at a time."""
    served: set[str] = set()
    at_work: list[multiprocessing.process.BaseProcess] = []
    with server.account(OWNER) as db:
        while not over.wait(0.1):
            at_work = [one for one in at_work if one.is_alive()]
            asked = db.execute(
                "SELECT split_part(workflow_uuid, '/', 1) FROM dbos.workflow_status "
                "WHERE status = 'ENQUEUED' ORDER BY created_at"
            ).fetchall()
            for (site,) in asked:
                if site not in served and len(at_work) < AT_ONCE:
                    served.add(site)
                    at_work.append(FORK.Process(target=_work, args=(server, site, devices)))
                    at_work[-1].start()
    for one in at_work:
        one.join()


def beat(server: Postgres, over: threading.Event) -> None:
    """Every worker is heard of."""
    with server.account(OWNER) as db:
        while True:
            db.execute("UPDATE campaign.campaign_site SET heard_at = extract(epoch from now())")
            if over.wait(15):
                return


@dataclass(frozen=True)
class Used:
    """Rows, octets of all tables and indexes, octets of log ever written."""

    rows: int
    octets: int
    log: int


def _used(server: Postgres) -> Used:
    with server.admin(DATABASE) as db:
        log = db.execute("SELECT pg_current_wal_lsn() - '0/0'::pg_lsn").fetchone()
        db.execute("VACUUM FULL")
        tables = db.execute(
            "SELECT format('%I.%I', schemaname, relname), "
            "pg_total_relation_size(relid) FROM pg_stat_user_tables"
        ).fetchall()
        rows = 0
        for name, _ in tables:
            found = db.execute(b"SELECT count(*) FROM " + name.encode()).fetchone()
            rows += found[0] if found else 0
    return Used(rows, sum(size for _, size in tables), int(log[0]) if log else 0)


if __name__ == "__main__":
    main()
