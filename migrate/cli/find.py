"""`migrate find`: build or update a fleet file from what is there."""

from __future__ import annotations

import asyncio
import re
import tomllib
from collections.abc import Mapping
from ipaddress import IPv4Network
from pathlib import Path
from typing import Annotated, Any

import typer

from migrate.cli.common import err, out, problems_in_words, secret_reader, show_problems
from migrate.dialects.schema import Dialect
from migrate.engine.finding import Around, Heard, look_around
from migrate.model.fleet import Fleet
from migrate.model.parsing import BYTE_ORDER_MARK, parse_fleet
from migrate.model.playbook import Side, new_side, old_side
from migrate.model.problems import BadFile, Exit, Problem, Refused, Unreachable
from migrate.planning.finding.difference import Difference, compare
from migrate.planning.finding.merge import Found, Gathered, gather
from migrate.planning.finding.ranges import addresses_in, range_problems
from migrate.ports.broker import BrokerAddress
from migrate.ports.files import load_dialect, own_dialects, read_playbook
from migrate.ports.fleet_file import Text, edited, read_for_edit, write_over
from migrate.ports.http import HttpLine
from migrate.ports.mqtt_line import MqttLine
from migrate.ports.sockets import Sockets, broker_address, now
from migrate.ports.sources.dns_sd import service_type
from migrate.ports.sources.identify import can_ask_strangers
from migrate.views.found import show_found
from migrate.views.lines import say
from migrate.views.words import count


def find(
    ranges: Annotated[
        list[str] | None,
        typer.Option(
            "--range",
            metavar="NETWORK",
            help="Ask every address of this network, such as 192.0.2.0/26. Can be repeated.",
            show_default=False,
        ),
    ] = None,
    insist: Annotated[
        bool, typer.Option("--insist", help="The range is mine, although it is no private one.")
    ] = False,
    port: Annotated[
        int | None,
        typer.Option(
            metavar="PORT",
            min=1,
            max=65535,
            help="Ask at this TCP port instead of each dialect's own.",
            show_default=False,
        ),
    ] = None,
    broker: Annotated[
        str | None,
        typer.Option(
            metavar="HOST[:PORT]",
            help="Listen at this MQTT broker, without a login.",
            show_default=False,
        ),
    ] = None,
    playbook: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE",
            help="Take broker, its login and the lease file from this playbook.",
            show_default=False,
        ),
    ] = None,
    new: Annotated[
        bool, typer.Option("--new-side", help="From its new side instead of its old one.")
    ] = False,
    leases: Annotated[
        list[Path] | None,
        typer.Option(
            metavar="FILE",
            help="A DHCP server's lease file (dnsmasq, ISC dhcpd, Kea). Can be repeated.",
            show_default=False,
        ),
    ] = None,
    services: Annotated[
        list[str] | None,
        typer.Option(
            "--service",
            metavar="TYPE",
            help="Ask for services of this type by DNS-SD, such as _http._tcp. Can be repeated.",
            show_default=False,
        ),
    ] = None,
    mac_key: Annotated[
        str,
        typer.Option(
            "--service-mac",
            metavar="KEY",
            help="Key of the service's TXT record that holds a device's MAC.",
            show_default=False,
        ),
    ] = "",
    dialects: Annotated[
        list[str] | None,
        typer.Option(
            "--dialect",
            metavar="NAME",
            help="Try this dialect; without it, all in the folder dialects beside the fleet file.",
            show_default=False,
        ),
    ] = None,
    seconds: Annotated[
        float, typer.Option(metavar="N", min=0.1, max=600, help="How long to listen.")
    ] = 5.0,
    fleet: Annotated[
        Path, typer.Option("--fleet", metavar="FILE", help="The fleet file to compare with.")
    ] = Path("fleet.toml"),
    write: Annotated[
        bool,
        typer.Option("--write", help="Write what is new or changed into the fleet file (TOML)."),
    ] = False,
) -> None:
    """Find devices, and compare them with the fleet file.

    Asks what you name: addresses of a range, a broker, lease files, services; and the kernel's
    table of neighbours. Devices are only read, and never logged in to. A device is its MAC. What
    stands in the fleet file stays as it is, and no device is ever taken out of it.

    Example: migrate find --range 192.0.2.0/26 --leases dnsmasq.leases
    """
    with problems_in_words():
        if problems := range_problems(ranges or [], insist=insist):
            raise Refused(problems)
        side = _side(playbook, new=new)
        files = [*(leases or []), *([side.leases] if side and side.leases else [])]
        at = _broker(broker, side)
        if not (ranges or at or files or services):
            raise typer.BadParameter(
                "nothing to ask: name a --range, a --broker or --playbook, --leases or --service"
            )
        for one in services or ():
            service_type(one)
        read = read_for_edit(fleet)
        known = _fleet(read, fleet)
        speak = _dialects(dialects or [], fleet, known)
        networks = [IPv4Network(one) for one in ranges or []]
        around = Around(
            tuple(str(address) for address in addresses_in(networks)),
            port,
            at,
            files,
            services=tuple(services or ()),
            mac_key=mac_key,
            listen=seconds,
        )
        heard = Heard()
        stopped = False
        try:
            asyncio.run(_look(around, speak, heard))
        except KeyboardInterrupt:
            stopped = True
        gathered = gather(heard.sights)
        difference = compare(gathered, known.device if known else ())
        show_found(gathered, difference, heard.closed, fleet if known else None, out)
        if stopped:
            say(err, "broken off, as you asked: the list may not be whole; nothing was written")
            raise typer.Exit(Exit.STOPPED)
        _end(read, known, gathered, difference, speak, port, write=write)
        if heard.problems:
            show_problems(Unreachable(heard.problems))
            raise typer.Exit(Exit.UNREACHABLE)


