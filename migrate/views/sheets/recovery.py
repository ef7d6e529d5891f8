"""The sheet for devices that nobody can find: what to try, and a box for each in walking order, for
somebody with a pencil. It knows what `migrate adrift` knows, and says it in the same words."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from migrate.model.fleet import Reach
from migrate.planning.adrift import Cause, Clue, Files, Group, Search
from migrate.views.networks import ssid_in_words
from migrate.views.rescue import (
    AT_EACH,
    CIRCUIT_OFF,
    FIRM_GROUND,
    HANDS,
    REACHES,
    Line,
    causes,
    holdings,
    last_heard,
    look_again,
    lost,
    names_of,
    remarks,
    sought,
    temporary,
    written_off,
)
from migrate.views.sheets.paper import Sheet, sheet
from migrate.views.words import CAUTION, count, tally

CAREFUL = {Reach.LADDER: FIRM_GROUND, Reach.TOOLS: f"{FIRM_GROUND} {CIRCUIT_OFF}"}


@dataclass(frozen=True)
class Sought:
    """A network that devices look for: its number on the sheet, what is known of it, how it is put
    up for a while (nothing, if that brings nobody back), and what may have happened."""

    number: int
    who: str
    known: tuple[Line, ...]
    temporary: tuple[Line, ...]
    causes: tuple[str, ...]


@dataclass(frozen=True)
class Box:
    """A device, as somebody needs it who stands before it."""

    name: str
    place: str
    state: str
    mac: str
    reach: str
    network: str
    careful: str
    remarks: tuple[str, ...]
    heard: tuple[str, ...]
    holdings: tuple[str, ...]
    causes: tuple[Cause, ...]


@dataclass(frozen=True)
class Place:
    """A place to walk to."""

    number: int
    name: str
    boxes: tuple[Box, ...]


def recovery_sheet(
    search: Search, title: str, run: str, files: Files | None, made: datetime
) -> Sheet:
    """The sheet. `run`: the run as it is named on the command line; `made`: now, in UTC. No secret
    is in it."""
    named = {
        clue.name: _named(number, group)
        for number, group in enumerate(search.groups, 1)
        for clue in group.clues
    }
    name = run.partition(" ")[0]
    return sheet(
        "recovery",
        f"Run {name}",
        made,
        title=title,
        run=name,
        headline=headline(search),
        again=[*look_again(search, run)],
        cautions=_cautions(search),
        at_each=AT_EACH,
        networks=[_sought(n, group, files, run) for n, group in enumerate(search.groups, 1)],
        places=[
            Place(n, stop.place, tuple(_box(clue, named[clue.name], search) for clue in stop.clues))
            for n, stop in enumerate(search.stops, 1)
        ],
        left=[*written_off(search, run)] if search.clues else [],
    )


def headline(search: Search) -> str:
    """The sheet in a sentence."""
    if not search.clues:
        return "Nobody is adrift: there is no device to bring back."
    where = count(len(search.stops), "place")
    return f"{count(len(search.clues), 'device')} in {where}: " + tally(
        clue.missing.state for clue in search.clues
    )


def _cautions(search: Search) -> Sequence[str]:
    if not search.clues:
        return ()
    hard = any(clue.missing.device.reach is not Reach.TABLE for clue in search.clues)
    return (CAUTION, HANDS) if hard else (CAUTION,)


def _named(number: int, group: Group) -> str:
    """A network as a box tells of it."""
    name = f", {ssid_in_words(group.network.ssid)}" if group.network else ""
    return f"network {number}{name}"


def _sought(number: int, group: Group, files: Files | None, run: str) -> Sought:
    network = group.network
    return Sought(
        number,
        names_of(group),
        tuple(sought(group)),
        tuple(temporary(group, network))[1:] if network and lost(group) else (),
        tuple(causes(group, files, run)),
    )


def _box(clue: Clue, network: str, search: Search) -> Box:
    one, device = clue.missing, clue.missing.device
    return Box(
        name=device.name,
        place=device.place,
        state=f"{one.state}, written off" if one.written_off else str(one.state),
        mac=device.mac,
        reach=REACHES[device.reach],
        network=network,
        careful=CAREFUL.get(device.reach, ""),
        remarks=tuple(remarks(clue, search.clues)),
        heard=tuple(last_heard(clue)),
        holdings=tuple(holdings(clue)),
        causes=clue.causes,
    )
