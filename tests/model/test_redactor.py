"""The redactor finds secrets in every spelling that a standard library encoder gives them."""

from __future__ import annotations

import base64
import hashlib
import html
import json
import quopri
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
    "JSON, every character": lambda text: "".join(
        f"\\u{unit}" for unit in text.encode("utf-16-be").hex(" ", 2).split()
    ),
    "URL, every octet": lambda text: "".join(f"%{octet:02x}" for octet in text.encode()),
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


PARTS: dict[str, Callable[[str], str]] = {
    "capitals": str.upper,
    "small letters": str.lower,
    "quoted-printable": lambda text: quopri.encodestring(text.encode(), quotetabs=True).decode(),
    "first half": lambda text: text[: len(text) // 2],
    "last half": lambda text: text[len(text) // 2 :],
    "eight": lambda text: text[5:13],
    "eight in hexadecimal": lambda text: text[5:13].encode().hex(),
    "eight in base64": lambda text: base64.b64encode(text[5:13].encode()).decode(),
    "eight in base64, behind one": lambda text: base64.b64encode(b"x" + text[5:].encode()).decode(),
    "eight, percent encoded": lambda text: "".join(f"%{o:02X}" for o in text[5:13].encode()),
}


@pytest.mark.parametrize("way", PARTS.values(), ids=list(PARTS))
def test_parts_of_eight_octets(way: Callable[[str], str]) -> None:
    secret = "Maple-tree & 7 gates\u00e9"
    cleaned = Redactor([Secret(secret)]).clean(f"no: {way(secret)}")
    assert MASK in cleaned
    assert len(cleaned) < len(f"no: {MASK}") + 5


def test_seven_octets_are_no_part() -> None:
    assert Redactor([Secret("maple-tree-gates")]).clean("no maple-t.") == "no maple-t."


def test_a_part_that_the_networks_name_holds_as_well_tells_nothing() -> None:
    redactor = Redactor()
    redactor.learn([Secret("quarry-attic-2024")], ["quarry-attic"])
    assert redactor.clean("quarry-attic, it said") == "quarry-attic, it said"
    assert redactor.clean("with quarry-attic-2024") == f"with {MASK}"
    assert redactor.clean("with ATTIC-2024") == f"with {MASK}"


def test_keys_in_base64_and_a_secret_that_is_a_key() -> None:
    # IEEE Std 802.11i-2004 annex H.4, first vector.
    key = "f42c6fc52df0ebef9ebb4b90b38a5f902e83fe1b135a70e23aed762e9710a12e"
    redactor = Redactor()
    redactor.learn([Secret("password")], ["IEEE"])
    alone = Redactor([Secret(key)])
    for before in ("", "k", "k=", "k=="):
        text = base64.b64encode(before.encode() + bytes.fromhex(key) + b".").decode()
        for one in (redactor, alone):
            cleaned = one.clean(text)
            assert MASK in cleaned
            assert len(cleaned) < len(MASK) + 9


def test_whole_secrets_alone_are_held() -> None:
    redactor = Redactor([Secret("maple-tree-gates")])
    assert redactor.holds("my maple%2Dtree-gates")
    assert not redactor.holds("maple-tree")


def test_parts_cost_little_however_many_secrets_there_are() -> None:
    from migrate.model.parts import Parts

    parts = Parts()
    for number in range(2000):
        parts.learn(f"{number}-password-of-{number * 7919}")
    begin = time.process_time()
    for _ in range(20):
        parts.spans("what the device says about something else entirely; " * 5)
    assert time.process_time() - begin < 1


def test_every_other_way_of_writing_a_character_has_a_sign() -> None:
    """What lets a text without such a sign be searched fast."""
    from migrate.model import secrets

    for number in (*range(0x250), 0xFFFD, 0x20AC, 0xD800, 0x1F33F):
        char = chr(number)
        for way in secrets._ways(char):
            assert way == char or any(sign in way for sign in secrets._SIGNS), (char, way)


def test_many_logins_cost_little() -> None:
    redactor = Redactor(Secret(f"word {number * 7919} of it") for number in range(1500))
    begin = time.process_time()
    for _ in range(20):
        redactor.clean("what the device says about something else entirely; " * 5)
    assert time.process_time() - begin < 1
    assert redactor.clean("no: word 7919 of it!") == f"no: {MASK}!"
    assert redactor.clean("no: word 79") == f"no: {MASK}"
