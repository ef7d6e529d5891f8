"""A number of waves that no plan within the rules can go below, and why.

Let the devices of a group be counted in the order in which they go, from 0. Device i has at most i
returns of this run behind it, so its share of a wave is at least `shares[i]`: more evidence never
makes a share larger. That alone turns the question into one of packing: shares of at least those
sizes into waves of size 1, each wave for no more devices than the widest.

**Prices.** A price f, never falling, is fair if the prices in one wave never add up to more than
1. Then no plan has fewer waves than the prices of all devices together. For 0 < s <= 1/2 and
0 <= b <= 1, with w for the widest wave, this price is fair:

    f(x) = 1 if x > 1 - s;  0 if x < s;  b x + (1 - b) / w otherwise

In a wave with something above 1 - s all else is below s and costs nothing. In any other wave the
prices are at most b times the shares plus (1 - b) times the part of the width that is used, so at
most 1. (The case b = 1 is a well-known dual feasible function, of Martello and Toth, Knapsack
Problems, 1990, ch. 8, and Fekete and Schepers, Math. Program. 91, 2001; named from memory.)

**Batches.** The k devices of one group in one wave all have the share of the first of them, so
they cost f(k x). A group has at most one batch in each wave. If there were a plan of W waves, then
for any m >= 0 a group would cost at least the cheapest way through its devices with m added for
each batch, less m W. A large group is held to few, wide batches by this. Instead of W it is W less
the devices of other groups that go alone, since their price is 1 and nothing is below s. And m is
lost in each other wave in which the group has no batch.

**The pilot.** The first wave holds one device; what its price falls short of 1 is lost.

**The first to have evidence.** Take sizes q1 > q2 > ... that no group begins below. Until the
first group comes below q, every device costs a share of at least q, so there are only few sizes,
and what a batch of size t leaves over is filled by at most F(1 - t): the highest sum of prices of
such sizes that fits. So in the wave of a batch of the group that comes below q first, at least
1 - F(1 - t) less the price of the batch is lost, as long as that group has not come below q
itself. This is counted only from where it came below the size before: by then somebody had come
below that one, so in no wave something is counted for two groups. Which group is the first to
which size is not known; for each size the cheapest one counts.

**The opening.** `opening.py` finds the least that is lost in all waves until somebody comes below
the last of these sizes, over every way to fill them. It may take all waves to be full: whoever is
added to a wave is further afterwards, and can do all that he could have done. It takes groups that
come below the size as alike, with as many devices as the largest of them, which only makes less be
lost. What the first to come below each size lose yet never is too much, so A* may use it.

**A few groups.** The search of `search.py` goes through every way to fill waves if a fleet has few
groups. A state left aside may still end after the waves so far and the prices of all that waits,
and not before; so the least of these, or the end that the search found, is a bound as well.

**The rest.** Devices of one cover are never together: no fewer waves than the largest cover has
devices. Those that feed the network go alone, after all others: one wave each, added.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from functools import lru_cache

from migrate.model.fleet import Device
from migrate.model.playbook import Pace
from migrate.planning.exposure import Evidence, Twin
from migrate.planning.groups import Group, groups_of
from migrate.planning.prices import LARGE, SLACK, best_prices
from migrate.planning.search import FEW, alone, search

MANY_GROUPS = 12
"""Groups beyond which no opening is searched."""
NEAR = 1.5
"""Waves by which the search of an opening may raise a bound, as a rule."""
STEPS = 4_000
"""How many waves the search of an opening looks at: some hundredths of a second."""


def fewest_waves(
    devices: Sequence[Device], pace: Pace, shown: Mapping[Twin, Evidence] | None = None
) -> int:
    """No plan has fewer waves than this, whatever its pilot and its order. Some tenths of a second
    for a fleet of 300, and nothing when it is asked for again; coarser beyond `LARGE` devices."""
    plain = [device for device in devices if not device.carrier]
    alone = len(devices) - len(plain)
    covers = Counter(device.cover for device in plain if device.cover)
    groups = tuple(groups_of(plain, pace, shown or {}).values())
    return alone + max(bound(groups, pace.widest_wave), *covers.values(), 0)


def bound(groups: Sequence[Group], widest: int) -> int:
    """The bound for groups alone, without covers and without those that go alone."""
    if not groups:
        return 0
    # The order in which groups are given must not matter.
    return _bound(tuple(sorted(groups, key=lambda one: (one.shares, one.first))), widest)


@lru_cache(maxsize=64)
def _bound(groups: tuple[Group, ...], widest: int) -> int:
    prices = best_prices(groups, widest)
    least = max(math.ceil(prices[0].total - SLACK), *(alone(one, widest)[0] for one in groups), 1)
    if sum(len(one.shares) for one in groups) > LARGE:
        return least
    while any(price.waves(least) > least + SLACK for price in prices):
        least += 1
    # Only a price that comes near is worth the search of its opening.
    near = [price for price in prices if price.waves(least) > least - NEAR]
    if len(groups) > MANY_GROUPS:
        return least
    while any(price.waves(least, STEPS) > least + SLACK for price in near):
        least += 1
    if len(groups) <= FEW:
        least = max(least, search(groups, widest, range(len(groups)), 10**6).least)
    return least
