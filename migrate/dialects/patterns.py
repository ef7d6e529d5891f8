"""Regular expressions of an owner, on texts that a device chose: bounded in every way.

A pattern may try more ways than there is time for on a text that was made for that, or that is just
unlucky, and Python's own `re` cannot be stopped. So what counts as a pattern is what `re` says,
and the search is done by the library `regex`, which reads the same patterns and gives up in time.
"""

from __future__ import annotations

import re
import warnings
from functools import cache

import regex

LONGEST = 1000
"""Characters of a pattern. Those of the shipped dialects have some forty."""
SECONDS = 0.1
"""Processor time for one search. A reply of the longest size takes a hundredth of it."""

HEAVIEST = 20_000
"""Atoms of a pattern with every repeat written out, which `regex` does."""

_COUNT = re.compile(r"\{(\d*)(?:,(\d*))?\}")
# Quantifiers of `regex` for inexact matches; to `re` these braces are letters.
_INEXACT = re.compile(r"(?<!\\)\{[\s\d<=+,]*[deis][\s\d<=+,deis]*(?::[^}]*)?\}")


class TooSlow(Exception):
    """A pattern tries too many ways on this text."""


def pattern_fault(pattern: str) -> str | None:
    """What is wrong with a pattern; None if nothing is."""
    if len(pattern) > LONGEST:
        return f"is longer than {LONGEST} characters; make it simpler"
    if _INEXACT.search(pattern):
        return "has letters in braces where a count of repeats could stand; write \\{ for a brace"
    try:
        with warnings.catch_warnings():
            # What Python warns about today means something else tomorrow.
            warnings.simplefilter("error")
            re.compile(pattern, re.MULTILINE)
        if _weight(pattern) > HEAVIEST:
            return "repeats too much, or repeats repeats; make it simpler"
        _compiled(pattern)
    except (re.error, regex.error, OverflowError, RecursionError, Warning) as error:
        return f"is not a regular expression: {error}"
    return None


def groups(pattern: str) -> frozenset[str]:
    """The named groups of a pattern that has no fault."""
    return frozenset(_compiled(pattern).groupindex)


def search(pattern: str, text: str) -> regex.Match[str] | None:
    """The first match, in multi-line mode, of a pattern that has no fault. Raises TooSlow."""
    try:
        return _compiled(pattern).search(text, timeout=SECONDS)
    except (TimeoutError, MemoryError):
        raise TooSlow from None


def _weight(pattern: str) -> int:
    """About how many atoms a pattern has that `re` takes, with its repeats written out: `a{9}` has
    ten, and one plus within another doubles what the inner one has."""
    sums, last, at = [0], 0, 0
    while at < len(pattern):
        char, step = pattern[at], 1
        count = _COUNT.match(pattern, at)
        if char in "*+?" or count:
            # Of a number with many digits it is enough to know that it has them.
            most = max(int(digits[:9] or 1) for digits in count.groups("")) if count else 1
            sums[-1] += last * most
            last *= most + 1
            step = len(count[0]) if count else 1
        elif char == "(":
            sums.append(0)
        elif char == ")" and len(sums) > 1:
            last = sums.pop() + 1
            sums[-1] += last
        else:
            last, step = 1, _atom(pattern, at) - at
            sums[-1] += 1
        at += step
    return sum(sums)


def _atom(pattern: str, at: int) -> int:
    """Where the atom ends that begins there: a letter, an escape, or a set of letters."""
    if pattern[at] == "\\":
        return at + 2
    if pattern[at] != "[":
        return at + 1
    at += 2 if pattern.startswith("[^", at) else 1
    at += pattern.startswith("]", at)
    while at < len(pattern) and pattern[at] != "]":
        at += 2 if pattern[at] == "\\" else 1
    return at + 1


@cache
def _compiled(pattern: str) -> regex.Pattern[str]:
    return regex.compile(pattern, regex.MULTILINE | regex.VERSION0)
