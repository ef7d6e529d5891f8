"""The store as a coordinator has it."""

from __future__ import annotations

import asyncio
import math
import time
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from functools import partial
from secrets import token_hex
from typing import Final

import sqlalchemy as sa
from dbos import DBOSClient, WorkflowStatus

from migrate.model.campaign import StorePlace
from migrate.model.problems import BadFile, Busy, Problem, Refused
from migrate.model.secrets import Secret
from migrate.planning.campaign.errands import (
    MOST_OCTETS,
    Kind,
    Order,
    SiteAccount,
    SitePlan,
    from_json,
    to_json,
)
from migrate.planning.campaign.look import Look, SiteSign, Wanted
from migrate.planning.campaign.standing import Errand, Phase
from migrate.ports.durable.database import (
    check_reached,
    dbos_schema,
    engine_of,
    is_postgres,
    place_in_words,
    reached,
    reaching,
)
from migrate.ports.durable.launch import launch, leave
from migrate.ports.durable.names import (
    COORDINATOR,
    ERRAND,
    application_of,
    key_of,
    queue_of,
    read_key,
    version_of,
)
from migrate.ports.durable.plain import JSON, read_json_only
from migrate.ports.durable.tables import SITE, WORD, are_there, clock, make_tables
from migrate.ports.protocols import StoreLost

COORDINATOR_SILENT_SECONDS: Final = 6.0
"""A coordinator that has not been heard of for so long has ended without saying so."""
POLL_SECONDS: Final = 1.0
"""How often the workers look into their queues."""
AT_ONCE: Final = 200
"""Accounts that are read in one statement."""
PHASES: Final[Mapping[str, Phase]] = {
    "ENQUEUED": "asked",
    "DELAYED": "asked",
    "PENDING": "taken",
    "SUCCESS": "done",
}
"""Of an errand, by what DBOS calls the status of its workflow. Any other is a failure."""
BUSY: Final = Problem(
    "this campaign is being run by another process, here or on another machine",
    "end that one first, or look on: migrate campaign status",
)


