"""The campaign: many sites, each with its own fleet, playbook and worker, and the store between.

The same file serves whoever runs the campaign and, cut down to its own `[[site]]`, each worker.
"""

from __future__ import annotations

import re
from graphlib import CycleError, TopologicalSorter
from ipaddress import ip_address
from typing import Annotated, Any

from pydantic import Field, model_validator

from migrate.model.fleet import Strict, Text, faults_at
from migrate.model.playbook import Beside, Port
from migrate.model.secrets import SecretRef

SiteName = Annotated[str, Field(pattern=r"^[a-z][a-z0-9-]{0,39}$")]
"""Small letters, digits and hyphens: it names a queue and the first part of every row's key."""
Account = Annotated[str, Field(pattern=r"^[a-z_][a-z0-9_]{0,62}$")]
"""A name that PostgreSQL takes without quotes, and that fits its 63 octets (PostgreSQL manual,
section 4.1.1)."""
LOCAL = re.compile(r"localhost|/.*")
NO_NAME = re.compile(r"[@,=\s]|://")
"""Never in a plain name: an address with all in it, which may hold a password, or a list of hosts
(PostgreSQL manual, section 34.1.1.3), the first of which alone would be judged by `here`."""


class StorePlace(Strict):
    """Where orders and outcomes are kept. Either `file`: an SQLite file, for a trial with
    everything on one machine; or a PostgreSQL server: `host` (a name, an address, or the folder of
    its socket), `port`, `database`, and `account` with `password` of whoever runs the campaign.

    A server elsewhere is spoken to by TLS only, and its certificate is checked against `ca`, or the
    system's own list without it. `tls = false` is for a line that is protected otherwise.
    """

    file: Beside | None = None
    host: Text | None = None
    port: Port = 5432
    database: Text = "campaign"
    account: Account | None = None
    password: SecretRef | None = None
    ca: Beside | None = None
    tls: bool = True

    @model_validator(mode="before")
    @classmethod
    def _by_keys(cls, value: Any) -> Any:
        # An address with a password in it must not be repeated in words.
        if isinstance(value, dict):
            places = [key for key, text in value.items() if isinstance(text, str) and "://" in text]
            if "url" in value or places:
                what = "has a url" if "url" in value else f"{places[0]} is a url"
                raise ValueError(
                    f"{what}; name host, port, database, account, and password by reference"
                )
        return value

    @model_validator(mode="after")
    def _one_kind(self) -> StorePlace:
        if (self.file is None) == (self.host is None):
            raise ValueError(
                'needs either file or host; such as file = "campaign.sqlite3" for a trial, or '
                'host = "db.example.net"'
            )
        if self.file is not None and self.model_fields_set - {"file"}:
            raise ValueError("has a file and a server; take out all but file")
        if self.host and not _plain(self.host):
            raise ValueError(
                "host is no plain name; write only one name or address there, and port beside it"
            )
        if NO_NAME.search(self.database):
            raise ValueError("database is no plain name; write only its name there")
        if self.ca and not self.tls:
            raise ValueError("ca is for TLS; take out tls = false")
        return self

    @property
    def here(self) -> bool:
        """Whether the server is on this machine, by what is written: a loopback address, localhost,
        or the folder of its socket."""
        if LOCAL.fullmatch(self.host or ""):
            return True
        try:
            return ip_address(self.host or "").is_loopback
        except ValueError:
            return False


class SitePace(Strict):
    """How many sites at once.

    `held_at_most` is the number of sites the owner is prepared to go to at one time, held at
    `confidence` (one-sided), as with the devices of a wave. `most_at_once`: no more sites are under
    way than this. `wait_when_held`: the owner's word that the whole campaign waits as soon as so
    many sites are held; without it a held site keeps back only those that come after it.
    """

    held_at_most: Annotated[int, Field(ge=1, le=1000)] = 1
    confidence: Annotated[float, Field(gt=0.5, lt=1)] = 0.95
    most_at_once: Annotated[int, Field(ge=1, le=1000)] = 50
    wait_when_held: Annotated[int, Field(ge=1, le=1000)] | None = None


class Site(Strict):
    """One home. `after`: sites that must be moved before it. `travel_minutes`: how long it takes to
    get there; the nearer goes first. What its worker needs, and nobody else: `playbook` and `fleet`
    as they lie beside the worker's file, and its `account` and `password` at the store.
    """

    name: SiteName
    after: tuple[SiteName, ...] = ()
    travel_minutes: Annotated[int, Field(ge=0, le=100_000)] = 0
    playbook: Beside | None = None
    fleet: Beside | None = None
    account: Account | None = None
    password: SecretRef | None = None


class Campaign(Strict):
    """Many sites whose networks change by one campaign."""

    title: Text = "campaign"
    store: StorePlace
    pace: SitePace = SitePace()
    site: Annotated[tuple[Site, ...], Field(min_length=1, max_length=10_000)]

    @model_validator(mode="after")
    def _fits(self) -> Campaign:
        faults: list[tuple[tuple[str | int, ...], str]] = []
        names: set[str] = set()
        accounts: dict[str, str] = {}
        if self.store.account:
            accounts[self.store.account] = "whoever runs the campaign"
        for number, site in enumerate(self.site):
            if site.name in names:
                words = f"site {site.name!r} stands twice; give each its own name"
                faults.append((("site", number, "name"), words))
            names.add(site.name)
            if site.account in accounts:
                words = (
                    f"account {site.account} is that of {accounts[site.account]} as well; "
                    "give every site an account of its own at the store"
                )
                faults.append((("site", number, "account"), words))
            elif site.account:
                accounts[site.account] = f"site {site.name}"
        if faults:
            raise faults_at("Campaign", faults)
        return self

    def named(self, name: str) -> Site | None:
        """The site of that name."""
        return next((site for site in self.site if site.name == name), None)

    @property
    def circle(self) -> tuple[str, ...]:
        """Sites that wait for each other in a circle; none, as a rule."""
        known = {site.name for site in self.site}
        try:
            TopologicalSorter(
                {site.name: [name for name in site.after if name in known] for site in self.site}
            ).prepare()
        except CycleError as error:
            return tuple(sorted(set(error.args[1])))
        return ()

    @property
    def unknown(self) -> tuple[tuple[str, str], ...]:
        """Pairs of a site and what it comes after, of which there is none."""
        known = {site.name for site in self.site}
        return tuple(
            (site.name, name) for site in self.site for name in site.after if name not in known
        )


def _plain(host: str) -> bool:
    """Whether it is one name, one address, or one folder."""
    if NO_NAME.search(host):
        return False
    if ":" not in host or host.startswith("/"):
        return True
    try:
        return ip_address(host).version == 6
    except ValueError:
        return False
