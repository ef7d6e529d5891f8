"""Where a page may be served. Written forms: RFC 3986, 3.2.2 and RFC 4291, 2.2; kinds of addresses:
RFC 6890, and Python's ipaddress as the reference."""

from __future__ import annotations

import socket
from ipaddress import ip_address

import pytest

from migrate.model.problems import Exit, PageTrouble
from migrate.views.web.listening import listen
from migrate.views.web.place import HERE, Place, check_place, place_of


@pytest.mark.parametrize(
    ("words", "address", "port", "url"),
    [
        ("192.0.2.7", "192.0.2.7", 0, "http://192.0.2.7:0/"),
        ("192.0.2.7:8080", "192.0.2.7", 8080, "http://192.0.2.7:8080/"),
        ("127.0.0.2:80", "127.0.0.2", 80, "http://127.0.0.2:80/"),
        ("::1", "::1", 0, "http://[::1]:0/"),
        ("[::1]", "::1", 0, "http://[::1]:0/"),
        ("[2001:db8::7]:65535", "2001:db8::7", 65535, "http://[2001:db8::7]:65535/"),
        ("2001:db8::7", "2001:db8::7", 0, "http://[2001:db8::7]:0/"),
    ],
)
def test_an_address_with_or_without_a_port(words: str, address: str, port: int, url: str) -> None:
    place = place_of(words)
    assert place == Place(ip_address(address), port)
    assert place.url == url
    assert place.alone == ip_address(address).is_loopback
    check_place(place)


@pytest.mark.parametrize(
    "words",
    [
        *("", "localhost", "localhost:80", "quarry.example:80", "192.0.2", "192.0.2.7:"),
        *("192.0.2.7:x", "192.0.2.7:65536", "192.0.2.7:-1", "::1]:80", "[::1", "[192.0.2.7]:80"),
        *("http://192.0.2.7/", "192.0.2.7:8080/x", "192.0.2.07", "[::1]x", "192.0.2.7\x1b[31m"),
    ],
)
def test_what_is_no_address_is_told(words: str) -> None:
    with pytest.raises(PageTrouble) as caught:
        place_of(words)
    assert caught.value.exit is Exit.PAGE
    assert "such as 192.0.2.7" in caught.value.problems[0].remedy
    assert "\x1b" not in str(caught.value)


@pytest.mark.parametrize(
    "words",
    [
        *("0.0.0.0", "0.0.0.0:80", "::", "[::]:80", "224.0.0.1", "ff02::1", "255.255.255.255"),
        *("::ffff:127.0.0.1", "fe80::1%eth0", "fe80::1%\x1b[31m:80"),
    ],
)
def test_no_page_everywhere_nor_where_a_browser_cannot_go(words: str) -> None:
    with pytest.raises(PageTrouble) as caught:
        check_place(place_of(words))
    assert "\x1b" not in str(caught.value)


def test_without_being_asked_it_is_this_machine_alone() -> None:
    assert HERE.alone
    with listen(HERE) as listening:
        assert listening.getsockname()[0] == "127.0.0.1"


def test_a_port_that_is_taken_is_told_with_the_page_that_may_be_there() -> None:
    with socket.create_server(("127.0.0.1", 0)) as other:
        place = place_of(f"127.0.0.1:{other.getsockname()[1]}")
        with pytest.raises(PageTrouble, match="already") as caught:
            listen(place)
        assert place.url in caught.value.problems[0].remedy


def test_an_address_of_another_machine_is_told() -> None:
    with pytest.raises(PageTrouble, match="not an address of this machine"):
        listen(place_of("192.0.2.7"))
