"""The sheet for the phones of a household and its guests: the new network's name, a code for the
camera, the passphrase. The one place where a passphrase is shown, and only if it was asked for."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from itertools import groupby
from typing import Final

import segno

from migrate.model.joining import join_text, reads_alike
from migrate.model.secrets import Secret
from migrate.model.wifi import Security, is_psk
from migrate.views.networks import ssid_in_words
from migrate.views.sheets.paper import Sheet, sheet

QUIET: Final = 4
"""Modules of nothing around a QR code (ISO/IEC 18004; from memory)."""
GROUP: Final = 4
"""Characters of a passphrase that stand together."""
SIGNS: Final = {
    " ": "a blank",
    "0": "the digit zero",
    "O": "a capital O, as in orange",
    "1": "the digit one",
    "l": "a small L, as in lamp",
    "I": "a capital I, as in island",
    "|": "an upright stroke",
    "'": "a straight apostrophe",
    "`": "a grave accent",
}
"""Characters that are mistaken for one another on paper (common practice, no source)."""


@dataclass(frozen=True)
class Network:
    """The network that phones are to join. `secret`: None where it was not asked for, or where
    there is none (`open`). `former`: the name of the network they were on, if it is known."""

    ssid: str
    secret: Secret | None = field(default=None, repr=False)
    open: bool = False
    hidden: bool = False
    security: tuple[Security, ...] = ()
    former: str = ""


@dataclass(frozen=True)
class Code:
    """A QR code: modules to a side with its quiet zone, and an SVG path of the dark ones."""

    side: int
    path: str = field(repr=False)


def phones_sheet(network: Network, title: str, made: datetime, stored: str) -> Sheet:
    """The sheet. `stored`: where it is kept, for those who read it on a screen: "memory" or "file";
    it matters only if there is a passphrase on it. Raises ValueError for a name that no code can
    carry, if there is to be a code."""
    word = network.secret.reveal() if network.secret else None
    code = None
    if word is not None or network.open:
        code = code_of(join_text(network.ssid, word, hidden=network.hidden))
    return sheet(
        "phones",
        title,
        made,
        title=title,
        network=network,
        name=network.ssid,
        # Octet by octet where it is not plain; a phone's list does not show that.
        octets=ssid_in_words(network.ssid).partition(" (octets ")[2].rstrip(")"),
        code=code,
        groups=_groups(word or ""),
        lookalikes=_lookalikes(word or ""),
        blanks=" " in (word or ""),
        key=bool(word) and is_psk(word or ""),
        alike=reads_alike(network.ssid, word),
        stored=stored,
        keeps_its_name=network.former == network.ssid,
    )


def code_of(text: str) -> Code:
    """A QR code (ISO/IEC 18004) of level M or better.

    Its octets are UTF-8 without a mark that says so: readers look at the octets, and some stumble
    over the mark (common practice, no source)."""
    drawn = segno.make_qr(text, error="m", encoding="utf-8")
    rows = list(drawn.matrix_iter(border=QUIET))
    return Code(len(rows), "".join(_bars(y, row) for y, row in enumerate(rows)))


def _bars(y: int, row: Iterable[int]) -> str:
    """The dark modules of a row, those that touch as one: between two a printer leaves a gap."""
    path, x = "", 0
    for dark, modules in groupby(row):
        length = len(list(modules))
        if dark:
            path += f"M{x} {y}h{length}v1h-{length}z"
        x += length
    return path


def _groups(word: str) -> Sequence[str]:
    return [word[start : start + GROUP] for start in range(0, len(word), GROUP)]


def _lookalikes(word: str) -> Sequence[tuple[str, str]]:
    """Characters that are easily mistaken: what they are, and at which places, from 1."""
    if is_psk(word):
        return ()
    places: dict[str, list[str]] = {}
    for place, sign in enumerate(word, 1):
        if sign in SIGNS:
            places.setdefault(SIGNS[sign], []).append(str(place))
    return [(sign, ", ".join(where)) for sign, where in places.items()]
