"""Good inputs of every reader: what mutation begins with. The plan is a real one."""

from __future__ import annotations

import json
import os
import tempfile
from collections.abc import Mapping
from pathlib import Path
from unittest import mock

from migrate.planning.campaign.plan import freeze_campaign
from migrate.planning.campaign.turn import expected_waves
from migrate.planning.make import make_plan
from migrate.ports.files import load
from migrate.ports.secret_reader import SecretReader
from tests.cli.paper import FLEET, PLAYBOOK
from tests.cli.paper import SECRETS as WORDS
from tests.dialects.things.test_things import LAMP, thing
from tests.planning.campaigns import campaign, site
from tests.ports.sources.test_neighbours import ARP
from tests.ports.sources.test_neighbours import TABLE as NEIGHBOURS
from tests.ports.sources.test_other_formats import ISC, KEA

SHIPPED = Path(__file__).parents[2] / "migrate" / "dialects" / "shipped"
PLAYBOOKS = Path(__file__).parents[2] / "playbooks"

# An owner's patterns that try very many ways on an unlucky text (common practice, no source).
DIALECTS = {
    "hazel": r"""
name = "hazel"
about = "an owner's own, with patterns that take long"

[write]
message = { form = "lines", separator = "&", before = "set?", after = "!", escape = "percent" }
http = { method = "POST", path = "/{name}/{mac}", body = "{message}" }
mqtt = { topic = "hazel/{topic}", reply = "hazel/{topic}/r" }
taken = { status = [200, 204], pattern = '^(\w+\s?)*done$' }
declined = { pattern = '(x+x+)+y' }
reason = { pattern = 'because (?P<value>.*),.*,.*,.*!' }

[read]
http = { path = "/all" }
mqtt = { topic = "hazel/{topic}", reply = "hazel/{topic}/r" }
taken = { status = [200] }

[readings]
mac = { pattern = '^mac=(?P<value>(([0-9A-F]+)-?)*)$' }
firmware = { pattern = '\s*(?P<value>v[\d.]+)\s*$' }
address = { pattern = '(?P<value>(\d+\.)*\d+)$' }
uptime = { pattern = '(?P<value>\d+(,\d+)*) s$' }

[settings]
"wifi.ssid" = { name = "n", read = { pattern = '^n=(?P<value>(.*)*)$' } }
"wifi.secret" = { name = "k" }
"broker.host" = { name = "h", read = { pattern = '^h=(?P<value>([a-z0-9]+\.?)+)$' } }
"broker.port" = { name = "p", read = { pattern = '^p=(?P<value>\d*)\d*\d*$' } }
"broker.tls" = { name = "t", read = { pattern = '^t=(?P<value>.)' }, words = {true="1", false="0"} }
"broker.username" = { name = "u", read = { pattern = '^u=(?P<value>(a|aa)+)$' } }
"broker.password" = { name = "w" }
""",
}

_MAC = "00-00-5E-00-53-01"
_LARCH = {
    "unit": {"mac": _MAC, "firmware": "3.1.0", "address": "192.0.2.11", "uptime_s": 77},
    "network": {"name": "quarry-attic", "spare_name": ""},
    "broker": {"host": "192.0.2.2", "port": 1883, "secure": False, "user": ""},
    "groups": {"word": "loft"},
    "output": {"on": True},
    "taken": True,
}
_ROWAN = {
    "mac": _MAC,
    "firmware": "1.8.2",
    "address": "192.0.2.12",
    "uptime_s": 12.5,
    "output": False,
    "wifi_name": "quarry-attic",
    "broker_host": "192.0.2.2",
    "broker_port": 1883,
    "broker_secure": True,
    "broker_user": "u",
    "group": "g",
    "fixed_address": "",
}
_SEDGE = (
    f"unit.mac: {_MAC}\r\nunit.firmware: 0.9\r\nunit.address: 192.0.2.13\r\nunit.uptime: 5\r\n"
    "output: on\r\nstation.name: quarry-attic\r\nmqtt.host: 192.0.2.2\r\nmqtt.port: 1883\r\n"
    "mqtt.secure: no\r\nmqtt.user: u\r\nmqtt.group: loft\r\n"
)
_HAZEL = (
    f"mac={_MAC}\nv1.2.3\n192.0.2.14\n1,000 s\nn=attic\nh=broker.example\np=1883\nt=0\nu=aaaa\n"
)


def _plan() -> bytes:
    with tempfile.TemporaryDirectory() as folder, mock.patch.dict(os.environ, WORDS):
        fleet, playbook = Path(folder, "fleet.toml"), Path(folder, "house.toml")
        fleet.write_text(FLEET)
        playbook.write_text(PLAYBOOK)
        inputs = load(fleet, playbook)
        plan = make_plan(
            inputs.fleet,
            inputs.playbook,
            inputs.dialects,
            SecretReader().resolve,
            inputs.sources,
            created="2026-01-01T00:00:00+00:00",
            tool="test",
        )
    return plan.to_json().encode()


def _campaign_plan() -> bytes:
    draft = campaign(
        site("alder", "1 2", travel_minutes=5), site("birch", "1", ["alder"]), site("cedar", "")
    )
    return freeze_campaign(draft, *expected_waves(draft)).to_json().encode()


def _rpc(**more: object) -> bytes:
    return json.dumps({"jsonrpc": "2.0", "id": 7, **more}).encode()


def _texts(folder: Path, pattern: str) -> tuple[bytes, ...]:
    return tuple(path.read_bytes() for path in sorted(folder.glob(pattern)))


