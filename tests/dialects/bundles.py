"""Bundles of hostile values, and dialects of every make, as hypothesis strategies."""

from __future__ import annotations

from typing import Any

from hypothesis import strategies as st

from migrate.dialects.schema import Dialect
from migrate.model.problems import BadFile
from migrate.model.secrets import Secret
from migrate.model.settings import (
    BROKER,
    FLAGS,
    GROUP,
    NUMBERS,
    SECRETS,
    SPARE_WIFI,
    WIFI,
    Setting,
    Value,
)
from tests.dialects.samples import dialect_of

SIGNS = [";", "=", "\n", "&", "+", "%", "#", '"', "'", "\\", ",", " ", "|", ":", "?", "/", "<", "}"]
HOSTILE = [
    "correct horse battery",
    "correct-horse-battery",
    "a#b?c-d",
    "semi;colon",
    "ends;",
    ";begins",
    "a=b",
    '"quoted"',
    "it's",
    "100%",
    "%3B",
    "%25",
    "%",
    "a+b c",
    "a#b?c&d=e",
    "back\\slash\\",
    "\\u0041\\n",
    " leading",
    "trailing ",
    "\ttab\t",
    "two\nlines",
    "carriage\rreturn\r\n",
    "\u00e9\u00fc\u00df",
    "\U0001f33f\U0001f512",
    "\u200b\u2028\ufeff",
    "\xa0no-break\xa0",
    "nul\0inside",
    "\x7f\x9b\x1b[2J",
    "\ud83c",
    "",
    "no",
    "00123456",
    "true",
    "null",
    "{message}",
    "{topic}",
    "restart",
    "x" * 32,
    "x" * 33,
    "\u20ac" * 11,
    "a" * 63,
    "0123456789abcdef" * 4,
    "%" * 200,
    "x" * 5000,
]
TEXTS = st.one_of(
    st.sampled_from(HOSTILE),
    st.text(st.sampled_from([*"ab0 ", *SIGNS]), max_size=12),
    st.text(st.characters(), max_size=20),
)
PLAIN = st.text(st.sampled_from("abcxyzABC0123456789.-"), min_size=8, max_size=20)
GROUPS = (WIFI, SPARE_WIFI, BROKER, GROUP)


def value_of(setting: Setting, texts: st.SearchStrategy[str]) -> st.SearchStrategy[Value]:
    if setting in NUMBERS:
        return st.integers(1, 65535)
    if setting in FLAGS:
        return st.booleans()
    return texts.map(Secret) if setting in SECRETS else texts


@st.composite
def bundles(
    draw: st.DrawFn, dialect: Dialect, texts: st.SearchStrategy[str] = TEXTS
) -> dict[Setting, Value]:
    """One or more whole groups that the dialect has words for."""
    known = [group for group in GROUPS if group[0] in dialect.settings]
    chosen = draw(st.lists(st.sampled_from(known), min_size=1, unique=True))
    settings = [one for group in chosen for one in group if one in dialect.settings]
    # Most bundles are plain but for one value, so that its refusal has one reason.
    odd = draw(st.sampled_from(settings)) if draw(st.integers(0, 3)) else None
    return {one: draw(value_of(one, texts if odd in (None, one) else PLAIN)) for one in settings}


def told(value: Value) -> str | int | bool:
    """A value in the clear."""
    return value.reveal() if isinstance(value, Secret) else value


