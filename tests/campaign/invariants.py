"""What must hold of every campaign, checked at the moment something happens in the store.

Nothing of the coordinator, of the admission rule or of where sites stand is used here: errands are
looked at as the store has them, journals as plain SQLite files, devices as they really are. What a
site counts for is worked out with SciPy: the one-sided bound of Clopper and Pearson (1934) is a
quantile of the beta distribution.
"""

from __future__ import annotations

import math
import sqlite3
from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from contextlib import closing
from functools import lru_cache

from scipy.stats import beta

from migrate.model.problems import Exit
from migrate.planning.campaign.errands import Order, SiteAccount, from_json
from migrate.planning.campaign.look import Look
from migrate.planning.campaign.plan import CampaignPlan
from migrate.planning.campaign.standing import Errand
from tests.swarm.scenario import SECRETS

from .homes import Home

HEARD_SECONDS = 45.0
LOOK_HOLDS_SECONDS = 10.0
"""What was seen longer ago may not be so any more: sites are held since, or the owner has it
stopped."""
FORBIDDEN = (*SECRETS.values(), "quay-", "192.0.2.", "198.51.100.", "00-00-5E", "broker.")
"""Secrets, names of networks, addresses, names of brokers: none of it travels."""


class Broken(AssertionError):
    """An invariant does not hold."""


@lru_cache(4096)
def bound(moved: int, faults: int, confidence: float) -> float:
    """The largest rate of held sites that is still believable after so many."""
    if faults >= moved + faults:
        return 1.0
    return float(beta.ppf(confidence, faults + 1, moved))


