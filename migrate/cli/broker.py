"""`migrate broker`: before and after a move to a new broker."""

from __future__ import annotations

import asyncio
from pathlib import Path
from typing import Annotated

import typer

from migrate.cli.common import out, problems_in_words, secret_reader
from migrate.engine.broker_move import Check, Copied, Outcome, copy, ground_of
from migrate.engine.broker_roll_call import Called, GroupWords, roll_call
from migrate.model.mqtt import filter_fault
from migrate.model.playbook import Broker, new_side, old_side
from migrate.model.problems import BadFile, Exit, Problem, Unreachable
from migrate.planning.broker_move import Stand
from migrate.ports.broker import BrokerAddress
from migrate.ports.broker_visit import NoVisit
from migrate.ports.files import Inputs, load
from migrate.ports.sockets import broker_address, now
from migrate.views.broker import show_called, show_check, show_copy

broker = typer.Typer(
    name="broker",
    no_args_is_help=True,
    rich_markup_mode=None,
    help="Before and after a move to a new broker.",
)
FLEET = Path("fleet.toml")
PlaybookFile = Annotated[
    Path, typer.Argument(metavar="PLAYBOOK", help="The playbook, which names both brokers.")
]
FleetFile = Annotated[
    Path, typer.Option("--fleet", metavar="FILE", help="The fleet file, TOML or CSV.")
]
Seconds = Annotated[
    float,
    typer.Option(
        "--seconds", metavar="N", min=0.5, max=600, help="How long a broker has for each answer."
    ),
]


@broker.command()
def check(
    playbook: PlaybookFile,
    fleet: FleetFile = FLEET,
    days: Annotated[
        int,
        typer.Option(
            "--days", metavar="N", min=0, help="Tell if the certificate ends within so many days."
        ),
    ] = 30,
    seconds: Seconds = 10,
) -> None:
    """Before: is the new broker ready for the devices, and for you?

    Connects with the devices' new login and with your own, looks at the certificate, and at what
    the access rules let through. Only reads are sent to devices, and an empty message to the reply
    topics of those that are not there. Ends with 4 if something must be mended, 11 if the broker
    cannot be reached.

    Example: migrate broker check broker.toml --fleet mqtt.toml
    """
    with problems_in_words():
        inputs = load(fleet, playbook)
        new = _new(inputs, playbook)
        resolve = secret_reader().resolve
        own = broker_address(new, resolve)
        theirs = broker_address(new.model_copy(update={"own": None}), resolve)
        ground = ground_of(inputs.fleet, inputs.playbook, inputs.dialects)
        reply_seconds = inputs.playbook.pace.reply_seconds
        rows = asyncio.run(
            Check(ground, theirs, own, seconds, reply_seconds, now(), days, []).run()
        )
        show_check(rows, ground, f"{new.host}:{new.port}", out)
        if any(row.down for row in rows):
            raise typer.Exit(Exit.UNREACHABLE)
        faults = any(row.outcome is Outcome.NO for row in rows)
        raise typer.Exit(Exit.REFUSED if faults else Exit.DONE)


