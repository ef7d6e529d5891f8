"""What a trial on the bench has shown to go wrong, whatever the dialect says."""

from __future__ import annotations

from collections.abc import Iterator

from migrate.dialects.compose import plain
from migrate.model.problems import Problem
from migrate.model.settings import Bundle, FrozenBundle
from migrate.planning.bundles import resolved
from migrate.planning.ledger import Sign, Tried
from migrate.planning.line import twin_of
from migrate.planning.refusals.case import Alike, Case

VALUE = (
    "choose another value, or leave the device out; if the dialect has been corrected or the "
    "firmware is another now, try it again: migrate bench"
)
SPLIT = (
    "leave the device out: half a bundle would strand it. Update its firmware, or correct the "
    "dialect, and try it again: migrate bench"
)


def refusals(case: Case) -> Iterator[Problem]:
    """Values that hold what was lost on the bench, and bundles that would be kept in part."""
    if not case.trials:
        return
    for alike in case.moved:
        sides = [("", alike.given), ("the way back: ", alike.back.known)]
        told = [(what, resolved(_known(alike, side), case.resolve)) for what, side in sides]
        for device in alike.devices:
            for tried in case.trials.get(twin_of(device), ()):
                day = tried.at[:10]
                if tried.together is False and len(alike.given) > 1:
                    yield Problem(
                        f"a trial of {day} with firmware {tried.firmware} showed that two settings "
                        "in one message do not both take hold",
                        SPLIT,
                        device=device.name,
                    )
                for what, bundle in told:
                    for words in _lost(alike, bundle, tried):
                        yield Problem(what + words, VALUE, device=device.name)


def _known(alike: Alike, side: FrozenBundle) -> FrozenBundle:
    return {setting: value for setting, value in side.items() if setting in alike.dialect.settings}


def _lost(alike: Alike, bundle: Bundle, tried: Tried) -> Iterator[str]:
    for setting, value in bundle.items():
        text = plain(alike.dialect.settings[setting], value)
        if not isinstance(text, str):
            continue
        octets = len(text.encode("utf-8", "replace"))
        if tried.cut is not None and octets > tried.cut:
            yield (
                f"{setting} has {octets} octets; a trial of {tried.at[:10]} with firmware "
                f"{tried.firmware} showed that a text is cut after {tried.cut}"
            )
        for sign in tried.lost:
            if sign.within(text):
                yield (
                    f"{setting} {in_words(sign)}; a trial of {tried.at[:10]} with firmware "
                    f"{tried.firmware} showed that it is lost"
                )


def in_words(sign: Sign) -> str:
    """What a text with this sign does."""
    if sign.where == "like":
        return f"has a character of {len(sign.text.encode())} octets in UTF-8"
    told = {" ": "a blank", "  ": "two blanks in a row"}.get(sign.text, repr(sign.text))
    verb = {"first": "begins with", "last": "ends with"}.get(sign.where, "contains")
    return f"{verb} {told}"