SEEDS: Mapping[str, tuple[bytes, ...]] = {
    "fleet.toml": (FLEET.encode(), *_texts(PLAYBOOKS, "*fleet*.toml")),
    "fleet.csv": (
        (
            b"name,mac,dialect,via,topic,port,feeds,username,password_file,reach,quiet,channels\r\n"
            b'"hall, lamp",00:00:5e:00:53:01,larch,,,8080,,owner,larch.secret,ladder,'
            b"22:00-06:00,1 6\r\nno,00-00-5E-00-53-02,sedge,mqtt,00123456,,router broker,,,,,\r\n"
        ),
    ),
    "playbook": (
        PLAYBOOK.encode(),
        *(text for text in _texts(PLAYBOOKS, "*.toml") if b"[[device]]" not in text),
    ),
    "dialect": (*_texts(SHIPPED, "*.toml"), *(text.encode() for text in DIALECTS.values())),
    "plan": (_plan(),),
    "findings": (
        json.dumps(
            {
                "format": 1,
                "finding": [
                    {
                        "kind": "run",
                        "at": "2026-01-01T00:00:00+00:00",
                        "dialect": "larch",
                        "sha256": "0" * 64,
                        "firmware": "3.1.0",
                        "change": ["wifi"],
                        "returns": 3,
                        "faults": 0,
                    }
                ],
            }
        ).encode(),
    ),
    "snapshot": (
        b'{"format":1,"kind":"survey","title":"house","at":"2026-01-01T00:00:00+00:00","tool":"1",'
        b'"device":[\n {"name":"lamp","mac":"00-00-5E-00-53-01","dialect":"larch","via":"http",'
        b'"standing":"read","side":"old","place":"192.0.2.11:80","firmware":"3.1.0","signal_dbm":-58,'
        b'"settings":{"wifi.ssid":"attic","broker.port":1883,"broker.tls":false},'
        b'"hidden":["group.topic"],"outputs":{"relay":true,"level":40.0}},\n {"name":"fan",'
        b'"mac":"00-00-5E-00-53-02","dialect":"sedge","via":"mqtt","standing":"missing",'
        b'"others":["00-00-5E-00-53-03"],"why":"no reply"}\n]}\n',
    ),
    # The form of dnsmasq(8), --dhcp-leasefile.
    "leases": (
        b"1767225600 00:00:5e:00:53:01 192.0.2.11 desk-lamp 01:00:00:5e:00:53:01\n"
        b"0 01-00:00:5e:00:53:02 192.0.2.12 * *\n86400 00:00:5e:00:53:03 192.0.2.13 x *\n"
        b"duid 00:01:00:01\n1767225600 12345 2001:db8::1 x 00:01\n",
        ISC.encode(),
        KEA.encode(),
    ),
    "neighbours": (NEIGHBOURS.encode(), ARP.encode()),
    "campaign": (
        b'[store]\nhost = "db.example.net"\nport = 5433\ndatabase = "homes"\n'
        b'account = "runs_it"\npassword = { env = "STORE" }\nca = "ca.pem"\n\n'
        b"[pace]\nheld_at_most = 2\nconfidence = 0.9\nmost_at_once = 7\nwait_when_held = 3\n\n"
        b'[[site]]\nname = "alder"\ntravel_minutes = 5\n\n[[site]]\nname = "birch-2"\n'
        b'after = ["alder"]\naccount = "birch"\npassword = { file = "birch.secret" }\n'
        b'playbook = "house.toml"\nfleet = "fleet.csv"\n',
        b'title = "trial"\nstore = { file = "c.sqlite3" }\nsite = [{ name = "a" }]\n',
    ),
    "campaign plan": (_campaign_plan(),),
    "order": (
        b'{"format":1,"kind":"move","site":"alder","campaign":"c0ffee","attempt":2,"legs":["'
        + b"a" * 64
        + b'"],"answers":{"again":["hall lamp"],"write_off":["fan"],"flipped":true}}',
        b'{"format":1,"kind":"plan","site":"alder","campaign":"plan-c0ffee"}',
    ),
    "site plan": (
        b'{"format":1,"exit":0,"tool":"1.2.0","legs":[{"digest":"'
        + b"a" * 64
        + b'","devices":3,"waves":2,"together":true}],"twins":[{"dialect":"larch","digest":"'
        + b"b" * 64
        + b'","firmware":"3.1.0","devices":3}]}',
        b'{"format":1,"exit":4,"tool":"1.2.0","problems":2}',
    ),
    "account": (
        b'{"format":1,"exit":7,"leg":1,"of":2,"flip":true,"began":true,"devices":[{"name":"lamp",'
        b'"state":"adrift","direction":"forward","sent":true},{"name":"fan","state":"settled",'
        b'"direction":"back","written_off":true}]}',
    ),
    "thing": (json.dumps(thing()).encode(), json.dumps(LAMP).encode()),
    "larch replies": (
        json.dumps(_LARCH).encode(),
        b'{"taken": true}',
        b'{"taken": false, "why": "too long"}',
    ),
    "rowan replies": (
        _rpc(result=_ROWAN),
        _rpc(result=True),
        _rpc(error={"code": -32602, "message": "no such setting"}),
    ),
    "sedge replies": (_SEDGE.encode(), b"ok 5", b"ok", b"no such name"),
    "hazel replies": (_HAZEL.encode(), b"all is done", b"xxxxxy because a,b,c,d!"),
}