@broker.command(name="copy")
def copy_(
    playbook: PlaybookFile,
    topics: Annotated[
        list[str],
        typer.Option(
            "--topics",
            metavar="FILTER",
            help="Which topics, with + and # as MQTT has them (5.0, section 4.7). Can be repeated.",
        ),
    ],
    fleet: FleetFile = FLEET,
    send: Annotated[
        bool, typer.Option("--send", help="Copy; without it only told what would be.")
    ] = False,
    overwrite: Annotated[
        bool, typer.Option("--overwrite", help="Also where the new broker keeps something else.")
    ] = False,
    seconds: Seconds = 30,
) -> None:
    """Along with the move: copy chosen retained messages.

    Without --send nothing is sent. What is on the topics of the devices themselves (commands,
    replies, presence) is never copied: it would be obeyed, or be false news. What is sent is read
    back and compared. Ends with 7 if something was not copied as it should be.

    Example: migrate broker copy broker.toml --topics "house/notes/#"
    """
    with problems_in_words():
        _filters(topics)
        inputs = load(fleet, playbook)
        new, old = _new(inputs, playbook), old_side(inputs.playbook).broker
        if old is None or _place(old) == _place(new):
            what = "names no other broker to copy from"
            raise BadFile(Problem(what, "name the old one", str(playbook), "old.broker"))
        resolve = secret_reader().resolve
        here, there = broker_address(new, resolve), broker_address(old, resolve)
        commands = ground_of(inputs.fleet, inputs.playbook, inputs.dialects).never_copied
        try:
            done: Copied = asyncio.run(
                copy(there, here, topics, commands, seconds, send=send, overwrite=overwrite)
            )
        except NoVisit as error:
            raise _unreachable(f"the {error}", error, "both brokers") from None
        show_copy(done, send, out)
        raise typer.Exit(Exit.HELD if done.failed or done.unseen else Exit.DONE)


@broker.command(name="roll-call")
def roll_call_(playbook: PlaybookFile, fleet: FleetFile = FLEET, seconds: Seconds = 10) -> None:
    """After: who is at the new broker, and who is not.

    Only reads are sent: one to each device that can be read by MQTT, and one to each group topic.
    Ends with 7 if a device is still at the old broker, is not the right one, or the group is not
    where it should be; with 11 if a device is missing.

    Example: migrate broker roll-call broker.toml --fleet mqtt.toml
    """
    with problems_in_words():
        inputs = load(fleet, playbook)
        old_, new_ = old_side(inputs.playbook), new_side(inputs.playbook)
        broker_ = new_.broker
        if broker_ is None:
            raise BadFile(Problem("names no broker", "add [broker]", str(playbook), "broker"))
        resolve = secret_reader().resolve
        here = broker_address(broker_, resolve)
        there: BrokerAddress | None = None
        if old_.broker is not None and _place(old_.broker) != _place(broker_):
            there = broker_address(old_.broker, resolve)
        ground = ground_of(inputs.fleet, inputs.playbook, inputs.dialects)
        words = GroupWords(
            old_.group.topic if old_.group else None, new_.group.topic if new_.group else None
        )
        reply_seconds = inputs.playbook.pace.reply_seconds
        try:
            called = asyncio.run(roll_call(ground, words, there, here, seconds, reply_seconds))
        except NoVisit as error:
            where = f"{broker_.host}:{broker_.port}"
            raise _unreachable(f"the new broker {error}", error, where) from None
        show_called(called, ground, playbook, out)
        raise typer.Exit(exit_of(called))


def exit_of(called: Called) -> Exit:
    """Somebody in the wrong place is told before somebody who is missing."""
    stands = {one.stand for one in called.devices.values()}
    wrong = stands & {Stand.OLD, Stand.BOTH, Stand.OTHER}
    group = any(
        one.why or (one.answered if one.old else set(one.expected) - set(one.answered))
        for one in called.groups
    )
    missing = stands & {Stand.MISSING, Stand.ASLEEP}
    if wrong or (group and not missing):
        return Exit.HELD
    return Exit.UNREACHABLE if missing else Exit.DONE


def _new(inputs: Inputs, playbook: Path) -> Broker:
    new = inputs.playbook.broker
    if new is None:
        what = "changes no broker"
        raise BadFile(Problem(what, "add [broker], the new one", str(playbook), "broker"))
    return new


def _place(one: Broker) -> tuple[str, int]:
    return one.host.lower(), one.port


def _filters(topics: list[str]) -> None:
    faults = [(one, fault) for one in topics if (fault := filter_fault(one))]
    if faults:
        raise BadFile(
            Problem(f"{one!r} {fault}", "correct it (MQTT 5.0, section 4.7.1)", "--topics")
            for one, fault in faults
        )


def _unreachable(what: str, error: NoVisit, where: str) -> Unreachable:
    remedy = error.remedy or "see that it runs; check host, port, user name and password"
    return Unreachable(Problem(what, remedy, where))
