"""`migrate dialect`: write one, try one."""

from __future__ import annotations

import asyncio
import sys
import textwrap
import tomllib
from pathlib import Path
from typing import Annotated

import typer

from migrate.cli.common import err, out, problems_in_words, secret_reader
from migrate.cli.thing import from_thing
from migrate.dialects.messages import Reply
from migrate.dialects.schema import Dialect
from migrate.dialects.toml_lines import line
from migrate.dialects.writing import QUESTIONS, asked, dialect_text, proposals, together
from migrate.engine.trying import Heard, read_once
from migrate.model.fleet import Device
from migrate.model.parsing import parse_fleet, parse_toml
from migrate.model.playbook import old_side
from migrate.model.problems import BadFile, Exit, Problem
from migrate.ports.files import is_there, read_dialect, read_playbook, read_text, write_private
from migrate.ports.sockets import broker_address
from migrate.views.dialect import show_messages, show_reply
from migrate.views.lines import say

dialect = typer.Typer(
    name="dialect",
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,
    help="Describe how a family of devices is talked to.",
)
REPLY_SECONDS = 5.0


@dialect.command("new")
def new(
    to: Annotated[
        Path | None,
        typer.Option(
            "--to",
            metavar="FILE",
            help="Where to write it; without it, dialects/NAME.toml.",
            show_default=False,
        ),
    ] = None,
    answers: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE", help="Answers in a file of TOML, for scripts.", show_default=False
        ),
    ] = None,
    reply: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE",
            help="Something the device told, saved as it came: it suggests where its MAC stands.",
            show_default=False,
        ),
    ] = None,
) -> None:
    """Answer a few questions, and get a dialect to complete.

    Have the device's manual at hand. What is written reads as a dialect at once, with comments on
    what else the manual may tell. No device is asked.

    Example: migrate dialect new
    """
    with problems_in_words():
        given = _given(answers) if answers else {}
        suggested = proposals(read_text(reply)) if reply else {}
        told = _asked_of_file(given, answers) if answers else _asked_of_person(suggested)
        place = to or Path("dialects") / f"{told['name']}.toml"
        if is_there(place):
            what = "is there already: it is not written over"
            raise BadFile(Problem(what, "name another file with --to", str(place)))
        text = dialect_text(told)
        try:
            parse_toml(text, Dialect, "these answers", Path())
        except BadFile:
            if not answers:
                _keep(told)
            raise
        write_private(place, text)
        say(out, f"Written to {place}. Go through it with the manual, then try it:", whole=True)
        name = f"migrate dialect try {place} --fleet fleet.toml --device NAME"
        say(out, name, indent=2, whole=True)


def _keep(told: dict[str, str]) -> None:
    """Answers that do not fit together are not lost to whoever typed them."""
    say(err, "your answers, to be corrected in a file for --answers:")
    for key, answer in told.items():
        say(err, line(key, answer), indent=2, whole=True)


def _given(path: Path) -> dict[str, str]:
    try:
        data = tomllib.loads(read_text(path))
    except (tomllib.TOMLDecodeError, RecursionError, ValueError) as error:
        what = f"is not TOML: {str(error)[:200]}"
        raise BadFile(Problem(what, 'write key = "answer"', str(path))) from None
    known = {question.key for question in QUESTIONS}
    problems = [
        Problem("answers no question", f"known: {', '.join(sorted(known))}", str(path), key[:60])
        if key not in known
        else Problem("must be text", "write it in quotes", str(path), key)
        for key, value in data.items()
        if key not in known or not isinstance(value, str)
    ]
    if problems:
        raise BadFile(problems)
    return data


def _asked_of_file(given: dict[str, str], path: Path) -> dict[str, str]:
    """Every question answered from a file, or by its default. Raises BadFile with all faults."""
    told: dict[str, str] = {}
    problems = []
    while question := asked(told):
        answer = given.get(question.key, question.default)
        if not answer:
            problems.append(Problem("is missing", question.words, str(path), question.key))
        elif fault := question.fault(answer) or together({**told, question.key: answer}):
            problems.append(Problem(f"cannot be taken: {fault}", question.words, str(path),
                                    question.key))  # fmt: skip
        told[question.key] = answer or question.default
    if problems:
        raise BadFile(problems)
    return told


