"""From a reply to an answer or to readings. Whatever a device says, nothing here raises but
`NotUnderstood`, and what it says is quoted only after the caller has cleaned it of secrets."""

from __future__ import annotations

import json
from functools import lru_cache
from typing import Any

import jsonpointer
from regex import Match

from migrate.dialects.messages import (
    Answer,
    Declined,
    Readings,
    Reply,
    Switched,
    Taken,
    Unclear,
)
from migrate.dialects.parts import Ask, JsonRpc, Output, Reading, Rule, Word, Write
from migrate.dialects.patterns import TooSlow, search
from migrate.dialects.schema import Dialect
from migrate.model.eui48 import parse_mac
from migrate.model.settings import FLAGS, NUMBERS, SECRETS, Bundle, Setting

REASON_LENGTH = 200
READING_LENGTH = 1024
"""Characters: what is longer is not the reading of a setting, and is taken for not told."""
SIGNAL_DBM = range(-127, 1)
"""How strongly a radio can hear its access point, in dBm: RSSI and RCPI of IEEE Std 802.11 are told
in this unit. What lies outside is a percentage, or no reading."""
_MISSING = object()


class NotUnderstood(Exception):
    """A reply that is not what the dialect describes; the words say in what."""


def answer(dialect: Dialect, what: Write | Ask, reply: Reply, expects_id: int | None) -> Answer:
    """What the device says of a write or restart."""
    try:
        return _answer(dialect, what, reply, expects_id)
    except NotUnderstood as error:
        return Unclear(str(error))


def _answer(dialect: Dialect, what: Write | Ask, reply: Reply, expects_id: int | None) -> Answer:
    try:
        document = _document(reply, needs_json=isinstance(what.message, JsonRpc))
    except NotUnderstood as error:
        document, broken = _MISSING, str(error)
    else:
        broken = ""
    if isinstance(what.message, JsonRpc) and not broken:
        verdict = _rpc_answer(document, reply, expects_id)
        if verdict is not None:
            return verdict
        good = what.taken is None or _holds(what.taken, reply, document)
        return Taken() if good else Unclear("the result is not what the dialect calls taken")
    declined = isinstance(what, Write) and what.declined and _holds(what.declined, reply, document)
    taken = bool(what.taken and _holds(what.taken, reply, document))
    if taken and declined:
        return Unclear("the reply says both taken and declined")
    if isinstance(what, Write) and declined:
        return Declined(_reason(what.reason, reply, document))
    if taken:
        return Taken()
    return Unclear(broken or f"the reply{_status(reply)} says neither taken nor declined")


def readings(dialect: Dialect, reply: Reply, expects_id: int | None) -> Readings:
    """What the device says of itself. Raises NotUnderstood."""
    what = dialect.read
    if reply.status == 401:
        raise NotUnderstood("the device asks for another user name or password (401)")
    if reply.status is not None and not 200 <= reply.status < 300:
        raise NotUnderstood(f"the reply has HTTP status {reply.status}")
    if what.taken and what.taken.status and reply.status not in (None, *what.taken.status):
        raise NotUnderstood(f"the reply has HTTP status {reply.status}")
    document = _document(reply, needs_json=isinstance(what.message, JsonRpc))
    if isinstance(what.message, JsonRpc):
        verdict = _rpc_answer(document, reply, expects_id)
        if verdict is not None:
            words = verdict.reason if isinstance(verdict, Declined) else verdict.why
            raise NotUnderstood(f"the read was not answered: {words}")
        document = document["result"]
    ident = dialect.readings
    said_mac = _find(ident.mac, reply, document)
    if said_mac is _MISSING:
        raise NotUnderstood(f"the reply{_status(reply)} has no MAC where the dialect says")
    try:
        mac = parse_mac(_words(said_mac))
    except ValueError:
        raise NotUnderstood("what stands where the MAC should is not a MAC address") from None
    settings = {}
    for setting, word in dialect.settings.items():
        if word.read is not None and setting not in SECRETS:
            found = _find(word.read, reply, document)
            if found is not _MISSING and found is not None:
                told = _typed(setting, word, found)
                if not isinstance(told, str) or len(told) <= READING_LENGTH:
                    settings[setting] = told
    uptime = _find(ident.uptime, reply, document)
    return Readings(
        mac,
        settings,
        _text(_find(ident.firmware, reply, document)),
        _text(_find(ident.address, reply, document)),
        _number(uptime),
        {
            name: state
            for name, output in dialect.outputs.items()
            if (state := _state(output, _find(output.read, reply, document))) is not None
        },
        signal_dbm=_signal(_find(ident.signal, reply, document)),
        harmless={
            name: said
            for name, one in dialect.harmless.items()
            if isinstance(said := _find(one.read, reply, document), str)
            and len(said) <= READING_LENGTH
        },
    )


def differences(target: Bundle, found: Readings, dialect: Dialect) -> list[Setting]:
    """Settings of the target that can be read and do not read as they should."""
    return [
        setting
        for setting, value in target.items()
        if setting not in SECRETS
        and (word := dialect.settings.get(setting)) is not None
        and word.read is not None
        and (setting not in found.settings or found.settings[setting] != value)
    ]


