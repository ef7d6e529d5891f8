"""From answers to a dialect: the questions, and the commented file that comes of them.

The questions are a table. Whoever asks them, a terminal or a file of answers, checks each answer by
`Question.fault`, and the text that comes of all of them reads as a dialect.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from migrate.dialects.patterns import pattern_fault
from migrate.dialects.toml_lines import line
from migrate.model.eui48 import parse_mac
from migrate.model.mqtt import topic_fault

Answers = Mapping[str, str]
FORMS = {"json": "merge-patch", "rpc": "json-rpc", "lines": "lines"}
NONE = "-"
"""The answer for what a family does not have."""
DEEPEST = 12
LONGEST_PROPOSAL = 100


@dataclass(frozen=True)
class Question:
    """One question. `default`: "" where there is none. `asked` says by the answers so far whether
    it has to be asked; `fault` why an answer cannot be taken, empty if it can."""

    key: str
    words: str
    default: str = ""
    asked: Callable[[Answers], bool] = lambda answers: True
    fault: Callable[[str], str] = lambda answer: ""


def _name(answer: str) -> str:
    if re.fullmatch(r"[a-z][a-z0-9-]{0,39}", answer):
        return ""
    return "small letters, digits and hyphens, at most 40, a letter first"


def _words(answer: str) -> str:
    return "" if answer.strip() and answer.isprintable() and len(answer) <= 100 else "needs words"


def _one_of(*known: str) -> Callable[[str], str]:
    return lambda answer: "" if answer in known else f"one of: {', '.join(known)}"


def _path(answer: str) -> str:
    fits = answer.isprintable() and re.fullmatch(r"/[^?#\s]*", answer)
    return "" if fits else "begins with a slash; no ?, # or blank"


def _topic(answer: str) -> str:
    return topic_fault(re.sub(r"\{(topic|mac|name)\}", "x", answer)) or ""


def _setting(answer: str) -> str:
    return "" if answer == NONE or _words(answer) == "" else "a name, or - if it has none"


def _number(answer: str) -> str:
    fits = answer.isdecimal() and len(answer) <= 6 and int(answer) >= 16
    return "" if fits else "a whole number of octets, at least 16"


def _separator(answer: str) -> str:
    return "" if 1 <= len(unescaped(answer)) <= 8 else "1 to 8 characters; write a line end as \\n"


def unescaped(answer: str) -> str:
    """An answer with line ends and tabs written out."""
    return answer.replace("\\r", "\r").replace("\\n", "\n").replace("\\t", "\t")


def _place(answer: str) -> str:
    """A JSON Pointer, or the words in front of a reading."""
    return "" if answer and answer.isprintable() else "needs words"


def _has(transport: str) -> Callable[[Answers], bool]:
    return lambda answers: answers["over"] in (transport, "both")


def _is(form: str) -> Callable[[Answers], bool]:
    return lambda answers: answers["form"] == form


def _knows(key: str) -> Callable[[Answers], bool]:
    return lambda answers: answers.get(key, NONE) != NONE


QUESTIONS: tuple[Question, ...] = (
    Question("name", "What do you call this family? (such as alder)", fault=_name),
    Question("about", "In a few words, what is it?", "from my manual", fault=_words),
    Question(
        "over", "Is it talked to over http, mqtt, or both?", "http",
        fault=_one_of("http", "mqtt", "both"),
    ),
    Question(
        "form",
        "How are several settings written in one message? json: one JSON document; rpc: a JSON-RPC "
        "2.0 request; lines: text such as name=value",
        "json",
        fault=_one_of("json", "rpc", "lines"),
    ),
    Question("write_method", "The name of the remote procedure that sets them?", asked=_is("rpc"),
             fault=_words),
    Question("read_method", "And of the one that tells everything?", asked=_is("rpc"),
             fault=_words),
    Question("separator", "What stands between two settings? (a line end is \\n)", ";",
             asked=_is("lines"), fault=_separator),
    Question("assign", "And between name and value?", "=", asked=_is("lines"), fault=_separator),
    Question("http_method", "HTTP: by which method are settings written?", "POST",
             asked=_has("http"), fault=_one_of("POST", "PUT", "PATCH", "GET")),
    Question("http_write", "HTTP: at which path?", "/settings", asked=_has("http"), fault=_path),
    Question("http_query", "HTTP: in which part of the query does the message stand? Say - "
             "if it is the body", NONE, asked=_has("http"), fault=_setting),
    Question("http_read", "HTTP: at which path does it tell everything?", "/state",
             asked=lambda a: _has("http")(a) and not _is("rpc")(a), fault=_path),
    Question("http_auth", "HTTP: does it ask for a login? none, basic, digest or bearer", "none",
             asked=_has("http"), fault=_one_of("none", "basic", "digest", "bearer")),
    Question("mqtt_write", "MQTT: on which topic does it take settings? {topic} is the device's "
             "own word", "{topic}/settings", asked=_has("mqtt"), fault=_topic),
    Question("mqtt_answer", "MQTT: on which topic does it answer?", "{topic}/answer",
             asked=_has("mqtt"), fault=_topic),
    Question("mqtt_read", "MQTT: on which topic is it asked for everything?", "{topic}/tell",
             asked=lambda a: _has("mqtt")(a) and not _is("rpc")(a), fault=_topic),
    Question("mqtt_told", "MQTT: on which topic does it tell that?", "{topic}/state",
             asked=lambda a: _has("mqtt")(a) and not _is("rpc")(a), fault=_topic),
    Question("mqtt_presence", "MQTT: on which topic does it say that it is there? Say - if on none",
             NONE, asked=_has("mqtt"), fault=lambda a: "" if a == NONE else _topic(a)),
    Question("online", "And the word for it?", "online", asked=_knows("mqtt_presence"),
             fault=_words),
    Question("offline", "And the word for that it is gone?", "offline",
             asked=_knows("mqtt_presence"), fault=_words),
    Question("taken", "A part of its answer that only a yes has? (some words of it; say - if HTTP "
             "status 200 alone says yes)", NONE, asked=lambda a: not _is("rpc")(a), fault=_place),
    Question("mac", "Where does it tell its MAC? In JSON a pointer such as /mac; in text the "
             "words in front of it", "/mac", fault=_place),
    Question("firmware", "And its firmware version? Say - if nowhere", NONE, fault=_place),
    Question("wifi_name", "What is the name of the Wi-Fi network called when it is written? Say - "
             "if it has no such setting", NONE, fault=_setting),
    Question("wifi_read", "Where does it tell that name? Say - if nowhere", NONE,
             asked=_knows("wifi_name"), fault=_place),
    Question("wifi_key", "What is its passphrase called?", asked=_knows("wifi_name"), fault=_words),
    Question("broker_host", "What is the broker's host called? Say - if it has no such setting",
             NONE, fault=_setting),
    Question("broker_read", "Where does it tell that host? Say - if nowhere", NONE,
             asked=_knows("broker_host"), fault=_place),
    Question("broker_user", "What is the user name there called?", asked=_knows("broker_host"),
             fault=_words),
    Question("broker_password", "And the password there?", asked=_knows("broker_host"),
             fault=_words),
    Question("restarts", "Does it restart by itself after such a change? yes or no", "yes",
             fault=_one_of("yes", "no")),
    Question("restart", "How is it told to restart? A path, topic or procedure, as above",
             "/restart", asked=lambda a: a["restarts"] == "no", fault=_place),
    Question("octets", "How many octets may one message have?", "255", fault=_number),
)  # fmt: skip
"""In the order in which they are asked."""


def together(answers: Answers) -> str:
    """What does not fit together in the answers so far, empty if nothing: asked after each."""
    if (answers.get("wifi_name"), answers.get("broker_host")) == (NONE, NONE):
        return "it has a setting neither for the network nor for the broker: nothing could be moved"
    return ""


def asked(answers: Answers) -> Question | None:
    """The next question, by the answers so far; None when there is none left."""
    for question in QUESTIONS:
        if question.key not in answers and question.asked(answers):
            return question
    return None


def dialect_text(answers: Answers) -> str:
    """The commented file. All questions that are asked must be answered without a fault; what does
    not fit together all the same is seen when the text is read as a dialect."""
    return "\n".join(_lines(answers)) + "\n"


def proposals(reply: str) -> dict[str, str]:
    """Answers that a sample of what a device tells suggests: where its MAC stands, in JSON a
    pointer (RFC 6901), in text what stands before it on its line."""
    try:
        data = json.loads(reply)
    except (ValueError, RecursionError):
        for row in reply.splitlines():
            for found in re.finditer(r"[0-9A-Fa-f]{2}([-:][0-9A-Fa-f]{2}){5}", row):
                if _is_mac(found[0]) and found.start():
                    return _proposal(row[: found.start()].strip())
        return {}
    pointers = [pointer for pointer, value in _texts(data, "", 0) if _is_mac(value)]
    return _proposal(pointers[0]) if pointers else {}


def _proposal(mac: str) -> dict[str, str]:
    """A device chose these words: they are shown and taken only if they could be an answer."""
    return {"mac": mac} if mac.isprintable() and len(mac) <= LONGEST_PROPOSAL else {}


def _texts(data: Any, at: str, deep: int) -> Iterator[tuple[str, str]]:
    if isinstance(data, str):
        yield at, data
    if deep > DEEPEST:
        return
    items: Iterable[tuple[Any, Any]] = data.items() if isinstance(data, dict) else ()
    for key, value in enumerate(data) if isinstance(data, list) else items:
        step = str(key).replace("~", "~0").replace("/", "~1")
        yield from _texts(value, f"{at}/{step}", deep + 1)


def _is_mac(text: str) -> bool:
    try:
        parse_mac(text)
    except ValueError:
        return False
    return True


def _lines(a: Answers) -> Iterator[str]:
    name, rpc, text = a["name"], a["form"] == "rpc", a["form"] == "lines"
    yield "#:schema ./dialect.schema.json"
    yield f"# {name}: written from answers. Go through it with the manual, then try it:"
    yield f"#     migrate dialect try dialects/{name}.toml --fleet fleet.toml --device NAME"
    yield "# What every key means: docs/files.md; step by step: docs/writing-a-dialect.md"
    yield ""
    yield line("name", name)
    yield line("about", a["about"])
    yield "# How long it is gone when it restarts, in seconds:"
    yield "# restart_seconds = { least = 5, most = 20 }"
    yield ""
    yield "# What its radio can do, so that a network that it cannot join is refused:"
    yield "# [radio]"
    yield '# bands = ["2.4 GHz"]'
    yield '# security = ["wpa2-psk"]'
    yield ""
    yield "[carries]"
    yield "# Too small a limit costs a refusal, too large a one costs a ladder."
    yield line("message_octets", int(a["octets"]))
    yield "# Say here what no value may hold; migrate bench finds it out on a spare device."
    yield '# cannot = [";"]'
    yield "# ascii_only = true"
    yield "# trims = true"
    yield ""
    if "http_method" in a:
        yield "[http]"
        yield "port = 80"
        yield line("auth", a["http_auth"])
        yield ""
    yield from _write(a, rpc=rpc, text=text)
    yield from _read(a, rpc=rpc)
    if a["restarts"] == "no":
        yield "[restart]"
        yield from _restart(a, rpc=rpc)
    if "mqtt_presence" in a and a["mqtt_presence"] != NONE:
        yield "# Where it says by itself that it is there, and that it is gone."
        yield "[presence]"
        yield line("topic", a["mqtt_presence"])
        yield line("online", a["online"])
        yield line("offline", a["offline"])
        yield ""
    yield "# The MAC proves who answers."
    yield "[readings]"
    yield line("mac", _reading(a["mac"], text=text))
    if a["firmware"] != NONE:
        yield line("firmware", _reading(a["firmware"], text=text))
    yield "# If it tells how long it has been up, a restart is seen by that:"
    yield '# uptime = { pointer = "/uptime" }'
    yield ""
    yield from _settings(a, text=text)


def _write(a: Answers, *, rpc: bool, text: bool) -> Iterator[str]:
    yield "# All settings of one change go into one message, never into two."
    yield "[write]"
    form: dict[str, Any] = {"form": FORMS[a["form"]]}
    if rpc:
        form["method"] = a["write_method"]
    if text:
        form |= {"separator": unescaped(a["separator"]), "assign": unescaped(a["assign"])}
    yield line("message", form)
    if "http_method" in a:
        place: dict[str, Any] = {"method": a["http_method"], "path": a["http_write"]}
        if a["http_query"] != NONE:
            place["query"] = {a["http_query"]: "{message}"}
        else:
            kind = "text/plain" if text else "application/json"
            place |= {"headers": {"Content-Type": kind}, "body": "{message}"}
        yield line("http", place)
    if "mqtt_write" in a:
        yield line("mqtt", {"topic": a["mqtt_write"], "reply": a["mqtt_answer"]})
    if not rpc:
        rule: dict[str, Any] = {"status": [200]}
        if a["taken"] != NONE:
            rule = {"pattern": re.escape(a["taken"])}
        yield "# How a yes looks. Say as well how a no looks, if the manual tells:"
        yield line("taken", rule)
        yield "# declined = { pattern = 'no' }"
    after = ["wifi"] if a["wifi_name"] != NONE else []
    after += ["broker"] if a["broker_host"] != NONE else []
    yield "# After which changes it restarts by itself:"
    yield line("restarts_on", after if a["restarts"] == "yes" else [])
    yield ""


def _read(a: Answers, *, rpc: bool) -> Iterator[str]:
    yield "# By this it tells everything that is read. It must change nothing."
    yield "[read]"
    if rpc:
        yield line("message", {"form": "json-rpc", "method": a["read_method"]})
    if "http_method" in a and rpc:
        kind = {"Content-Type": "application/json"}
        place = {"method": "POST", "path": a["http_write"], "headers": kind, "body": "{message}"}
        if a["http_query"] != NONE:
            place = {"path": a["http_write"], "query": {a["http_query"]: "{message}"}}
        yield line("http", place)
    elif "http_method" in a:
        yield line("http", {"method": "GET", "path": a["http_read"]})
    if "mqtt_write" in a:
        topic = a["mqtt_write"] if rpc else a["mqtt_read"]
        told = a["mqtt_answer"] if rpc else a["mqtt_told"]
        yield line("mqtt", {"topic": topic, "reply": told})
    yield ""


def _restart(a: Answers, *, rpc: bool) -> Iterator[str]:
    if rpc:
        yield line("message", {"form": "json-rpc", "method": a["restart"]})
    if "http_method" in a:
        place: dict[str, Any] = {"method": "POST", "path": a["restart"]}
        if rpc:
            place = {"method": "POST", "path": a["http_write"], "body": "{message}"}
        elif not a["restart"].startswith("/"):
            place["path"] = f"/{a['restart']}"
        yield line("http", place)
    if "mqtt_write" in a:
        topic = a["mqtt_write"] if rpc else a["restart"].lstrip("/")
        yield line("mqtt", {"topic": topic, "reply": a["mqtt_answer"]})
    yield ""


def _settings(a: Answers, *, text: bool) -> Iterator[str]:
    if a["wifi_name"] != NONE:
        yield "# The network's name and its passphrase must travel together."
        yield '[settings."wifi.ssid"]'
        yield from _word(a["wifi_name"], a["wifi_read"], text=text)
        yield "max_octets = 32"
        yield "empty = false"
        yield ""
        yield '[settings."wifi.secret"]'
        yield from _word(a["wifi_key"], NONE, text=text)
        yield "empty = false"
        yield ""
    if a["broker_host"] != NONE:
        yield "# A broker's host goes with its login. Add broker.port if it can be set."
        yield '[settings."broker.host"]'
        yield from _word(a["broker_host"], a["broker_read"], text=text)
        yield ""
        yield '[settings."broker.username"]'
        yield from _word(a["broker_user"], NONE, text=text)
        yield ""
        yield '[settings."broker.password"]'
        yield from _word(a["broker_password"], NONE, text=text)
        yield ""


def _word(name: str, read: str, *, text: bool) -> Iterator[str]:
    yield line("name", name if text or name.startswith("/") else f"/{name}")
    if read != NONE:
        yield line("read", _reading(read, text=text))


def _reading(answer: str, *, text: bool) -> dict[str, str]:
    """A pointer into JSON, or a pattern: what stands after these words on the line."""
    if not text:
        return {"pointer": answer if answer.startswith("/") else f"/{answer}"}
    pattern = rf"^{re.escape(answer)}\s*(?P<value>.*)$"
    return {"pattern": pattern if not pattern_fault(pattern) else "(?P<value>.*)"}