class DurableStore:
    """A SiteStore on DBOS. `coordinates`: this one may let sites begin, and no other may meanwhile.

    Every method raises StoreLost while the store is not reached; those that give raise Busy if
    another coordinator is at work.
    """

    def __init__(self, engine: sa.Engine, *, coordinates: bool = False) -> None:
        read_json_only()
        self._engine = engine
        self._me = token_hex(8) if coordinates else ""
        self._client = DBOSClient(
            system_database_engine=engine,
            dbos_system_schema=dbos_schema(engine),
            serializer=JSON,
            lazy=True,
            retry_connection_errors=False,
        )
        self._ended: dict[str, Errand] = {}
        self._pictures: dict[str, tuple[str, SiteAccount | None]] = {}

    def close(self) -> None:
        """Let go of the connections. The campaign is nobody's afterwards."""
        if self._me:
            try:
                with reaching(), self._engine.begin() as db:
                    mine = WORD.c.coordinator == self._me
                    db.execute(sa.update(WORD).where(mine).values(coordinator=None))
            except StoreLost:
                pass  # it is nobody's when this one has been silent for a while
        self._client.destroy()
        self._engine.dispose()

    async def look(self, campaign: str, sites: Sequence[str]) -> Look:
        """All errands of a campaign, and every sign of these sites."""
        return await reached(lambda: self._look(campaign, frozenset(sites)))

    async def give(self, order: Order) -> None:
        """Put an errand on its site's queue; no other coordinator has taken over meanwhile."""
        await reached(lambda: self._give(order))

    async def want(self, campaign: str, wanted: Wanted) -> None:
        """Keep the owner's word."""
        await reached(lambda: self._want(campaign, wanted))

    async def stop_errands(self, keys: Mapping[str, str]) -> None:
        """Ask the workers of these sites to stop their errands."""
        await reached(lambda: self._stop(keys))

    async def news(self, seconds: float) -> None:
        """Wait for so long. Nothing tells of a change: a listener would need a connection of its
        own for each site, and could hear of all others."""
        await asyncio.sleep(min(seconds, POLL_SECONDS))

    async def answers(self, campaign: str) -> dict[str, SitePlan | None]:
        """What the sites have answered to a planning so far; None: something that is no answer."""
        return await reached(lambda: dict(self._answers(campaign)))

    async def take(self, campaign: str) -> None:
        """Be the one that lets sites begin. One before it that was killed is known to be gone when
        it has not been heard of for a while; that is waited for. Raises Busy if it is heard of."""
        last: float | None = None
        begun = time.monotonic()
        while True:
            # By our own clock as well: that of the store may have been set back since.
            silent = time.monotonic() - begun > 2 * COORDINATOR_SILENT_SECONDS
            heard = await reached(partial(self._heard_or_mine, campaign, silent))
            if heard is None:
                return
            if last is not None and heard != last:
                raise Busy(BUSY)
            last = heard
            await self.news(POLL_SECONDS)

    def _heard_or_mine(self, campaign: str, silent: bool) -> float | None:
        """When another was last heard of; None if this one is it now. `silent`: it was not heard of
        for so long that it is gone."""
        try:
            with self._engine.begin() as db:
                if silent:
                    mine = WORD.c.campaign == campaign
                    db.execute(sa.update(WORD).where(mine).values(coordinator=None))
                self._claim(db, campaign)
        except Busy:
            with self._engine.begin() as db:
                at = db.scalar(sa.select(WORD.c.heard_at).where(WORD.c.campaign == campaign))
            return float(at or 0.0)
        return None

    async def register(self, sites: Iterable[str]) -> None:
        """Have a queue for each site. For SQLite the row of the site as well: with PostgreSQL it is
        made when the store is prepared, together with who may touch it."""
        await reached(lambda: self._register(list(sites)))

    def _look(self, campaign: str, sites: frozenset[str]) -> Look:
        with self._engine.begin() as db:
            if self._me:
                self._claim(db, campaign)
            at = float(db.scalar(sa.select(clock(self._engine))) or 0.0)
            word = db.scalar(sa.select(WORD.c.wanted).where(WORD.c.campaign == campaign))
            rows = db.execute(
                sa.select(
                    SITE.c.site,
                    SITE.c.heard_at,
                    SITE.c.tool,
                    SITE.c.doing,
                    # One octet too many is refused; a site that writes more is not even read.
                    sa.func.substr(SITE.c.picture, 1, MOST_OCTETS + 1),
                )
            ).all()
        signs = {row.site: self._sign(*row) for row in rows if row.site in sites}
        wanted: Wanted = "stop" if word == "stop" else "run"
        return Look(at, wanted, self._errands(campaign), signs)

    def _sign(self, site: str, heard: float | None, tool: str, doing: str, text: str) -> SiteSign:
        last, picture = self._pictures.get(site, ("", None))
        if text != last:
            try:
                picture = from_json(text, SiteAccount, site) if text else None
            except BadFile:
                picture = None  # a site that says what nobody understands has said nothing
            self._pictures[site] = (text, picture)
        if heard is not None and not math.isfinite(heard):
            heard = None  # no clock says that
        return SiteSign(heard, tool or "", doing or "", picture)

    def _errands(self, campaign: str) -> dict[str, list[Errand]]:
        found: dict[str, list[Errand]] = defaultdict(list)
        flows = self._flows(campaign)
        over = [
            flow.workflow_id
            for flow in flows
            if flow.workflow_id not in self._ended and PHASES.get(flow.status) in ("done", None)
        ]
        outputs = self._outputs(over)
        for flow in flows:
            key = flow.workflow_id
            named = read_key(key)
            if named is None or named.kind == "plan":
                continue
            if key in self._ended:
                found[named.site].append(self._ended[key])
                continue
            errand = _errand(flow, named.kind, named.attempt, outputs.get(key))
            if key in outputs:
                self._ended[key] = errand
            found[named.site].append(errand)
        return dict(found)

    def _flows(self, campaign: str) -> list[WorkflowStatus]:
        return self._client.list_workflows(user=campaign, load_input=False, load_output=False)

    def _outputs(self, keys: Sequence[str]) -> dict[str, object]:
        """What has come of these, as it stands there; None for what cannot be read."""
        found: dict[str, object] = dict.fromkeys(keys)
        for first in range(0, len(keys), AT_ONCE):
            some = list(keys[first : first + AT_ONCE])
            for flow in self._client.list_workflows(workflow_ids=some, load_input=False):
                found[flow.workflow_id] = flow.output
        return found

    def _answers(self, campaign: str) -> Iterable[tuple[str, SitePlan | None]]:
        keys = {
            flow.workflow_id: named.site
            for flow in self._flows(campaign)
            if PHASES.get(flow.status) in ("done", None)
            and (named := read_key(flow.workflow_id)) is not None
        }
        for key, output in self._outputs(list(keys)).items():
            try:
                yield keys[key], from_json(output, SitePlan, keys[key])
            except BadFile:
                yield keys[key], None

    def _claim(self, db: sa.Connection, campaign: str) -> None:
        """Become, or stay, the one that lets sites begin. Raises Busy."""
        at = clock(self._engine)
        taken = db.execute(
            sa.update(WORD)
            .where(
                WORD.c.campaign == campaign,
                sa.or_(
                    WORD.c.coordinator.is_(None),
                    WORD.c.coordinator == self._me,
                    WORD.c.heard_at < at - COORDINATOR_SILENT_SECONDS,
                ),
            )
            .values(coordinator=self._me, heard_at=at)
        ).rowcount
        if taken:
            return
        if db.scalar(sa.select(WORD.c.campaign).where(WORD.c.campaign == campaign)) is None:
            try:
                mine = {"campaign": campaign, "coordinator": self._me, "heard_at": at}
                db.execute(sa.insert(WORD).values(**mine))
            except sa.exc.IntegrityError:  # another was quicker, this very moment
                raise Busy(BUSY) from None
            return
        raise Busy(BUSY)

    def _give(self, order: Order) -> None:
        with self._engine.begin() as db:
            if self._me and order.kind != "plan":
                self._claim(db, order.campaign)
            self._client.enqueue_in_transaction(
                db,
                {
                    "workflow_name": ERRAND,
                    "queue_name": queue_of(order.site),
                    "workflow_id": key_of(order),
                    "app_version": version_of(application_of(order.site)),
                    "application_name": application_of(order.site),
                    # In whose name it is done, for DBOS: errands are found by it.
                    "authenticated_user": order.campaign,
                },
                to_json(order),
            )

    def _want(self, campaign: str, wanted: Wanted) -> None:
        with self._engine.begin() as db:
            changed = sa.update(WORD).where(WORD.c.campaign == campaign).values(wanted=wanted)
            if not db.execute(changed).rowcount:
                db.execute(sa.insert(WORD).values(campaign=campaign, wanted=wanted))

    def _stop(self, keys: Mapping[str, str]) -> None:
        with self._engine.begin() as db:
            for site, key in keys.items():
                db.execute(sa.update(SITE).where(SITE.c.site == site).values(stopping=key))

    def _register(self, sites: Sequence[str]) -> None:
        there = {queue.name for queue in self._client.list_queues()}
        for site in sites:
            if queue_of(site) not in there:
                self._client.register_queue(
                    queue_of(site),
                    global_concurrency=1,
                    polling_interval_sec=POLL_SECONDS,
                    application_name=application_of(site),
                )
        if not is_postgres(self._engine):
            with self._engine.begin() as db:
                known = set(db.scalars(sa.select(SITE.c.site)))
                new = [{"site": site} for site in sites if site not in known]
                if new:
                    db.execute(sa.insert(SITE).prefix_with("OR IGNORE"), new)


