"""`migrate sheet`: what is printed and carried about."""

from __future__ import annotations

import asyncio
import signal
from contextlib import closing
from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer
from rich.text import Text

from migrate.cli.adrift import files_of
from migrate.cli.common import (
    STDOUT,
    RunName,
    StateDir,
    open_run,
    out,
    problems_in_words,
    run_words,
    secret_reader,
)
from migrate.cli.keys import ENDS, at_the_end
from migrate.model.joining import join_fault
from migrate.model.playbook import Playbook, Wifi
from migrate.model.problems import BadFile, Problem, SecretTrouble
from migrate.model.secrets import Secret
from migrate.model.wifi import secret_fault
from migrate.ports.files import free_or_ours, read_playbook, write_private
from migrate.ports.sockets import now
from migrate.views.adrift import search_of
from migrate.views.lines import say
from migrate.views.sheets.paper import Sheet, is_sheet
from migrate.views.sheets.phones import Network, phones_sheet
from migrate.views.sheets.recovery import headline, recovery_sheet

sheet = typer.Typer(
    name="sheet",
    no_args_is_help=True,
    rich_markup_mode=None,
    help="Sheets to print: for devices to bring back, and for phones.",
)
To = Annotated[
    Path | None,
    typer.Option(
        "--to",
        metavar="FILE",
        help="Write it there; - is standard output.",
        show_default=False,
    ),
]


class SideName(StrEnum):
    """The network that phones are to join."""

    NEW = "new"
    OLD = "old"


@sheet.command()
def recovery(run: RunName = None, to: To = None, state: StateDir = None) -> None:
    """The sheet for the walk to devices that are adrift.

    In walking order, with boxes to tick: what `migrate adrift` tells, as a file to print or to
    open on a phone; beside the journal if you name no other. Asks no device and sends nothing.

    Example: migrate sheet recovery
    """
    with problems_in_words(), closing(open_run(state, run)) as journal:
        files, reason = files_of(journal)
        search = search_of(journal, files, reason)
        made = recovery_sheet(search, journal.plan.title, run_words(journal, state), files, now())
        if to == STDOUT:
            out.document(made.html)
            return
        place = to or journal.path.with_name("recovery.html")
        write_private(free_or_ours(place, is_sheet, "sheet"), made.html)
        say(out, headline(search))
        out.print(Text(str(place)), soft_wrap=True)


@sheet.command()
def phones(
    playbook: Annotated[
        Path, typer.Argument(metavar="PLAYBOOK", help="The playbook that names the network.")
    ],
    side: Annotated[
        SideName, typer.Option("--side", help="The network that phones are to join.")
    ] = SideName.NEW,
    show_passphrase: Annotated[
        bool,
        typer.Option(
            "--show-passphrase",
            help="With the passphrase, and a QR code. Kept nowhere, but in the file you name.",
        ),
    ] = False,
    to: To = None,
) -> None:
    """The sheet for phones and guests, to join the new network.

    Without --show-passphrase it has a line to write the passphrase on. With it, the sheet is
    served once from memory, on this machine alone, for you to print from a browser; with --to
    FILE it is written to a file that only you may read, and that you delete after printing.

    Example: migrate sheet phones playbooks/home-wifi.toml
    """
    with problems_in_words():
        declared = read_playbook(playbook)
        network = _network(declared, side, playbook, asked=show_passphrase)
        secret = network.secret is not None
        if to == STDOUT:
            out.document(_without_secret(network, declared).html)
            return
        place = to or (None if secret else playbook.with_suffix(".phones.html"))
        if place is not None:
            free_or_ours(place, is_sheet, "sheet")
        made = phones_sheet(network, declared.title, now(), "file" if place else "memory")
        if place is None:
            asyncio.run(_serve(made))
            return
        write_private(place, made.html)
        out.print(Text(str(place)), soft_wrap=True)
        if secret:
            say(out, "This file now holds the passphrase: print it, then delete it.")
        elif network.open:
            say(
                out,
                "The playbook names no passphrase for this network, so the sheet is for an open "
                "one. If it has one, add secret there.",
            )
        else:
            say(
                out,
                "It has a line to write the passphrase on. With --show-passphrase it has the "
                "passphrase, and a QR code.",
            )


def _without_secret(network: Network, declared: Playbook) -> Sheet:
    """A sheet that may go anywhere. Raises BadFile for one with a passphrase."""
    if network.secret:
        what = "a sheet with the passphrase is not written there"
        raise BadFile(Problem(what, "name a file with --to", "standard output"))
    return phones_sheet(network, declared.title, now(), "file")


def _network(declared: Playbook, side: SideName, where: Path, *, asked: bool) -> Network:
    """The network of one side; with its passphrase if that was asked for. Raises BadFile or
    SecretTrouble."""
    new, old = declared.wifi, declared.old.wifi
    wifi, other, key = (new, old, "wifi") if side is SideName.NEW else (old, new, "old.wifi")
    if wifi is None:
        raise _no_network(declared, side, where, key)
    # A network of which the owner says neither a passphrase nor how it is secured is an open one.
    is_open = wifi.secret is None and not wifi.security
    secret = _secret(wifi, where, key) if asked and not is_open else None
    if (is_open or secret) and (fault := join_fault(wifi.ssid)):
        remedy = "without --show-passphrase there is a sheet without a code"
        raise BadFile(Problem(fault, "" if is_open else remedy, str(where), f"{key}.ssid"))
    return Network(
        ssid=wifi.ssid,
        secret=secret,
        open=is_open,
        hidden=wifi.hidden,
        security=wifi.security,
        former=other.ssid if other else "",
    )


def _no_network(declared: Playbook, side: SideName, where: Path, key: str) -> BadFile:
    if side is SideName.NEW and declared.old.wifi is not None:
        what = "leaves the Wi-Fi network as it is: phones stay on it, and need no sheet"
        remedy = "for a sheet of that network: --side old"
    else:
        what = f"names no Wi-Fi network in [{key}]: there is nothing for phones to join"
        remedy = "see --side, or name another playbook"
    return BadFile(Problem(what, remedy, str(where)))


def _secret(wifi: Wifi, where: Path, key: str) -> Secret:
    """The passphrase, as IEEE Std 802.11 allows it."""
    if wifi.secret is None:
        what = "names no passphrase for this network, which has one by its security"
        raise BadFile(Problem(what, "add secret, or leave out --show-passphrase", str(where), key))
    secret = secret_reader().resolve(wifi.secret)
    if fault := secret_fault(secret.reveal()):
        raise SecretTrouble(Problem(f"the {wifi.secret}: {fault}", "correct it there"))
    return secret


async def _serve(made: Sheet) -> None:
    """From memory, by a link of one use, until Ctrl-C: others on this machine must not read it."""
    # The web server is loaded by this alone.
    from migrate.views.web.door import Door, link_of
    from migrate.views.web.place import HERE
    from migrate.views.web.serving import served, single

    links: asyncio.Queue[str] = asyncio.Queue()
    door = Door(changed=lambda door: links.put_nowait("For another browser:"))
    links.put_nowait("The sheet with the passphrase, by a link that lets one browser in:")
    with at_the_end(lambda: links.put_nowait(""), *ENDS, signal.SIGHUP):
        async with served(single(made.html), HERE, door, styles=[made.css]) as place:
            while words := await links.get():
                say(out, words)
                out.print(Text(f"  {link_of(place, door)}"), soft_wrap=True)
                say(out, "Print it from there. It is kept nowhere; Ctrl-C here ends it.")
