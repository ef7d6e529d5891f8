"""Names of networks that a person cannot tell apart, on whose word the whole move stands.

Two names look the same if they are equal but for case and blanks, or for characters that look
alike (Unicode Technical Standard #39, section 4: two strings are confusable if their skeletons are
equal). The characters come with the library confusable_homoglyphs, made from Unicode's own table.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Iterator
from difflib import SequenceMatcher
from functools import cache

from migrate.model.problems import Problem
from migrate.planning.refusals.case import Case

_IGNORABLE = frozenset("\u034f\u115f\u1160\u17b4\u17b5\u180b\u180c\u180d\u180e\u2065\u3164\uffa0")
"""Default ignorable characters that are not of the category Cf, variation selectors apart
(Unicode, DerivedCoreProperties; from memory)."""


def refusals(case: Case) -> Iterator[Problem]:
    """Two SSIDs that look the same and are not."""
    old, new = case.playbook.old.wifi, case.playbook.wifi
    if old and new and old.ssid != new.ssid and look_alike(old.ssid, new.ssid):
        yield case.about_change(
            f"old and new SSID look the same: {difference(old.ssid, new.ssid)}",
            "give the new network a name that nobody takes for the old one",
            "wifi.ssid",
        )


def look_alike(one: str, other: str) -> bool:
    """Whether a person may take one name for the other."""
    if _folded(one) == _folded(other):
        return True
    # A capital may look like another letter than the small one does: I and l, i and j.
    return any(skeleton(shape(one)) == skeleton(shape(other)) for shape in (_folded, _bare))


def skeleton(text: str) -> str:
    """The text with each character replaced by the one that stands for all that look like it."""
    decomposed = unicodedata.normalize("NFD", _bare(text))
    replaced = "".join(_prototype(char) for char in decomposed)
    return _bare(unicodedata.normalize("NFD", replaced)).casefold()


def difference(old: str, new: str) -> str:
    """Where two names differ, character by character: `U+0061 in the old, U+0430 in the new`."""
    places = []
    for kind, a, b, c, d in SequenceMatcher(None, old, new, autojunk=False).get_opcodes():
        if kind != "equal":
            places.append(f"{_points(old[a:b])} in the old, {_points(new[c:d])} in the new")
    return "; ".join(places)


def _bare(text: str) -> str:
    """Without blanks and without what has no shape at all, in compatibility form."""
    return "".join(char for char in unicodedata.normalize("NFKC", text) if not _unseen(char))


def _folded(text: str) -> str:
    return _bare(_bare(text).casefold())


def _unseen(char: str) -> bool:
    return (
        char.isspace()
        or unicodedata.category(char) in ("Cf", "Cc", "Zs", "Zl", "Zp")
        or char in _IGNORABLE
        or "\ufe00" <= char <= "\ufe0f"
        or "\U000e0100" <= char <= "\U000e01ef"
    )


def _points(text: str) -> str:
    return (
        " ".join(
            f"U+{ord(char):04X} ({unicodedata.name(char, 'no name').lower()})" for char in text
        )
        or "nothing"
    )


@cache
def _prototype(char: str) -> str:
    """UTS #39 section 4. The library gives, for each character, those that look like it: for a
    prototype all of them, for all others the prototype alone."""
    # Read when it is first needed: it is a megabyte, and most commands compare no names.
    from confusable_homoglyphs.confusables import confusables_data

    like = [_bare(one["c"]) for one in confusables_data.get(char, ())]
    if len(like) != 1:
        return char
    (other,) = like
    back = [_bare(one["c"]) for one in confusables_data.get(other, ())]
    if len(back) == 1 and len(other) == 1:
        # One pair: either stands for both.
        return min(char, other)
    return other