LINE_NAMES = {
    "wifi.ssid": "net",
    "wifi.secret": "net.key",
    "broker.host": "host",
    "broker.port": "port",
    "broker.tls": "tls",
    "broker.username": "user",
    "broker.password": "pass",
    "group.topic": "group",
}
SPLITS = st.one_of(
    st.sampled_from(
        [";", "\n", "\r\n", ",", "&", "|", " ", ";;", "; ", "%3B", "%", "A", "0", "=;"]
    ),
    st.text(st.sampled_from("; =:%&A0|"), min_size=1, max_size=3),
)
ASSIGNS = st.one_of(
    st.sampled_from(["=", ":", " ", ": ", "==", "=>", "%", "%3D", ":=", ";", "A", "0"]),
    st.text(st.sampled_from("; =:%&A0|"), min_size=1, max_size=3),
)
FRAMES = st.sampled_from(
    [
        ("", ""),
        ("set ", ""),
        ("", "\n"),
        ("", "\r\n"),
        ('set "', '"'),
        ("<", ">"),
        ("", "."),
        ("", "=;"),
    ]
)
QUERY: dict[str, Any] = {
    "method": "GET",
    "path": "/do",
    "query": {"x": "1&2", "say": "{message}", "e": ""},
}
BODY: dict[str, Any] = {"method": "POST", "path": "/do", "body": "{message}"}
CARRIES = st.fixed_dictionaries(
    {
        "message_octets": st.sampled_from([60, 255, 1024, 20_000]),
        "control": st.booleans(),
    },
    optional={
        "target_octets": st.sampled_from([80, 300, 2000]),
        "trims": st.just(True),
        "ascii_only": st.just(True),
        "cannot": st.sampled_from([['"'], ["'", "\\"], ["%3"], ["  "]]),
    },
)


@st.composite
def line_dialects(draw: st.DrawFn) -> Dialect | None:
    """A dialect of statements, or None where the schema refuses its signs."""
    before, after = draw(FRAMES)
    message = {
        "form": "lines",
        "separator": draw(SPLITS),
        "assign": draw(ASSIGNS),
        "before": before,
        "after": after,
        "escape": draw(st.sampled_from(["none", "percent"])),
    }
    yes, no = draw(st.sampled_from([("yes", "no"), ("1", "0"), ("on;", "off;"), ("=", "==")]))
    words = {
        setting: {"name": name, **({"words": {"true": yes, "false": no}} if name == "tls" else {})}
        for setting, name in LINE_NAMES.items()
    }
    return _whole(draw, message, words)


@st.composite
def json_dialects(draw: st.DrawFn) -> Dialect | None:
    """A dialect of JSON documents or calls with odd names."""
    message: dict[str, Any] = draw(
        st.sampled_from(
            [
                {"form": "merge-patch"},
                {"form": "json-rpc", "method": 'set "it"', "params": {"slot": 1}},
            ]
        )
    )
    pointers = draw(st.permutations(["/a", "/a~1b", "/n/x", "/n/y", "/", "/m~0n", "/n/ /z", "/0"]))
    words = {
        setting: {"name": pointer} for setting, pointer in zip(LINE_NAMES, pointers, strict=True)
    }
    return _whole(draw, message, words)


def _whole(draw: st.DrawFn, message: dict[str, Any], words: dict[str, Any]) -> Dialect | None:
    for setting in ("wifi.ssid", "wifi.secret"):
        words[setting] |= draw(
            st.sampled_from([{}, {"empty": False}, {"max_octets": 32, "empty": False}])
        )
    place: dict[str, Any] = draw(st.sampled_from([QUERY, BODY]))
    return made_up(message, words, place, draw(CARRIES))


def made_up(
    message: dict[str, Any], words: dict[str, Any], place: dict[str, Any], carries: dict[str, Any]
) -> Dialect | None:
    """A dialect of these parts, or None where the schema refuses it."""
    data = {
        "name": "made-up",
        "about": "made up by the test",
        "carries": carries,
        "write": {
            "message": message,
            "http": place,
            "mqtt": {"topic": "made/{topic}/do", "reply": "made/{topic}/done"},
            "taken": {"status": [200]},
        },
        "read": {"http": {"path": "/all"}, "mqtt": {"topic": "made/all", "reply": "made/told"}},
        "readings": {"mac": {"pointer": "/mac"}},
        "settings": words,
    }
    try:
        return dialect_of(data)
    except BadFile:
        return None
