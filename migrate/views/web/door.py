"""Who may look at a page that others than this machine can get to. Pure: the clock is handed in.

A link of one use lets one browser in. Opening it spends nothing, since chat programs look at links
before people do; the button behind it does. The browser keeps a key (a cookie), of which only the
digest is kept here, and the next browser needs the next link.
"""

from __future__ import annotations

import hashlib
import hmac
import secrets
from collections import OrderedDict
from collections.abc import Callable, Iterable
from typing import Final

from migrate.views.web.place import Place

OCTETS: Final = 32
"""Octets of chance in a link or key: 256 bits."""
KEYS: Final = 64
"""Browsers that are let in; of more, the longest forgotten is turned away."""
GUESSES: Final = 10
"""Wrong links that one address may try in a minute. Common practice, no source: against 256 bits
of chance it is the noise that this keeps out, not the guess."""
MINUTE: Final = 60.0
GUESSERS: Final = 1000


class Door:
    """`keys`: digests of the keys of browsers that were let in before. `changed` is called when
    there is a new link, and a new key to be kept."""

    def __init__(
        self, keys: Iterable[str] = (), changed: Callable[[Door], None] = lambda door: None
    ) -> None:
        self.keys = list(keys)[-KEYS:]
        self.token = secrets.token_urlsafe(OCTETS)
        self._changed = changed
        self._guesses: OrderedDict[str, list[float]] = OrderedDict()

    def fits(self, token: str) -> bool:
        """Whether this is the link that is still to be spent."""
        return _same(token, self.token)

    def enter(self, token: str) -> str | None:
        """Spend the link: the key for one browser, or None if it is not, or no longer, the link."""
        if not self.fits(token):
            return None
        key = secrets.token_urlsafe(OCTETS)
        self.keys = [*self.keys, _digest(key)][-KEYS:]
        self.token = secrets.token_urlsafe(OCTETS)
        self._changed(self)
        return key

    def lets_in(self, key: str) -> bool:
        """Whether a browser with this key was let in."""
        digest = _digest(key)
        # All are compared, so that the time taken tells nothing.
        return sum([_same(digest, kept) for kept in self.keys]) > 0

    def guessed(self, who: str, at: float) -> None:
        """This address has come with a wrong link; `at` in seconds, of any clock that only goes
        forward."""
        recent = [*self._recent(who, at), at]
        self._guesses[who] = recent[-GUESSES:]
        self._guesses.move_to_end(who)
        while len(self._guesses) > GUESSERS:
            self._guesses.popitem(last=False)

    def weary_of(self, who: str, at: float) -> bool:
        """Whether this address has guessed so often that it is not listened to for a while."""
        return len(self._recent(who, at)) >= GUESSES

    def _recent(self, who: str, at: float) -> list[float]:
        return [one for one in self._guesses.get(who, []) if at - one < MINUTE]


def link_of(place: Place, door: Door | None) -> str:
    """What is opened in a browser: with a door, a link of one use."""
    return place.url if door is None else f"{place.url}enter/{door.token}"


def _digest(key: str) -> str:
    return hashlib.sha256(key.encode("utf-8", "surrogateescape")).hexdigest()


def _same(one: str, other: str) -> bool:
    return hmac.compare_digest(
        one.encode("utf-8", "surrogateescape"), other.encode("utf-8", "surrogateescape")
    )
