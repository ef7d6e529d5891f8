"""A device that is adrift: what it may be looking for, why, and how to get it back.

The reasoning in plain words. A device holds either what it was last given, or, if it took nothing
of it, what it had before. From both follows the network it looks for. Put up that very network
near it, and it joins; that costs no ladder. Devices that look for the same network are one group:
one access point helps all of them. What does not help is tried by hand, carriers first.

Nothing here is certain, so causes are put in the order of likelihood (common practice, no source)
and none is left out. Where the owner's files are not to be had, less is known, and nothing is
guessed in their place.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from ipaddress import IPv4Network

from migrate.dialects.parts import Radio
from migrate.model.fleet import Device
from migrate.model.lifecycle import Direction, State
from migrate.model.playbook import Side, Wifi
from migrate.model.settings import ADDRESSING, BROKER, WIFI, FrozenBundle, FrozenValue, Setting
from migrate.model.wifi import Band, Security
from migrate.planning.plan import PlannedDevice, in_order
from migrate.planning.waves import NETWORK_PARTS

OPEN = frozenset({State.SENDING, State.AWAY, State.ADRIFT})
"""States in which nobody knows where a device is."""


class Cause(StrEnum):
    """What may have become of a device that is not found."""

    BEHIND = "what feeds it is missing as well"
    ASLEEP = "it sleeps"
    NOT_CHANGED_YET = "the access point has not been changed yet"
    OUTPUT_OFF = "it feeds the network, and its output stayed off"
    NOT_LET_IN = "it took its settings, and the network does not let it in"
    BROKER = "it took its settings, and the broker does not let it in"
    OWN_ADDRESS = "it is at an address of its own that leads nowhere"
    OLD_KEY = "it never took them, and the access point has the new passphrase"
    NO_POWER = "it never took them, and it is off"
    NOT_FOUND = "it is there, and cannot be found"
    SET_UP = "it has fallen back to set-up mode"


@dataclass(frozen=True)
class Network:
    """A Wi-Fi network by name. `secret`: a reference; "" for a network without one; None: it is
    not known which."""

    ssid: str
    secret: FrozenValue | None


@dataclass(frozen=True)
class Wanted:
    """The broker a device then looks for; `password` as in a bundle, None: not known."""

    host: str
    port: FrozenValue | None
    tls: bool
    username: str
    password: FrozenValue | None


@dataclass(frozen=True)
class Missing:
    """A device as the journal has it. `sent_at`: ISO 8601; `before`: its way back; `read`: the
    settings that the survey read of it; `answer`: what its last message came to."""

    device: PlannedDevice
    state: State
    direction: Direction
    given: FrozenBundle
    sent_at: str | None = None
    before: FrozenBundle = field(default_factory=dict)
    read: FrozenBundle = field(default_factory=dict)
    written_off: bool = False
    words: str = ""
    answer: str = ""


@dataclass(frozen=True)
class Files:
    """What the owner's files say, if they are still those of the plan: both sides of the leg, the
    radios by dialect, the devices by name, and whether presence is asked for as proof."""

    old: Side
    new: Side
    radios: Mapping[str, Radio]
    devices: Mapping[str, Device]
    presence: bool = False

    def side(self, way: Direction) -> Side:
        """The side that this way leads to."""
        return self.new if way is Direction.FORWARD else self.old


@dataclass(frozen=True)
class Clue:
    """What follows for one device. `way`: in which direction it was given its last bundle;
    `prior`: what it had before that; `took` and `kept`: the network it looks for if it took the
    bundle, and if it took nothing (None: not known); `spare`: the one in its spare slot; `own`:
    its fixed address; `behind`: missing devices that feed it."""

    missing: Missing
    way: Direction
    prior: FrozenBundle
    took: Network | None
    kept: Network | None
    spare: Network | None
    broker: Wanted | None
    own: str
    behind: tuple[str, ...]
    causes: tuple[Cause, ...]

    @property
    def name(self) -> str:
        """The device's name."""
        return self.missing.device.name

    @property
    def moves(self) -> bool:
        """Whether its last bundle takes it to another network, or to another key of the same."""
        return not set(WIFI).isdisjoint(self.missing.given)


@dataclass(frozen=True)
class Air:
    """What a temporary access point must be for all of some devices to join it; None where
    nothing is known. Empty: they have nothing in common."""

    bands: tuple[Band, ...] | None
    channels: tuple[int, ...] | None
    security: tuple[Security, ...] | None