def open_store(
    place: StorePlace, password: Secret | None, *, coordinates: bool = False
) -> DurableStore:
    """The store, prepared and reached. An SQLite file is made if it is not there.

    Raises Unreachable; BadFile if a PostgreSQL database has not been prepared.
    """
    engine = engine_of(place, None, password)
    check_reached(engine, place)
    with reaching():
        there = are_there(engine)
    if not there:
        if place.file is None:
            what = "the store has not been prepared"
            remedy = "prepare it once: migrate campaign prepare"
            raise BadFile(Problem(what, remedy, place_in_words(place)))
        make_store(engine)
    return DurableStore(engine, coordinates=coordinates)


def make_store(engine: sa.Engine) -> None:
    """Make the tables of DBOS and ours, or bring them to this version. Raises Refused if the
    account may not."""
    try:
        launch(engine, COORDINATOR)
    except sa.exc.DBAPIError as error:
        raise Refused(
            Problem(
                "the tables of the store cannot be made: "
                f"{type(error.orig).__name__ if error.orig else type(error).__name__}",
                "have the database belong to the account that the campaign file names",
            )
        ) from None
    finally:
        leave()
    make_tables(engine)


def _errand(flow: WorkflowStatus, kind: Kind, attempt: int, output: object) -> Errand:
    phase: Phase = PHASES.get(flow.status, "failed")
    account: SiteAccount | None = None
    if phase == "done":
        try:
            account = from_json(output, SiteAccount, flow.workflow_id)
        except BadFile:
            phase = "failed"
    return Errand(
        flow.workflow_id,
        "back" if kind == "back" else "move",
        attempt,
        phase,
        account,
        _seconds(flow.created_at),
        _seconds(flow.dequeued_at),
        _seconds(flow.completed_at),
    )


def _seconds(milliseconds: int | None) -> float | None:
    return None if milliseconds is None else milliseconds / 1000