def _document(reply: Reply, *, needs_json: bool) -> Any:
    try:
        text = reply.body.decode("utf-8")
    except UnicodeDecodeError:
        raise NotUnderstood("the reply is not UTF-8 text") from None
    try:
        return json.loads(text)
    except (ValueError, RecursionError):
        if needs_json:
            raise NotUnderstood(f"the reply{_status(reply)} is not whole JSON") from None
        return _MISSING


def _rpc_answer(document: Any, reply: Reply, expects_id: int | None) -> Declined | Unclear | None:
    """None for a result; JSON-RPC 2.0 section 5.

    An error without an id answers a request that could not be read. Over HTTP that was ours; on a
    topic it may have been somebody else's.
    """
    if not isinstance(document, dict) or document.get("jsonrpc") != "2.0":
        return Unclear("the reply is not a JSON-RPC 2.0 response")
    error = document.get("error")
    same = document.get("id") == expects_id and not isinstance(document.get("id"), bool)
    ours = same or (document.get("id") is None and reply.status is not None)
    if isinstance(error, dict) and ours:
        if document.get("result") is not None:
            return Unclear("the response has both a result and an error")
        said, code = error.get("message", "no words"), error.get("code", "?")
        return Declined(_shown(f"{_words(said)} (error {_words(code)})"))
    if not same:
        return Unclear("the reply answers another request")
    return None if "result" in document else Unclear("the response has neither result nor error")


def _holds(rule: Rule, reply: Reply, document: Any) -> bool:
    if rule.status and reply.status is not None and reply.status not in rule.status:
        return False
    if rule.pointer is not None:
        found = _resolve(rule.pointer, document)
        if found is _MISSING:
            return False
        if rule.equals is not None and (
            type(found) is not type(rule.equals) or found != rule.equals
        ):
            return False
    if rule.pattern and not _matches(rule.pattern, reply):
        return False
    # A rule of statuses alone says nothing over MQTT, where there are none.
    return not (rule.pointer is None and rule.pattern is None and reply.status is None)


def _reason(where: Reading | None, reply: Reply, document: Any) -> str:
    try:
        found = _find(where, reply, document)
    except NotUnderstood:
        found = _MISSING  # that it declined is known all the same
    return "no words" if found is _MISSING else _shown(_words(found))


def _find(where: Reading | None, reply: Reply, document: Any) -> Any:
    if where is None:
        return _MISSING
    if where.pointer is not None:
        return _resolve(where.pointer, document)
    found = _matches(where.pattern or "", reply)
    return _MISSING if found is None or found["value"] is None else found["value"]


def _matches(pattern: str, reply: Reply) -> Match[str] | None:
    try:
        return search(pattern, _lines(reply))
    except TooSlow:
        raise NotUnderstood(
            "a pattern of the dialect takes too long on this reply; make it simpler"
        ) from None


@lru_cache(maxsize=1024)
def _pointer(text: str) -> jsonpointer.JsonPointer:
    return jsonpointer.JsonPointer(text)


def _resolve(pointer: str, document: Any) -> Any:
    if document is _MISSING:
        return _MISSING
    try:
        found = _pointer(pointer).resolve(document, _MISSING)
    except (jsonpointer.JsonPointerException, TypeError, ValueError):
        return _MISSING
    # "-" names the item behind the last one, and there is none (RFC 6901 section 4).
    return _MISSING if isinstance(found, jsonpointer.EndOfList) else found


def _typed(setting: Setting, word: Word, found: Any) -> str | int | bool:
    if setting in FLAGS:
        if word.words is not None:
            return {word.words.true: True, word.words.false: False}.get(
                _words(found), _words(found)
            )
        return found if isinstance(found, bool) else _words(found)
    if setting in NUMBERS:
        number = _number(found)
        return int(number) if number is not None and number.is_integer() else _words(found)
    return _words(found)


def _state(output: Output, found: Any) -> Switched | None:
    """The state of an output; None for what is none."""
    if output.holds == "level":
        return _number(found)
    if output.words is not None and not isinstance(found, bool):
        # A family may take `on` and tell `true`; nothing else is a guess worth making.
        return {output.words.true: True, output.words.false: False}.get(_words(found))
    return found if isinstance(found, bool) else None


def _number(found: Any) -> float | None:
    if found is _MISSING or found is None or isinstance(found, bool):
        return None
    try:
        number = float(found)
    except (ValueError, TypeError, OverflowError):
        return None
    return number if abs(number) < 1e15 else None


def _signal(found: Any) -> int | None:
    """A signal strength; None for what cannot be one, such as a percentage."""
    number = _number(found)
    if number is None or not SIGNAL_DBM[0] <= number <= SIGNAL_DBM[-1]:
        return None
    return round(number)


def _text(found: Any) -> str | None:
    return None if found is _MISSING or found is None else _shown(_words(found))


def _lines(reply: Reply) -> str:
    return reply.body.decode("utf-8", "replace").replace("\r\n", "\n")


def _words(found: Any) -> str:
    """Anything in a reply as text; half character pairs, which JSON can hold, become U+FFFD."""
    try:
        text = str(found)
    except RecursionError:
        return "something nested too deeply"
    return text.encode("utf-16-le", "surrogatepass").decode("utf-16-le", "replace")


def _shown(words: str) -> str:
    """Words fit for a terminal: on one line, without control characters, of limited length."""
    return "".join(char if char.isprintable() else "\ufffd" for char in words[:REASON_LENGTH])


def _status(reply: Reply) -> str:
    return "" if reply.status is None else f" (HTTP {reply.status})"