def _asked_of_person(suggested: dict[str, str]) -> dict[str, str]:
    if not sys.stdin.isatty():
        what = "there is nobody at the keyboard to be asked"
        raise BadFile(Problem(what, "give the answers in a file, with --answers"))
    told: dict[str, str] = {}
    try:
        _ask_all(told, suggested)
    except (KeyboardInterrupt, typer.Abort):
        if told:
            err.print()
            _keep(told)
        raise
    return told


def _ask_all(told: dict[str, str], suggested: dict[str, str]) -> None:
    """Each answer is put into `told` as soon as it can be taken."""
    while question := asked(told):
        default = suggested.get(question.key, question.default) or None
        answer = str(typer.prompt(_wrapped(question.words, default), default=default)).strip()
        if fault := question.fault(answer) or together({**told, question.key: answer}):
            say(err, f"that cannot be taken: {fault}")
            continue
        told[question.key] = answer


def _wrapped(words: str, default: str | None) -> str:
    """A question in lines that end between words, with room behind for the default."""
    room = len(f" [{default}]: ") if default else 2
    lines = textwrap.wrap(words, max(30, out.width - room - 1), break_on_hyphens=False)
    return "\n".join(lines)


@dialect.command("try")
def try_(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="The dialect.")],
    device: Annotated[
        str, typer.Option("--device", metavar="NAME", help="A device of the fleet file.")
    ],
    fleet: Annotated[
        Path, typer.Option("--fleet", metavar="FILE", help="The fleet file, TOML or CSV.")
    ] = Path("fleet.toml"),
    read: Annotated[
        bool, typer.Option("--read", help="Read the device, and show each reading that was found.")
    ] = False,
    reply: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE",
            help="Show the readings in an answer that was saved as it came, instead.",
            show_default=False,
        ),
    ] = None,
    playbook: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE",
            help="Take the broker from the old side of this playbook, for a device over MQTT.",
            show_default=False,
        ),
    ] = None,
    show: Annotated[
        bool,
        typer.Option(
            "--show-reply", help="Show the whole answer too; it may hold secrets of the device."
        ),
    ] = False,
) -> None:
    """Show what a dialect would send, and what it reads.

    Every message is shown, secrets masked; nothing is ever written to the device. With --read it is
    read once.

    Example: migrate dialect try dialects/alder.toml --device lamp --read
    """
    with problems_in_words():
        tried, _ = read_dialect(file)
        one = _device(device, fleet, tried)
        show_messages(tried, one, out)
        if not (read or reply):
            return
        secrets = secret_reader()
        if reply:
            heard = Heard(Reply(read_text(reply).encode()), None)
        else:
            side = old_side(read_playbook(playbook)) if playbook else None
            broker = broker_address(side.broker, secrets.resolve) if side and side.broker else None
            heard = asyncio.run(read_once(tried, one, broker, secrets.resolve, REPLY_SECONDS))
        well = show_reply(tried, one, heard.reply, heard.ident, secrets.redactor(), out, whole=show)
        raise typer.Exit(Exit.DONE if well else Exit.UNREACHABLE)


def _device(name: str, fleet: Path, tried: Dialect) -> Device:
    known = parse_fleet(read_text(fleet), str(fleet), fleet.absolute().parent)
    found = known.by_name(name)
    if found is None:
        names = ", ".join(one.name for one in known.device[:20])
        raise BadFile(Problem(f"there is no device {name!r}", f"known: {names}", str(fleet)))
    if found.via not in tried.transports:
        ways = " and ".join(tried.transports)
        what = f"goes over {found.via}, and this dialect speaks {ways} alone"
        raise BadFile(
            Problem(what, "correct via, or add it to the dialect", str(fleet), device=name)
        )
    return found


dialect.command("from-thing")(from_thing)
