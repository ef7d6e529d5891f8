"""The promise of `carrying` for families of every make: other signs, frames, escapes, places.

Whatever is composed goes through decoders that share no code with the project.
"""

from __future__ import annotations

import re
from typing import Any

import pytest
from hypothesis import HealthCheck, assume, event, given, settings
from hypothesis import strategies as st

from migrate.dialects.carrying import bundle_faults
from migrate.dialects.compose import write
from migrate.dialects.messages import MqttRequest, Request
from migrate.dialects.parts import JsonRpc, Lines
from migrate.dialects.schema import Dialect
from migrate.model.fleet import Transport
from migrate.model.secrets import Secret
from migrate.model.settings import Setting, Value
from tests.dialects.bundles import (
    BODY,
    HOSTILE,
    QUERY,
    TEXTS,
    bundles,
    json_dialects,
    line_dialects,
    made_up,
    told,
)
from tests.dialects.decoders import (
    Pairs,
    json_pairs,
    lines_pairs,
    query_of,
    strict_json,
)
from tests.dialects.samples import DEVICE, TRANSPORTS


def unpack(dialect: Dialect, transport: Transport, sent: Request) -> Pairs:
    """What a made-up device takes off the wire, by the words of its dialect."""
    limits, form = dialect.carries, dialect.write.message
    if isinstance(sent, MqttRequest):
        assert sent.topic == "made/t1/do"
        octets = sent.payload
    else:
        assert limits.target_octets is None or len(sent.target) <= limits.target_octets
        assert sent.target.isascii()
        if sent.body:
            assert (sent.method, sent.target) == (BODY["method"], BODY["path"])
            octets = sent.body
        else:
            query = query_of(sent.target)
            assert (query.pop("x"), query.pop("e")) == ("1&2", "")
            octets = query.pop("say").encode()
            assert not query
    assert len(octets) <= limits.message_octets
    text = octets.decode("utf-8")
    assert text.isascii() or not limits.ascii_only
    if isinstance(form, Lines):
        return lines_pairs(
            text,
            before=form.before,
            after=form.after,
            separator=form.separator,
            assign=form.assign,
            percent=form.escape == "percent",
        )
    document = strict_json(text)
    if not isinstance(form, JsonRpc):
        return json_pairs(document)
    assert (document["jsonrpc"], document["method"]) == ("2.0", 'set "it"')
    assert document["params"].pop("slot") == 1
    return json_pairs(document["params"])


def path_of(dialect: Dialect, setting: Setting) -> tuple[str, ...]:
    name = dialect.settings[setting].name
    if isinstance(dialect.write.message, Lines):
        return (name,)
    return tuple(part.replace("~1", "/").replace("~0", "~") for part in name[1:].split("/"))


def in_words(dialect: Dialect, setting: Setting, value: Value) -> str | int | bool:
    plain, words = told(value), dialect.settings[setting].words
    if not isinstance(dialect.write.message, Lines):
        return plain
    if isinstance(plain, bool) and words is not None:
        return words.true if plain else words.false
    return str(plain)


def arrives(dialect: Dialect, transport: Transport, bundle: dict[Setting, Value]) -> bool:
    """Refused (False), or taken off the wire exactly as it was and within every limit (True)."""
    faults = bundle_faults(dialect, DEVICE, transport, bundle)
    if faults:
        return False
    pairs = unpack(dialect, transport, write(dialect, DEVICE, transport, bundle, 2**31))
    expected = {path_of(dialect, one): in_words(dialect, one, v) for one, v in bundle.items()}
    assert pairs == expected
    for setting, value in bundle.items():
        plain, limits = told(value), dialect.carries
        if not isinstance(plain, str):
            continue
        most = dialect.settings[setting].max_octets
        assert most is None or len(plain.encode()) <= most
        assert plain or dialect.settings[setting].empty
        assert not limits.trims or plain == plain.strip()
        assert limits.control or not re.search(r"[\x00-\x1f\x7f-\x9f]", plain)
        assert not any(part in plain for part in limits.cannot)
    return True