def _side(playbook: Path | None, *, new: bool) -> Side | None:
    if playbook is None:
        return None
    declared = read_playbook(playbook)
    return new_side(declared) if new else old_side(declared)


def _broker(text: str | None, side: Side | None) -> BrokerAddress | None:
    if text is None:
        declared = side.broker if side else None
        return broker_address(declared, secret_reader().resolve) if declared else None
    host, _, port = text.rpartition(":") if ":" in text else (text, "", "1883")
    if "@" in text:
        what = "no login stands in it: name a --playbook that tells where its password is"
        raise typer.BadParameter(what, param_hint="--broker")
    fits = host and ":" not in host and re.fullmatch(r"[0-9]{1,5}", port)
    if not fits or not 0 < int(port) < 65536:
        raise typer.BadParameter(f"{text!r} is no host and port", param_hint="--broker")
    return BrokerAddress(host, int(port))


def _fleet(read: Text, fleet: Path) -> Fleet | None:
    body = read.text.removeprefix(BYTE_ORDER_MARK)
    if not body.strip():
        return None
    try:
        return parse_fleet(body, str(fleet), fleet.absolute().parent)
    except BadFile as error:
        missing = [one.key for one in error.problems] == ["device"]
        if missing and fleet.suffix.lower() != ".csv" and "device" not in tomllib.loads(body):
            return None  # begun with a title, or a comment
        raise


def _dialects(names: list[str], fleet: Path, known: Fleet | None) -> Mapping[str, Dialect]:
    """Those that are named; else the owner's own and those that the fleet uses. Raises BadFile."""
    folder = fleet.absolute().parent
    wanted = names or sorted(
        {*own_dialects(folder), *(device.dialect for device in (known.device if known else ()))}
    )
    if not wanted:
        where = folder / "dialects"
        what = "there is no dialect to ask with"
        remedy = f"begin one in {where} with `migrate dialect new`, or name one with --dialect"
        raise BadFile(Problem(what, remedy))
    return {name: load_dialect(name, folder)[0] for name in wanted}


async def _look(around: Around, dialects: Mapping[str, Dialect], heard: Heard) -> None:
    if around.addresses:
        say(err, f"asking {count(len(around.addresses), 'address', 'addresses')}")
        for name, dialect in dialects.items():
            if not can_ask_strangers(dialect):
                words = (
                    f"{name} is not asked for there: it has no read over HTTP, or one whose path "
                    "is another for each device"
                )
                say(err, words, hang=2, whole=True)
    async with HttpLine() as http, MqttLine({}) as mqtt:
        line = Sockets(http, mqtt)
        await look_around(around, dialects, line, now(), heard, lambda words: say(err, words))


def _end(
    read: Text,
    known: Fleet | None,
    gathered: Gathered,
    difference: Difference,
    dialects: Mapping[str, Dialect],
    port: int | None,
    *,
    write: bool,
) -> None:
    """Write, or say how to."""
    out.print()
    if not (difference.new or difference.to_write):
        if gathered.devices and not difference.unsure:
            say(out, f"{read.path} has them all: nothing to write.", whole=True)
        return
    if not write:
        say(out, f"Nothing was written. Add --write to put this into {read.path}.", whole=True)
        return
    if read.path.suffix.lower() == ".csv":
        what = "is CSV, into which migrate does not write"
        remedy = "enter the devices above yourself, or keep the fleet as TOML"
        raise BadFile(Problem(what, remedy, str(read.path)))
    number = {device.mac: index for index, device in enumerate(known.device if known else ())}
    changes: dict[int, dict[str, str]] = {}
    for change in difference.to_write:
        changes.setdefault(number[change.mac], {})[change.key] = change.now
    new = [_keys(one.name, one.found, dialects, port) for one in difference.new]
    write_over(read, edited(read.text, str(read.path), new, changes))
    say(
        out,
        f"Written to {read.path}: {count(len(new), 'new device')}, "
        f"{count(len(difference.to_write), 'changed value')}. "
        + ("Say of the new ones how hard they are to reach before you plan." if new else ""),
        whole=True,
    )


def _keys(
    name: str, found: Found, dialects: Mapping[str, Dialect], port: int | None
) -> dict[str, Any]:
    """A new device as it stands in the file."""
    keys: dict[str, Any] = {"name": name, "mac": found.mac, "dialect": found.dialect or ""}
    if found.firmware:
        keys["firmware"] = found.firmware
    if "http" in found.over:
        keys["via"] = "http"
        keys["address"] = found.addresses[0]
        if port is not None and port != dialects[found.dialect or ""].http.port:
            keys["port"] = port
    else:
        keys["via"] = "mqtt"
    if found.topic:
        keys["topic"] = found.topic
    return keys