class Invariants:
    """Looks at the store of one campaign. `counts`: how often what was looked at."""

    def __init__(
        self, plan: CampaignPlan, homes: Mapping[str, Home], clock: Callable[[], float]
    ) -> None:
        self.plan = plan
        self.clock = clock
        self.homes = homes
        self.counts: Counter[str] = Counter()
        self.exposure = 0.0
        self.seen: dict[str, Look] = {}
        self.given: dict[str, list[Order]] = defaultdict(list)
        self.open: dict[str, str] = {}
        self.done: Counter[tuple[str, str]] = Counter()
        self.at_the_desk = ""
        self.sites = {site.name: site for site in plan.sites}

    # StoreWatch

    def looked(self, who: str, look: Look) -> None:
        """It may let sites begin by what it has seen now."""
        if who:
            self.counts["looks"] += 1
            self.at_the_desk = who
            self.seen[who] = look
            self.given[who] = []

    def gave(self, who: str, order: Order, *, anew: bool) -> None:
        """A site begins. Everything that was known when it was let go is in the last look."""
        self.counts["given" if anew else "given twice, kept once"] += 1
        if who != self.at_the_desk:
            raise Broken(f"two coordinators: {who} gives, and {self.at_the_desk} is at work")
        if not anew:
            return
        if order.site in self.open:
            raise Broken(f"{order.site} has two errands at once")
        self.open[order.site] = f"{order.kind}/{order.attempt}"
        look, before = self.seen[who], self.given[who]
        mine = _mine(look.errands.get(order.site, ()), order.kind)
        if not (mine and _at_rest_by_owner(mine[-1])):
            self._may_begin(order, look, before)
        self.given[who] = [*before, order]

    def took(self, site: str, key: str) -> None:
        """Its worker has it."""
        self.counts["taken"] += 1

    def ended(self, site: str, key: str, account: str) -> None:
        """It says what became of every device; that is so."""
        self.counts["ended"] += 1
        self.open.pop(site, None)
        self._travels(account)
        told = from_json(account, SiteAccount, key)
        home = self.homes[site]
        kind = key.split("/")[-2]
        on_disk = self._on_disk(home, told.leg, back=kind == "back")
        if told.exit is Exit.DONE and kind == "move" and set(on_disk) != set(home.house.units):
            raise Broken(f"{site}: of all its devices only {sorted(on_disk)} are in a journal")
        if not told.began and any(unit.taken for unit in home.house.units.values()):
            raise Broken(f"{site}: says that nothing was sent, and a device was told")
        says = {one.name: (str(one.direction), str(one.state)) for one in told.devices}
        if says != on_disk:
            raise Broken(f"{site}: the account says {says}, the journals {on_disk}")
        if told.exit is Exit.DONE:
            self.done[site, kind] += 1
            if self.done[site, kind] > 1:
                raise Broken(f"{site} came to its end twice")
            self._where_they_are(home, told, "back" if kind == "back" else "forward")

    def said(self, site: str, picture: str) -> None:
        """How far it is."""
        self.counts["signs"] += 1
        self._travels(picture)

    # What may begin

    def _may_begin(self, order: Order, look: Look, before: Sequence[Order]) -> None:
        """By the rule, without a word of the owner about this very site."""
        site, back = order.site, order.kind == "back"
        if look.wanted == "stop":
            raise Broken(f"{site} begins, and the owner wants it stopped")
        if (age := self.clock() - look.at) > LOOK_HOLDS_SECONDS:
            raise Broken(f"{site} begins by a look that is {age:.0f} s old")
        heard = look.signs[site].heard_at if site in look.signs else None
        if heard is None or look.at - heard > HEARD_SECONDS:
            raise Broken(f"{site} begins, and nobody has heard of its worker")
        latest = {name: latest_of(look.errands.get(name, ())) for name in self.sites}
        if back:
            stays = [
                other.name
                for other in self.plan.sites
                if site in other.after and _may_stay(look.errands.get(other.name, ()))
            ]
        else:
            stays = [name for name in self.sites[site].after if not _moved(latest[name])]
        if stays:
            raise Broken(f"{site} begins before {stays}, against the order")
        held = [name for name, one in latest.items() if one is not None and is_held(one)]
        most = self.plan.pace.wait_when_held
        if not back and most is not None and len(held) >= most:
            raise Broken(f"{site} begins, and {held} are held")
        busy = [n for n, one in latest.items() if one and one.phase in ("asked", "taken")]
        busy += [one.site for one in before]
        if len(busy) >= self.plan.pace.most_at_once:
            raise Broken(f"{site} begins, and {len(busy)} sites are under way")
        exposed = self._exposed([*busy, site], look, back=back)
        if not busy:
            return
        self.counts["began beside others"] += 1
        self.exposure = max(self.exposure, exposed)
        if exposed > self.plan.pace.held_at_most + 1e-6:
            raise Broken(f"{site} begins beside {busy}: {exposed:.3f} could be held")

    def _exposed(self, names: Iterable[str], look: Look, *, back: bool) -> float:
        shown: Counter[tuple[str, str]] = Counter()
        faults: Counter[tuple[str, str]] = Counter()
        for name, site in self.sites.items():
            errands = look.errands.get(name, ())
            if any(errand.kind == "back" for errand in errands) != back:
                continue
            mine = _mine(errands, "back" if back else "move")
            for twin in {(twin.digest, twin.firmware) for twin in site.twins}:
                shown[twin] += bool(mine) and _done(mine[-1])
                faults[twin] += sum(map(_fault, mine))
        confidence = self.plan.pace.confidence

        def share(name: str) -> float:
            twins = {(twin.digest, twin.firmware) for twin in self.sites[name].twins}
            return max((bound(shown[t], faults[t], confidence) for t in twins), default=1.0)

        return math.fsum(map(share, names))

    # Devices

    def _on_disk(self, home: Home, leg: int, *, back: bool) -> dict[str, tuple[str, str]]:
        """Every device as the journals have it of the legs worked on so far, this one the last."""
        legs = self.sites[home.name].legs
        found: dict[str, tuple[str, str]] = {}
        for one in reversed(legs[leg - 1 :]) if back else legs[:leg]:
            path = home.journal(one.digest)
            if path is None:
                continue
            with closing(sqlite3.connect(f"{path.as_uri()}?mode=ro", uri=True)) as db:
                rows = db.execute("SELECT name, direction, state FROM device").fetchall()
            found |= {name: (direction, state) for name, direction, state in rows}
        self.counts["devices read from disk"] += len(found)
        return found

    def _where_they_are(self, home: Home, told: SiteAccount, way: str) -> None:
        changed = home.scenario.change
        for device in told.devices:
            unit = home.house.units[device.name]
            if device.written_off:
                continue
            state = str(device.state)
            if way == "forward" and state != "settled":
                raise Broken(f"{home.name}: done, and {device.name} is {state}")
            if way == "back" and state not in ("restored", "waiting", "declined"):
                raise Broken(f"{home.name}: back, and {device.name} is {state}")
            side = "new" if way == "forward" else "old"
            there = (
                unit.store.wifi_name == ("quay-new" if side == "new" else "quay-old")
                if "wifi" in changed
                else True
            )
            there &= "broker" not in changed or unit.store.broker_host == f"broker.{side}.test"
            there &= "group" not in changed or unit.store.group == f"{side}-group"
            if not there or unit.network is None:
                raise Broken(f"{home.name}: {device.name} is told as {state}, and is not there")
        self.counts["devices found where they are told to be"] += len(told.devices)

    def _travels(self, text: str) -> None:
        for word in FORBIDDEN:
            if word in text:
                raise Broken("an address, a name or a secret travels")


# Errands as the store has them


def _mine(errands: Iterable[Errand], kind: str) -> list[Errand]:
    return sorted((e for e in errands if e.kind == kind), key=lambda errand: errand.attempt)


def latest_of(errands: Sequence[Errand]) -> Errand | None:
    back = any(errand.kind == "back" for errand in errands)
    mine = _mine(errands, "back" if back else "move")
    return mine[-1] if mine else None


def _done(errand: Errand) -> bool:
    return errand.account is not None and errand.account.exit is Exit.DONE


def _moved(errand: Errand | None) -> bool:
    return errand is not None and errand.kind == "move" and _done(errand)


def _fault(errand: Errand) -> bool:
    """It was held, and something had been sent."""
    account = errand.account
    if errand.phase == "failed":
        return True
    if account is None or account.flip or not account.began:
        return False
    return account.exit not in (Exit.DONE, Exit.STOPPED)


def is_held(errand: Errand) -> bool:
    return _fault(errand) or (errand.account is not None and errand.account.exit is Exit.HELD)


def _at_rest_by_owner(errand: Errand) -> bool:
    """It waits for the owner, so that it was he who let it go on."""
    if errand.phase == "failed":
        return True
    account = errand.account
    return account is not None and account.exit is not Exit.DONE


def _may_stay(errands: Sequence[Errand]) -> bool:
    """Whether something was sent at this site, and it is not back."""
    if any(errand.kind == "back" and _done(errand) for errand in errands):
        return False
    return any(e.phase == "failed" or (e.account is not None and e.account.began) for e in errands)
