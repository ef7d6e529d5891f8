"""The redactor finds secrets in every spelling that a standard library encoder gives them."""

from __future__ import annotations

import base64
import hashlib
import html
import json
import time
from collections.abc import Callable
from urllib.parse import quote, quote_plus, urlencode

import pytest
from hypothesis import given
from hypothesis import strategies as st

from migrate.model.secrets import MASK, Redactor, Secret

# The encoders are the standard library's; the hostile signs are those that they change.
HOSTILE = "pa;s\"s w&rd=%/\u00e9\\x<1>+'\U0001f33f"
ENCODERS: dict[str, Callable[[str], str]] = {
    "plain": str,
    "JSON, ASCII": json.dumps,
    "JSON, UTF-8": lambda text: json.dumps(text, ensure_ascii=False),
    "JSON, solidus escaped": lambda text: json.dumps(text).replace("/", "\\/"),
    "JSON in JSON": lambda text: json.dumps(json.dumps(text)),
    "JSON, upper case digits": lambda text: json.dumps(text).replace("\\u00e9", "\\u00E9"),
    "URL, whole": lambda text: quote(text, safe=""),
    "URL, path": quote,
    "URL, lower case": lambda text: quote(text, safe="").replace("%3B", "%3b").replace("%2", "%2"),
    "URL, form": quote_plus,
    "URL, query": lambda text: urlencode({"say": text}),
    "URL, twice": lambda text: quote(quote(text, safe=""), safe=""),
    "separator alone encoded": lambda text: text.replace(";", "%3B"),
    "HTML": html.escape,
    "HTML, numbers": lambda text: "".join(f"&#{ord(char)};" for char in text),
    "HTML, hexadecimal": lambda text: "".join(f"&#x{ord(char):X};" for char in text),
    "Python": repr,
    "hexadecimal": lambda text: text.encode().hex(),
    "HEXADECIMAL": lambda text: text.encode().hex().upper(),
    "base64": lambda text: base64.b64encode(text.encode()).decode(),
    "base64, URL": lambda text: base64.urlsafe_b64encode(text.encode()).decode(),
    "base64, no padding": lambda text: base64.b64encode(text.encode()).decode().rstrip("="),
}
LETTERS = "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789"


@pytest.mark.parametrize("encoder", ENCODERS.values(), ids=list(ENCODERS))
@pytest.mark.parametrize("secret", [HOSTILE, "correct-horse", "00123456", "\u00fcber%25;=&"])
def test_spellings(encoder: Callable[[str], str], secret: str) -> None:
    spelled = encoder(secret)
    cleaned = Redactor([Secret(secret)]).clean(f"<1> {spelled} <2>")
    assert MASK in cleaned
    assert cleaned.startswith("<1> ")
    assert cleaned.endswith(" <2>")
    # Nothing of it is left but signs of the encoder: quotes, the name in a query, padding.
    rest = cleaned[4:-4].replace(MASK, "").removeprefix("say=")
    assert not set(rest) & set(LETTERS), cleaned


@given(st.text(min_size=4, max_size=70), st.sampled_from(sorted(ENCODERS)))
def test_any_secret_in_any_spelling(secret: str, name: str) -> None:
    spelled = ENCODERS[name](secret)
    cleaned = Redactor([Secret(secret)]).clean(f"\u2060{spelled}\u2061")
    assert MASK in cleaned
    if len(spelled) > len(MASK):
        assert spelled not in cleaned


@pytest.mark.parametrize("user", ["", "a", "ab", "owner", "somebody"])
@pytest.mark.parametrize("password", ["open-sesame", "opensesame", "open-sesame!"])
def test_a_login_in_base64(user: str, password: str) -> None:
    # RFC 7617 section 2: base64 of user, colon, password. The password begins in the middle.
    header = "Basic " + base64.b64encode(f"{user}:{password}".encode()).decode()
    cleaned = Redactor([Secret(password)]).clean(header)
    assert MASK in cleaned
    left = cleaned.removeprefix("Basic ").partition(MASK)[0]
    # What is left may tell the user name and, of the octet it shares, no more than a part.
    decoded = base64.b64decode(left + "A" * (-len(left) % 4))
    assert password.encode()[:2] not in decoded
    assert len(cleaned.partition(MASK)[2].rstrip("=")) <= 1