@dataclass(frozen=True)
class Group:
    """Devices that look for the same network. `kept`: the other networks they look for if they
    took nothing; `subnet`, `leases`: where migrate then looks for them; `unchecked`: what the
    playbook does not say of the real access point."""

    network: Network | None
    moves: bool
    clues: tuple[Clue, ...]
    kept: tuple[Network, ...]
    air: Air
    subnet: IPv4Network | None
    leases: str | None
    unchecked: tuple[str, ...]

    @property
    def names(self) -> tuple[str, ...]:
        """Names of its devices."""
        return tuple(clue.name for clue in self.clues)

    @property
    def brokers(self) -> tuple[Wanted, ...]:
        """The brokers they want, each once."""
        return tuple(dict.fromkeys(clue.broker for clue in self.clues if clue.broker))

    @property
    def causes(self) -> tuple[tuple[Cause, tuple[Clue, ...]], ...]:
        """Likeliest first, each with the devices it may be true of."""
        ranks: dict[Cause, list[int]] = {}
        for clue in self.clues:
            for rank, cause in enumerate(clue.causes):
                ranks.setdefault(cause, []).append(rank)
        # What is true of few stands before the rest, as it does for those few.
        order = sorted(ranks, key=lambda cause: sum(ranks[cause]) / len(ranks[cause]))
        return tuple((c, tuple(one for one in self.clues if c in one.causes)) for c in order)


@dataclass(frozen=True)
class Stop:
    """A place to walk to, and the devices there in the order in which they are got at."""

    place: str
    clues: tuple[Clue, ...]


@dataclass(frozen=True)
class Search:
    """Everything known about the devices that are missing. `reason`: why the owner's files could
    not be used; empty if they were."""

    clues: tuple[Clue, ...]
    groups: tuple[Group, ...]
    stops: tuple[Stop, ...]
    reason: str = ""

    @property
    def unsettled(self) -> bool:
        """Whether one is missing that the owner has not written off."""
        return any(not clue.missing.written_off for clue in self.clues)


def search_for(
    missing: Sequence[Missing],
    files: Files | None = None,
    *,
    together: bool = False,
    flipped: bool = False,
    reason: str = "",
) -> Search:
    """What follows for the devices that are missing. `together`: the leg is one step for all, with
    one access point; `flipped`: that has been changed, as far as its owner said."""
    fed: dict[str, list[str]] = {}
    for one in missing:
        for name in one.device.feeds:
            fed.setdefault(name, []).append(one.device.name)
    clues = tuple(
        _clue(one, files, tuple(fed.get(one.device.name, ())), together, flipped) for one in missing
    )
    return Search(clues, _groups(clues, files), walk(clues), reason)


def walk(clues: Iterable[Clue]) -> tuple[Stop, ...]:
    """Where to go, in this order: places with a carrier first, since what it feeds comes back with
    it; then those with the easiest device. Within a place likewise."""
    places: dict[str, list[Clue]] = {}
    for clue in clues:
        places.setdefault(clue.missing.device.place, []).append(clue)
    stops = [
        Stop(place, tuple(sorted(here, key=lambda clue: _effort(clue.missing.device))))
        for place, here in places.items()
    ]
    return tuple(sorted(stops, key=lambda stop: _effort(stop.clues[0].missing.device)))


def _effort(device: PlannedDevice) -> tuple[bool, int]:
    return (not device.feeds, device.reach.rank)


def _clue(
    missing: Missing, files: Files | None, behind: tuple[str, ...], together: bool, flipped: bool
) -> Clue:
    # A rollback that took it over and has sent it nothing yet leaves what it was given before.
    back = missing.direction is Direction.BACK and missing.given == missing.before
    way = Direction.BACK if back else Direction.FORWARD
    had: dict[Setting, FrozenValue] = {**missing.read, **missing.before}
    prior = {**had, **missing.device.bundle} if back else had
    holds = {**prior, **missing.given}
    there = files.side(way) if files else None
    here = files.side(_other(way)) if files else None
    took, spare = _network(holds, there), _spare(holds, there)
    moves = not set(WIFI).isdisjoint(missing.given)
    kept = _network(prior, here) if moves else None
    device = missing.device
    address = holds.get(Setting.ADDRESS)
    own = address if isinstance(address, str) and address != "0.0.0.0" else ""
    return Clue(
        missing=missing,
        way=way,
        prior=in_order({s: value for s, value in prior.items() if s in missing.given}),
        took=took,
        kept=kept if kept != took else None,
        spare=spare if spare != took else None,
        broker=_broker(holds, there),
        own=own,
        behind=behind,
        causes=tuple(
            _causes(
                missing,
                asleep=device.wakes_seconds is not None,
                behind=bool(behind),
                returns_by_spare=spare is not None and spare == kept,
                own=bool(own),
                together=together,
                flipped=flipped,
            )
        ),
    )


