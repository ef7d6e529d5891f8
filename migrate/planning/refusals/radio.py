"""A network that a device's radio cannot join, and two networks of one name.

What the playbook does not say of the access point is not checked. What a dialect does not say of
the radio counts as its default: the least that such radios can do.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from migrate.dialects.parts import Radio
from migrate.dialects.schema import Dialect
from migrate.model.playbook import LegPlaybook, Part, Wifi
from migrate.model.problems import Problem
from migrate.model.wifi import CHANNELS, Band, Security, bands_of, centre_frequency, is_psk
from migrate.planning.refusals.case import Case

NAMES: dict[Security, str] = {"wpa2-psk": "WPA2-PSK", "wpa3-sae": "WPA3-SAE"}
FLAG = "say so under [radio] in the dialect if the manual does"
A_KEY = "the secret is a key of 64 hexadecimal digits, which is for WPA2-PSK alone"
Fault = tuple[str, str]
"""What is wrong, and the remedy."""


def refusals(case: Case) -> Iterator[Problem]:
    """The network against itself, and against the radio of every device that is to join it."""
    yield from same_name(case)
    # A leg may put the new network into a spare slot first.
    part: Part = "wifi" if case.playbook.wifi else "spare-wifi"
    wifi = case.playbook.wifi or case.new.slots.wifi
    if not wifi:
        return
    key = wifi.secret is not None and is_psk(case.resolve(wifi.secret).reveal())
    yield from _contradictions(case, wifi, key=key)
    for alike in case.with_part(part):
        known: dict[tuple[int, ...] | None, list[Fault]] = {}
        for device in alike.devices:
            if (own := device.channels) not in known:
                known[own] = list(_faults(wifi, alike.dialect, own, key=key))
            for what, remedy in known[own]:
                yield Problem(what, remedy, device=device.name)


def same_name(case: Case) -> Iterator[Problem]:
    """Two networks of one name: nobody could be on both. The legs of a switchover know how."""
    if case.playbook.switches_over and not isinstance(case.playbook, LegPlaybook):
        yield case.about_change(
            "old and new network have the same name: devices cannot be on both, and none can "
            "be verified before the access point is changed",
            "give the new network another SSID, and keep both on air while you migrate",
            "wifi.ssid",
        )


def _methods(wifi: Wifi, bands: Sequence[Band] = ()) -> set[Security]:
    """How the network may be joined; where its owner does not say, by either.

    WPA3-SAE is nothing without protected management frames, and at 6 GHz there is nothing else
    (Wi-Fi Alliance WPA3 specification; from memory).
    """
    methods = set(wifi.security or NAMES)
    if wifi.pmf == "off":
        methods.discard("wpa3-sae")
    return methods & {"wpa3-sae"} if set(bands) == {"6 GHz"} else methods


def _contradictions(case: Case, wifi: Wifi, *, key: bool) -> Iterator[Problem]:
    """What no access point can be set to."""
    lost = [n for n in wifi.channels if wifi.bands and not set(bands_of(n)) & set(wifi.bands)]
    lost += [n for n in wifi.channels if not wifi.bands and not bands_of(n)]
    if lost:
        where = " or ".join(wifi.bands) or "any band"
        yield case.about_change(
            f"{_list(map(str, lost))} {'is' if len(lost) == 1 else 'are'} no 20 MHz channel of "
            f"{where}",
            "write the primary channels that the access point may choose, and their bands",
            "wifi.channels",
        )
    if set(wifi.security) == {"wpa3-sae"} and wifi.pmf == "off":
        yield case.about_change(
            "WPA3-SAE without protected management frames: there is no such network",
            'set pmf = "required", as the access point does',
            "wifi.pmf",
        )
    # Wi-Fi Alliance WPA3 specification: at 6 GHz WPA3 alone, frames protected (from memory).
    if "6 GHz" in wifi.bands and wifi.security and "wpa3-sae" not in _methods(wifi):
        yield case.about_change(
            "at 6 GHz there is WPA3 with protected management frames only, and the network offers "
            f"{_named(wifi.security)}" + (" without them" if wifi.pmf == "off" else ""),
            'add "wpa3-sae" to security and set pmf, or take "6 GHz" out of bands',
            "wifi.security",
        )
    elif set(wifi.bands) == {"6 GHz"} and wifi.pmf not in (None, "required"):
        yield case.about_change(
            f"at 6 GHz protected management frames are required, and pmf is {wifi.pmf!r}",
            'set pmf = "required", as the access point does',
            "wifi.pmf",
        )
    if set(wifi.security) == {"wpa3-sae"} and key:
        yield case.about_change(
            f"WPA3-SAE takes a passphrase; {A_KEY}",
            f"put a passphrase into the {wifi.secret}, on the access point as well",
            "wifi.secret",
        )


def _faults(
    wifi: Wifi, dialect: Dialect, own: tuple[int, ...] | None, *, key: bool
) -> Iterator[Fault]:
    radio, name = dialect.radio, dialect.name
    bands = [band for band in wifi.bands or radio.bands if band in radio.bands]
    if not bands:
        yield (
            f"the new network is at {_list(wifi.bands)}; the radio of dialect {name} is for "
            f"{_list(radio.bands)} only",
            f"let the access point offer {' or '.join(radio.bands)} as well, or leave the device "
            f"out{_or_say(radio, 'bands')}",
        )
    else:
        usable = frozenset(own if own is not None else radio.channels)
        bands, fault = _by_channels(wifi, bands, usable)
        if fault:
            what, remedy = fault
            more = "" if own is not None else _or_say(radio, "channels")
            yield f"{'this device' if own is not None else f'dialect {name}'} {what}", remedy + more
    yield from _by_security(wifi, radio, bands, name)
    if key and _methods(wifi, bands) & set(radio.security) == {"wpa3-sae"} != set(wifi.security):
        yield (
            f"can join by WPA3-SAE alone, which takes a passphrase; {A_KEY}",
            f"put a passphrase into the {wifi.secret}, on the access point as well",
        )
    if wifi.hidden and not radio.finds_hidden:
        yield (
            f"the new network is hidden, and dialect {name} does not find hidden networks",
            f"let the access point tell its name (hidden = false), or {FLAG}: finds_hidden = true",
        )


def _by_channels(
    wifi: Wifi, bands: list[Band], usable: frozenset[int]
) -> tuple[list[Band], Fault | None]:
    """The bands in which it can join whatever channel the access point chooses; if there is none,
    also the words for the one in which least is missing."""
    if not wifi.channels:
        return bands, None
    if not wifi.bands:
        # The owner wrote numbers alone, and some stand for a channel in two bands.
        every = [b for b in CHANNELS if all(b in bands_of(n) for n in wifi.channels)]
        some = [b for b in CHANNELS if any(b in bands_of(n) for n in wifi.channels)]
        there = [band for band in bands if band in (every or some)]
        if some and not there:
            return bands, (
                f"cannot use channel {_list(map(str, wifi.channels))}, which is at "
                f"{' or '.join(some)}: its radio is for {_list(bands)} only",
                f"let the access point use channels at {' or '.join(bands)} as well",
            )
        bands = there or bands
    missing = {
        band: [n for n in wifi.channels if band in bands_of(n) and n not in usable]
        for band in bands
    }
    joined = [band for band in bands if not missing[band]]
    if joined:
        return joined, None
    band = min(bands, key=lambda one: len(missing[one]))
    return bands, _channel_fault(wifi, band, missing[band], usable)


def _channel_fault(wifi: Wifi, band: Band, missing: Sequence[int], usable: frozenset[int]) -> Fault:
    may = [n for n in wifi.channels if band in bands_of(n)]
    left = [n for n in may if n in usable]
    words = _list(f"{n} ({centre_frequency(band, n)} MHz)" for n in missing)
    what = f"cannot use channel {words}, which the access point may choose"
    if not left:
        what += ", nor any other of its channels"
    if band == "2.4 GHz" and set(missing) & {12, 13}:
        what += "; 12 and 13 are not used in some regions"
    if band == "2.4 GHz" and 14 in missing:
        what += "; 14 is used in one region only"
    keep = left or sorted(n for n in usable if band in bands_of(n))
    only = f"channel{'s' if len(keep) > 1 else ''} {_list(map(str, keep))} only" if keep else ""
    remedy = f"let the access point use {only}, and say so in channels"
    return what, remedy if keep else "let the access point use channels that the device can use"


def _by_security(wifi: Wifi, radio: Radio, bands: Sequence[Band], name: str) -> Iterator[Fault]:
    offered = [one for one in NAMES if one in _methods(wifi, bands)]
    if not offered:
        return  # A contradiction of the playbook, told there.
    shared = [one for one in offered if one in radio.security]
    if not shared:
        yield (
            f"the new network asks for {_named(offered)}; dialect {name} has "
            f"{_named(radio.security)} only",
            f"let the access point offer {_named(radio.security)} as well, or leave the device out"
            + _or_say(radio, "security"),
        )
        return
    required = wifi.pmf == "required" or set(bands) == {"6 GHz"}
    if required and not radio.protects_frames and "wpa3-sae" not in shared:
        yield (
            "the new network requires protected management frames (PMF, IEEE 802.11w), which "
            f"dialect {name} has not",
            f'set PMF to optional on the access point and pmf = "optional" here, or {FLAG}: '
            "protects_frames = true",
        )


def _or_say(radio: Radio, key: str) -> str:
    """A further remedy where the owner said nothing of the radio, and the least counted."""
    said = key in radio.model_fields_set
    return "" if said else f"; or, if it can do more, say so: {key} under [radio] in the dialect"


def _named(security: Sequence[Security]) -> str:
    return " or ".join(NAMES[one] for one in security)


def _list(words: Sequence[str] | Iterator[str]) -> str:
    *first, last = words
    return f"{', '.join(first)} and {last}" if first else last