@settings(max_examples=600, suppress_health_check=list(HealthCheck))
@given(st.data(), line_dialects(), st.sampled_from(TRANSPORTS))
def test_any_family_of_statements(
    data: st.DataObject, dialect: Dialect | None, transport: Transport
) -> None:
    assume(dialect is not None)
    assert dialect is not None
    form = dialect.write.message
    assert isinstance(form, Lines)
    signs = [*form.separator, *form.assign, *form.after, form.separator, form.assign]
    signs += ["%", "%3B", "%25", "%2", "3B", "a"]
    texts = TEXTS | st.lists(st.sampled_from(signs), max_size=6).map("".join)
    carried = arrives(dialect, transport, data.draw(bundles(dialect, texts)))
    event("carried" if carried else "refused")


@settings(max_examples=300, suppress_health_check=list(HealthCheck))
@given(st.data(), json_dialects(), st.sampled_from(TRANSPORTS))
def test_any_family_of_documents(
    data: st.DataObject, dialect: Dialect | None, transport: Transport
) -> None:
    assert dialect is not None
    carried = arrives(dialect, transport, data.draw(bundles(dialect)))
    event("carried" if carried else "refused")


# The same without chance: every hostile text in families of the usual makes.
@pytest.mark.parametrize("place", [QUERY, BODY], ids=["query", "body"])
@pytest.mark.parametrize("escape", ["none", "percent"])
@pytest.mark.parametrize("frame", [("", ""), ('set "', '"'), ("<", ">\n"), ("", ";;")])
@pytest.mark.parametrize("separator", [";", "&", "\n", "; ", "%3B", "A"])
@pytest.mark.parametrize("assign", ["=", ": ", "%3D"])
def test_hostile_texts(
    place: dict[str, Any], escape: str, frame: tuple[str, str], separator: str, assign: str
) -> None:
    before, after = frame
    message = {"form": "lines", "separator": separator, "assign": assign, "escape": escape}
    words = {
        "wifi.ssid": {"name": "net"},
        "wifi.secret": {"name": "key"},
        "group.topic": {"name": "group"},
    }
    carries = {"message_octets": 20_000, "control": True}
    dialect = made_up({**message, "before": before, "after": after}, words, place, carries)
    assert dialect is not None
    carried = set()
    for text in HOSTILE:
        bundle: dict[Setting, Value] = {
            Setting.WIFI_SSID: text,
            Setting.WIFI_SECRET: Secret(text),
            Setting.GROUP_TOPIC: text,
        }
        if arrives(dialect, "http", bundle):
            carried.add(text)
    assert carried >= {"correct-horse-battery", "a#b?c-d", "no", "00123456"}
    if escape == "percent" and separator == ";":
        # Escapes carry everything that has octets (RFC 3986 section 2.1).
        assert carried == {text for text in HOSTILE if text != "\ud83c"}


def test_an_end_sign_over_the_seam_of_two_statements() -> None:
    # "a=" and ";" and "b=1" hold "=;" although no value does.
    message = {"form": "lines", "separator": ";", "after": "=;"}
    words = {"wifi.ssid": {"name": "net"}, "wifi.secret": {"name": "key"}}
    dialect = made_up(message, words, BODY, {})
    assert dialect is not None
    bundle: dict[Setting, Value] = {Setting.WIFI_SSID: "", Setting.WIFI_SECRET: Secret("12345678")}
    assert any("too early" in fault for fault in bundle_faults(dialect, DEVICE, "http", bundle))


@pytest.mark.parametrize(("yes", "no"), [("on;", "off"), ("y", "n;")])
def test_the_words_for_yes_and_no_are_looked_at_too(yes: str, no: str) -> None:
    words = {
        "broker.host": {"name": "host"},
        "broker.password": {"name": "pass"},
        "broker.tls": {"name": "tls", "words": {"true": yes, "false": no}},
    }
    dialect = made_up({"form": "lines", "separator": ";"}, words, BODY, {})
    assert dialect is not None
    for value in (True, False):
        faults = bundle_faults(dialect, DEVICE, "http", {Setting.BROKER_TLS: value})
        assert bool(faults) == (";" in (yes if value else no))


def test_a_number_may_hold_the_separator() -> None:
    words = {"broker.host": {"name": "a"}, "broker.password": {"name": "b"}}
    words["broker.port"] = {"name": "c"}
    dialect = made_up({"form": "lines", "separator": "8"}, words, BODY, {})
    assert dialect is not None
    for port, fits in ((1883, False), (9001, True)):
        assert (bundle_faults(dialect, DEVICE, "http", {Setting.BROKER_PORT: port}) == []) == fits