def test_derived_keys() -> None:
    # IEEE Std 802.11i-2004 annex H.4, first vector, and hashlib as a second source.
    key = "f42c6fc52df0ebef9ebb4b90b38a5f902e83fe1b135a70e23aed762e9710a12e"
    redactor = Redactor()
    redactor.learn([Secret("password")], ["IEEE", "other"])
    for ssid in ("IEEE", "other"):
        derived = hashlib.pbkdf2_hmac("sha1", b"password", ssid.encode(), 4096, 32).hex()
        assert ssid != "IEEE" or derived == key
        assert redactor.clean(f"psk={derived}.") == f"psk={MASK}."
        assert redactor.clean(f"psk={derived.upper()}.") == f"psk={MASK}."


@pytest.mark.parametrize("kept", range(4, len("correct-horse")))
def test_a_secret_that_the_end_of_a_text_cuts_off(kept: int) -> None:
    # Replies are shortened before they are shown; half a secret is still too much.
    text = "no such key: " + "correct-horse"[:kept]
    assert Redactor([Secret("correct-horse")]).clean(text) == f"no such key: {MASK}"


def test_cut_off_inside_an_escape() -> None:
    redactor = Redactor([Secret("horse battery")])
    assert redactor.clean("no horse%2") == f"no {MASK}"
    assert redactor.clean("no horse\\u00") == f"no {MASK}"


def test_overlapping_secrets_leave_no_tail() -> None:
    redactor = Redactor([Secret("abcdefgh"), Secret("efghijkl"), Secret("abcd")])
    assert redactor.clean("-abcdefghijkl-") == f"-{MASK}-"
    assert redactor.clean("-abcdx-") == f"-{MASK}x-"
    # One inside another, and not at its beginning.
    redactor = Redactor([Secret("abcdefgh"), Secret("cd")])
    assert redactor.clean("-abcdefgh-cd-") == f"-{MASK}-{MASK}-"


def test_a_secret_inside_the_mask_does_not_spoil_the_mask() -> None:
    redactor = Redactor([Secret("hidden"), Secret("correct-horse")])
    assert redactor.clean("a correct-horse, hidden") == f"a {MASK}, {MASK}"


def test_characters_that_a_shown_reply_has_lost() -> None:
    # A reply is shown with U+FFFD for what a terminal would obey.
    redactor = Redactor([Secret("bell\x07in\xa0here")])
    assert redactor.clean("no bell\ufffdin\ufffdhere!") == f"no {MASK}!"


def test_other_text_is_left_alone() -> None:
    redactor = Redactor([Secret("correct-horse"), Secret("")])
    text = "the device said: ok, 5 stored; \u00e9 % %25 &amp; \\u00e9 correct_horse"
    assert redactor.clean(text) == text
    assert redactor.clean("") == ""
    assert Redactor().clean(text) == text


def test_learning_later_and_odd_secrets() -> None:
    redactor = Redactor([Secret("first-secret")])
    # An environment variable that is no UTF-8 holds half pairs (PEP 383).
    redactor.learn([Secret("second\udcffsecret")], ["some-net"])
    assert redactor.clean("first-secret second\udcffsecret") == f"{MASK} {MASK}"


def test_a_hostile_text_does_not_hold_it_up() -> None:
    redactor = Redactor([Secret("\\" * 60), Secret("%25" * 20), Secret("a" * 63)])
    begin = time.perf_counter()
    for text in ("\\" * 59 + "x", "%25" * 500, "a" * 5000, "a" * 62 + "b"):
        redactor.clean(f"-{text}-")
    assert time.perf_counter() - begin < 10
