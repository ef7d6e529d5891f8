"""How errands, queues and workers are called in the store. The first part of every key is the site:
by it the database decides whose row it is."""

from __future__ import annotations

import re
from typing import Final, NamedTuple, cast

from migrate.planning.campaign.errands import Kind, Order

ERRAND: Final = "errand"
"""The one durable workflow that there is."""
VERSION: Final = "errand-1"
"""Of what an errand is made of; whoever has another does not take it."""
COORDINATOR: Final = "campaign"
"""What whoever runs a campaign is called, beside the workers."""
_KEY: Final = re.compile(
    r"([a-z][a-z0-9-]{0,39})/([a-z0-9-]{1,100})/(plan|move|back)/([1-9][0-9]{0,4})"
)


class Key(NamedTuple):
    """A key, taken apart."""

    site: str
    campaign: str
    kind: Kind
    attempt: int


def key_of(order: Order) -> str:
    """The key of an errand: the same order has the same."""
    return f"{order.site}/{order.campaign}/{order.kind}/{order.attempt}"


def read_key(text: str) -> Key | None:
    """The inverse; None for anything else."""
    found = _KEY.fullmatch(text)
    if found is None:
        return None
    site, campaign, kind, attempt = found.groups()
    return Key(site, campaign, cast("Kind", kind), int(attempt))


def queue_of(site: str) -> str:
    """The queue of a site."""
    return f"site-{site}"


def version_of(application: str) -> str:
    """By which DBOS tells the versions of a workflow apart; each application has its own."""
    return f"{VERSION}-{application}"


def application_of(site: str) -> str:
    """What the worker of a site is called; DBOS lets nobody else take its errands."""
    return f"site-{site}"