def _causes(
    missing: Missing,
    *,
    asleep: bool,
    behind: bool,
    returns_by_spare: bool,
    own: bool,
    together: bool,
    flipped: bool,
) -> Iterable[Cause]:
    """Likeliest first (common practice, no source)."""
    device, given = missing.device, set(missing.given)
    if behind:
        yield Cause.BEHIND
    if together and not flipped:
        yield Cause.NOT_CHANGED_YET
    if asleep:
        yield Cause.ASLEEP
    if any(fed in NETWORK_PARTS for fed in device.feeds):
        yield Cause.OUTPUT_OFF
    moves = not given.isdisjoint(WIFI)
    if moves and returns_by_spare:
        # Not let in, it would be back on the network in its spare slot: so it is more likely off.
        yield from (Cause.NO_POWER, Cause.NOT_LET_IN)
    elif moves:
        yield Cause.NOT_LET_IN
    if own and not given.isdisjoint(ADDRESSING):
        yield Cause.OWN_ADDRESS
    if together and flipped:
        yield Cause.OLD_KEY
    # Over HTTP it would be found whatever became of the broker.
    tells = not given.isdisjoint(BROKER)
    if tells and not moves and device.via == "mqtt":
        yield Cause.BROKER
    if not (moves and returns_by_spare):
        yield Cause.NO_POWER
    if tells and not moves and device.via == "http":
        yield Cause.BROKER
    yield Cause.NOT_FOUND
    if moves:
        yield Cause.SET_UP


def _other(way: Direction) -> Direction:
    return Direction.BACK if way is Direction.FORWARD else Direction.FORWARD


def _network(holds: FrozenBundle, side: Side | None) -> Network | None:
    """The network of the first slot: what the device holds, the rest as its side declares it."""
    ssid, secret = holds.get(Setting.WIFI_SSID), holds.get(Setting.WIFI_SECRET)
    declared = side.wifi if side else None
    if declared and ssid in (None, declared.ssid) and secret is None:
        return Network(declared.ssid, declared.secret)
    return Network(ssid, secret) if isinstance(ssid, str) and ssid else None


def _spare(holds: FrozenBundle, side: Side | None) -> Network | None:
    """The network of the spare slot, if one is there."""
    ssid, secret = holds.get(Setting.SPARE_SSID), holds.get(Setting.SPARE_SECRET)
    declared = side.slots.wifi if side else None
    if secret is None and declared and declared.ssid == ssid:
        secret = declared.secret
    return Network(ssid, secret) if isinstance(ssid, str) and ssid else None


def _broker(holds: FrozenBundle, side: Side | None) -> Wanted | None:
    host = holds.get(Setting.BROKER_HOST)
    declared = side.broker if side else None
    if declared and host in (None, declared.host):
        return Wanted(
            declared.host, declared.port, declared.tls, declared.username, declared.password or ""
        )
    if not isinstance(host, str) or not host:
        return None
    return Wanted(
        host,
        holds.get(Setting.BROKER_PORT),
        holds.get(Setting.BROKER_TLS) is True,
        str(holds.get(Setting.BROKER_USERNAME) or ""),
        holds.get(Setting.BROKER_PASSWORD),
    )


def _groups(clues: Sequence[Clue], files: Files | None) -> tuple[Group, ...]:
    together: dict[tuple[Network | None, bool, Direction], list[Clue]] = {}
    for clue in clues:
        together.setdefault((clue.took, clue.moves, clue.way), []).append(clue)
    return tuple(
        _group(network, moves, way, here, files) for (network, moves, way), here in together.items()
    )


def _group(
    network: Network | None, moves: bool, way: Direction, clues: Sequence[Clue], files: Files | None
) -> Group:
    side = files.side(way) if files else None
    wifi = side.wifi if side else None
    said = wifi if wifi and network and wifi.ssid == network.ssid else None
    return Group(
        network=network,
        moves=moves,
        clues=tuple(clues),
        kept=tuple(dict.fromkeys(clue.kept for clue in clues if clue.kept)),
        air=_air([clue.missing.device for clue in clues], files),
        subnet=side.subnet if side else None,
        leases=str(side.leases) if side and side.leases else None,
        unchecked=_unchecked(said) if said else (),
    )


def _unchecked(wifi: Wifi) -> tuple[str, ...]:
    said = {"bands": wifi.bands, "channels": wifi.channels, "security": wifi.security}
    return tuple(key for key, value in said.items() if not value)


def _air(devices: Sequence[PlannedDevice], files: Files | None) -> Air:
    """What the radios of all these devices can do."""
    if files is None or any(device.dialect not in files.radios for device in devices):
        return Air(None, None, None)
    radios = [files.radios[device.dialect] for device in devices]
    own = [files.devices[d.name].channels if d.name in files.devices else None for d in devices]
    reach = [set(o if o is not None else r.channels) for r, o in zip(radios, own, strict=True)]
    first = radios[0]
    return Air(
        tuple(band for band in first.bands if all(band in one.bands for one in radios)),
        tuple(sorted(set.intersection(*reach))),
        tuple(way for way in first.security if all(way in one.security for one in radios)),
    )
