"""Networks that a radio cannot join, and names that a person cannot tell apart.

Sources: channels and centre frequencies IEEE Std 802.11 (CHECKS: 1 is 2412 MHz, 13 is 2472, 14 is
2484, 36 is 5180); what WPA3-SAE and 6 GHz ask for: Wi-Fi Alliance WPA3 specification, from memory;
that 12 to 14 are not used everywhere: common practice, no source.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Mapping
from itertools import chain, combinations, product
from typing import Any, get_args

import pytest
from hypothesis import given
from hypothesis import strategies as st

from migrate.model.fleet import Device
from migrate.model.problems import Problem
from migrate.model.wifi import CHANNELS, Band, Pmf, bands_of, centre_frequency
from migrate.planning.refusals.lookalikes import look_alike
from tests.planning.samples import (
    NEW_NET,
    OLD_BROKER,
    OLD_NET,
    OLD_WIFI,
    device,
    own_dialect,
    plan_of,
    refused,
    resolver,
)

KEY = "0123456789abcdef" * 4


def change(more: str = "", ssid: str = "loft", old: str = OLD_WIFI) -> str:
    wifi = f'[wifi]\nssid = "{ssid}"\nsecret = {{ env = "NEW_WIFI" }}\n{more}\n'
    return f"{wifi}[old]\n{OLD_NET}{old}{OLD_BROKER}{NEW_NET}"


def radio(**keys: Any) -> Mapping[str, Any]:
    return own_dialect("own", "larch", lambda data: data["radio"].update(keys))


def only(problems: tuple[Problem, ...]) -> Problem:
    assert len(problems) == 1, [str(problem) for problem in problems]
    return problems[0]


def lamp(**more: Any) -> Device:
    return device("lamp", dialect="own", **more)


def what(more: str, **keys: Any) -> str:
    problem = only(refused([lamp()], change(more), own=radio(**keys)))
    assert problem.device == "lamp"
    return problem.what


def test_nothing_is_checked_that_the_owner_left_out() -> None:
    own = radio(bands=["5 GHz"], channels=[36], security=["wpa3-sae"], finds_hidden=False)
    plan_of([lamp()], change(), own=own)
    whole = 'bands = ["2.4 GHz"]\nchannels = [1, 6, 11]\nsecurity = ["wpa2-psk"]\npmf = "optional"'
    plan_of([device("lamp")], change(whole))


def test_no_common_band() -> None:
    assert what('bands = ["5 GHz", "6 GHz"]') == (
        "the new network is at 5 GHz and 6 GHz; the radio of dialect own is for 2.4 GHz only"
    )
    plan_of([lamp()], change('bands = ["5 GHz", "2.4 GHz"]'), own=radio())


def test_every_channel_that_the_access_point_may_choose() -> None:
    told = what("channels = [1, 12, 13]", channels=list(range(1, 12)))
    assert "channel 12 (2467 MHz) and 13 (2472 MHz)" in told
    assert "dialect own cannot use" in told
    assert "12 and 13 are not used in some regions" in told
    problem = only(refused([lamp(channels=(1, 6))], change("channels = [1, 11, 14]"), own=radio()))
    assert "this device cannot use channel 11 (2462 MHz) and 14 (2484 MHz)" in problem.what
    assert "14 is used in one region only" in problem.what
    assert "12 and 13" not in problem.what
    assert "use channel 1 only" in problem.remedy
    plan_of([lamp(channels=(1, 6, 11))], change("channels = [6, 11]"), own=radio(channels=[1]))


def test_no_common_channel() -> None:
    told = what("channels = [12]", channels=[1, 6, 11])
    assert told.startswith("dialect own cannot use channel 12 (2467 MHz)")
    assert "nor any other of its channels" in told


def test_channels_count_by_band() -> None:
    both = 'bands = ["2.4 GHz", "5 GHz"]\nchannels = [1, 6, 36, 40]'
    # A radio of 2.4 GHz does not care about the other band.
    plan_of([lamp()], change(both), own=radio())
    # One that has both bands needs only one of them whole.
    plan_of([lamp()], change(both), own=radio(bands=["2.4 GHz", "5 GHz"], channels=[1, 36, 40]))
    told = what(both, bands=["2.4 GHz", "5 GHz"], channels=[1, 36])
    assert "6 (2437 MHz)" in told or "40 (5200 MHz)" in told
    assert "cannot use channel 36, which is at 5 GHz" in what("channels = [36]")


def test_channels_of_no_declared_band() -> None:
    problem = refused([lamp()], change('bands = ["2.4 GHz"]\nchannels = [6, 36, 42]'), own=radio())
    assert only(problem).what == "36 and 42 are no 20 MHz channel of 2.4 GHz"
    assert (problem[0].where, problem[0].key) == ("playbook.toml", "wifi.channels")
    problem = refused([lamp()], change("channels = [34]"), own=radio(channels=[34]))
    assert problem[0].what == "34 is no 20 MHz channel of any band"


@pytest.mark.parametrize("band", get_args(Band))
def test_every_channel_has_a_frequency_of_its_band(band: Band) -> None:
    # Band limits in MHz: IEEE Std 802.11; 6 GHz is 5925 to 7125 (from memory).
    least, most = {"2.4 GHz": (2401, 2495), "5 GHz": (5150, 5895), "6 GHz": (5925, 7125)}[band]
    for channel in CHANNELS[band]:
        assert least <= centre_frequency(band, channel) - 10
        assert centre_frequency(band, channel) + 10 <= most
        assert band in bands_of(channel)
    assert (centre_frequency("6 GHz", 1), centre_frequency("6 GHz", 233)) == (5955, 7115)


def test_security_that_is_not_shared() -> None:
    told = what('security = ["wpa3-sae"]')
    assert told == "the new network asks for WPA3-SAE; dialect own has WPA2-PSK only"
    # Both at once is the transition mode: either kind of device gets in.
    both = 'security = ["wpa2-psk", "wpa3-sae"]\npmf = "optional"'
    plan_of([lamp()], change(both), own=radio())
    plan_of([lamp()], change(both), own=radio(security=["wpa3-sae"]))
    assert "asks for WPA2-PSK" in what('security = ["wpa2-psk"]', security=["wpa3-sae"])


def test_protected_frames() -> None:
    required = 'security = ["wpa2-psk", "wpa3-sae"]\npmf = "required"'
    assert "requires protected management frames" in what(required)
    plan_of([lamp()], change(required), own=radio(protects_frames=True))
    # WPA3-SAE asks for protected frames, so a radio that joins by it has them.
    plan_of([lamp()], change(required), own=radio(security=["wpa2-psk", "wpa3-sae"]))
    psk = 'security = ["wpa2-psk"]\npmf = "required"'
    assert "requires protected" in what(psk, security=["wpa2-psk", "wpa3-sae"])
    plan_of([lamp()], change('pmf = "optional"'), own=radio())
    off = 'security = ["wpa2-psk", "wpa3-sae"]\npmf = "off"'
    assert "asks for WPA2-PSK; " in what(off, security=["wpa3-sae"])


def test_networks_that_cannot_be() -> None:
    off = refused([lamp()], change('security = ["wpa3-sae"]\npmf = "off"'), own=radio())
    assert only(off).what.startswith("WPA3-SAE without protected management frames")
    psk = 'bands = ["2.4 GHz", "6 GHz"]\nsecurity = ["wpa2-psk"]'
    problem = only(refused([lamp()], change(psk), own=radio()))
    assert problem.what.startswith("at 6 GHz there is WPA3 with protected management frames only")
    six = 'bands = ["6 GHz"]\nsecurity = ["wpa3-sae"]\npmf = "optional"'
    problem = only(
        refused([lamp()], change(six), own=radio(bands=["6 GHz"], security=["wpa3-sae"]))
    )
    assert "at 6 GHz protected management frames are required" in problem.what


def test_a_radio_of_6_ghz_joins_by_wpa3_alone() -> None:
    both = 'bands = ["2.4 GHz", "6 GHz"]\nsecurity = ["wpa2-psk", "wpa3-sae"]'
    assert "asks for WPA3-SAE" in what(both, bands=["6 GHz"])
    plan_of([lamp()], change(both), own=radio(bands=["6 GHz"], security=["wpa3-sae"]))


def test_a_hidden_network() -> None:
    assert "is hidden" in what("hidden = true", finds_hidden=False)
    plan_of([lamp()], change("hidden = true"), own=radio())


def test_a_key_is_no_passphrase_for_wpa3() -> None:
    # IEEE Std 802.11: SAE proves a password; the 64 digits are the PSK of WPA2 itself.
    own = radio(security=["wpa2-psk", "wpa3-sae"])
    sae = change('security = ["wpa3-sae"]')
    problem = only(refused([lamp()], sae, resolver(NEW_WIFI=KEY), own))
    assert problem.what.startswith("WPA3-SAE takes a passphrase")
    assert KEY not in repr(problem)
    plan_of([lamp()], change('security = ["wpa2-psk"]'), resolver(NEW_WIFI=KEY), own)
    # In transition mode a device that has WPA3 alone is the one that stays out.
    both = change('security = ["wpa2-psk", "wpa3-sae"]')
    plan_of([lamp()], both, resolver(NEW_WIFI=KEY), own)
    own = radio(security=["wpa3-sae"])
    problem = only(refused([lamp()], both, resolver(NEW_WIFI=KEY), own))
    assert (problem.device, "passphrase" in problem.what) == ("lamp", True)


SETS = [set(s) for s in chain(*(combinations(("wpa2-psk", "wpa3-sae"), n) for n in (1, 2)))]


@pytest.mark.parametrize(("pmf", "protects"), list(product(get_args(Pmf), (False, True))))
def test_who_joins_against_a_table(pmf: Pmf, protects: bool) -> None:
    """All combinations at 2.4 GHz, against the rule told the other way round: a device joins if
    there is one way that both have. WPA2 frames are protected only if both can."""
    ways: dict[str, bool] = {
        "wpa2-psk": pmf != "required" or protects,
        "wpa3-sae": pmf != "off",
    }
    for offered, had in product(SETS, SETS):
        joins = any(ways[one] for one in offered & had)
        network = f'security = {sorted(offered)}\npmf = "{pmf}"'
        own = radio(security=sorted(had), protects_frames=protects)
        if joins:
            plan_of([lamp()], change(network), own=own)
        else:
            refused([lamp()], change(network), own=own)


LOOK_ALIKE = [
    (
        "attic",
        "Attic",
        "U+0061 (latin small letter a) in the old, U+0041 (latin capital letter a) in the new",
    ),
    ("attic", "attic ", "nothing in the old, U+0020 (space) in the new"),
    (
        "the attic",
        "the\u00a0attic",
        "U+0020 (space) in the old, U+00A0 (no-break space) in the new",
    ),
    ("attic", "at\u200btic", "nothing in the old, U+200B (zero width space)"),
    ("attic", "\ufeffattic", "nothing in the old, U+FEFF (zero width no-break space)"),
    (
        "attic",
        "\u0430ttic",
        "U+0061 (latin small letter a) in the old, U+0430 (cyrillic small letter a)",
    ),
    ("attic", "\uff41ttic", "in the old, U+FF41 (fullwidth latin small letter a)"),
    ("mill0", "millO", "U+0030 (digit zero) in the old, U+004F (latin capital letter o)"),
    ("mill1", "milll", "U+0031 (digit one) in the old, U+006C (latin small letter l)"),
    (
        "barn",
        "bam",
        "U+0072 (latin small letter r) U+006E (latin small letter n) in the old, U+006D",
    ),
    ("\u00e9tage", "e\u0301tage", "U+00E9 (latin small letter e with acute) in the old, U+0065"),
    # Two of UTS #39's own examples (section 4 and table 1; from memory).
    ("paypal", "\U0001d52d\U0001d4b6\u1eff\U0001d561\U0001d552\u2113", "in the old, "),
    ("scope", "\u0455\u0441\u043e\u0440\u0435", "in the old, "),
    ("stra\u00dfe", "STRASSE", "in the old, "),
]


@pytest.mark.parametrize(("old", "new", "words"), LOOK_ALIKE)
def test_names_that_look_the_same(old: str, new: str, words: str) -> None:
    # Which characters look alike: the confusables of Unicode UTS #39.
    wifi = f'wifi = {{ ssid = "{old}", secret = {{ env = "OLD_WIFI" }} }}\n'
    problem = only(refused([device("lamp")], change(ssid=new, old=wifi)))
    assert problem.what.startswith("old and new SSID look the same: ")
    assert words in problem.what
    assert problem.key == "wifi.ssid"


@pytest.mark.parametrize(
    ("old", "new"), [("attic", "loft"), ("mill-1", "mill-2"), ("attic", "attic-new"), ("b", "d")]
)
def test_names_that_do_not(old: str, new: str) -> None:
    assert not look_alike(old, new)
    wifi = f'wifi = {{ ssid = "{old}", secret = {{ env = "OLD_WIFI" }} }}\n'
    plan_of([device("lamp")], change(ssid=new, old=wifi))


@given(st.text(max_size=20), st.sampled_from([" ", "\u200d", "\u2009", "\u3000", "\u00ad"]))
def test_unseen_characters_never_tell_names_apart(text: str, unseen: str) -> None:
    assert look_alike(text, text + unseen)
    assert look_alike(text, unicodedata.normalize("NFD", text))


def test_a_dialect_that_says_nothing_of_its_radio_may_say_more() -> None:
    own = own_dialect("own", "larch", lambda data: data.pop("radio"))
    problems = refused([lamp()], change('bands = ["5 GHz"]\nsecurity = ["wpa3-sae"]'), own=own)
    assert [one.remedy.rpartition("say so: ")[2].split()[0] for one in problems] == [
        "bands",
        "security",
    ]
    assert "[radio]" not in refused([lamp()], change('bands = ["5 GHz"]'), own=radio())[0].remedy
