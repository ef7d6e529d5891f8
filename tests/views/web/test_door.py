"""Who is let in: a link of one use, and a key for each browser."""

from __future__ import annotations

import hashlib

from hypothesis import given
from hypothesis import strategies as st

from migrate.views.web.door import GUESSES, KEYS, Door


def test_a_link_lets_one_browser_in() -> None:
    links: list[str] = []
    door = Door(changed=lambda door: links.append(door.token))
    link = door.token
    assert door.fits(link)
    assert door.fits(link), "to look at it spends nothing"
    key = door.enter(link)
    assert key is not None
    assert door.lets_in(key)
    assert door.enter(link) is None
    assert not door.fits(link)
    assert links == [door.token]
    other = door.enter(door.token)
    assert other is not None
    assert other != key
    assert door.lets_in(key)
    assert door.lets_in(other)


def test_links_and_keys_hold_256_bits_of_chance() -> None:
    door = Door()
    key = door.enter(door.token)
    assert key is not None
    # Base64 without padding (RFC 4648, 3.2): 4 characters for 3 octets.
    assert min(len(door.token), len(key)) * 6 >= 256
    assert len({Door().token for _ in range(100)}) == 100


def test_only_digests_are_kept_and_they_let_nobody_in() -> None:
    door = Door()
    key = door.enter(door.token)
    assert key is not None
    assert door.keys == [hashlib.sha256(key.encode()).hexdigest()]
    again = Door(door.keys)
    assert again.lets_in(key), "after the tool was started anew"
    assert not again.lets_in(door.keys[0])
    assert again.token != door.token


@given(st.text(max_size=60))
def test_no_guess_opens(guess: str) -> None:
    door = Door(["0" * 64])
    assert door.enter(guess) is None
    assert not door.lets_in(guess)
    assert door.keys == ["0" * 64]


def test_the_keys_are_bounded() -> None:
    door = Door()
    keys = [door.enter(door.token) or "" for _ in range(KEYS + 1)]
    assert [door.lets_in(key) for key in keys] == [False] + [True] * KEYS


def test_who_guesses_often_is_not_listened_to_for_a_minute() -> None:
    door = Door()
    for second in range(GUESSES):
        assert not door.weary_of("192.0.2.66", second)
        door.guessed("192.0.2.66", second)
    assert door.weary_of("192.0.2.66", GUESSES)
    assert not door.weary_of("192.0.2.7", GUESSES), "others are"
    assert not door.weary_of("192.0.2.66", GUESSES + 60)
    for number in range(5000):
        door.guessed(f"2001:db8::{number:x}", 100)
    assert len(door._guesses) <= 1000
