"""Inputs of about a mebibyte, each made to be slow or greedy for some reader."""

from __future__ import annotations

import json
from collections.abc import Iterator

SIZE = 1 << 20


def _filled(part: bytes, before: bytes = b"", after: bytes = b"") -> bytes:
    return before + part * ((SIZE - len(before) - len(after)) // len(part)) + after


def _numbered(form: str, count: int) -> bytes:
    return "".join(form.format(number) for number in range(count)).encode()[:SIZE]


def anything() -> Iterator[tuple[str, bytes]]:
    """For every reader."""
    yield "nothing", b""
    yield "NUL", bytes(SIZE)
    yield "0xff", b"\xff" * SIZE
    yield "UTF-16", ("x = 1\n" * (SIZE // 12)).encode("utf-16")
    yield "one line", b"a" * SIZE
    yield "blanks", b" " * SIZE
    yield "line ends", b"\n" * SIZE
    yield "brackets", b"[" * SIZE
    yield "braces", b'{"a":' * (SIZE // 5)
    yield "quotes", b'"' * SIZE
    yield "escapes", _filled(b"\\ud800", b'"', b'"')
    yield "digits", b"9" * SIZE


def toml() -> Iterator[tuple[str, bytes]]:
    """For readers of TOML."""
    yield "a name of many parts", _filled(b"a.", b"", b"a=1")
    yield "a table of many parts", _filled(b"a.", b"[", b"a]")
    yield "parts with blanks", _filled(b"a . ", b"", b"a=1")
    yield "quoted parts", _filled(b'"a".', b"", b"a=1")
    yield "fifteen parts, often", _numbered("a.a.a.a.a.a.a.a.a.a.a.a.a.a.k{}=1\n", SIZE // 40)
    yield "nested lists", b"x = " + b"[" * 500_000 + b"]" * 500_000
    yield "nested tables", _filled(b"{a=", b"x = ")
    yield "unknown keys", _numbered("k{}=1\n", 110_000)
    yield "nearly known keys", _numbered("devic{}=1\n", 80_000)
    yield "tables", _numbered("[t{}]\n", 110_000)
    yield "devices", _filled(b"[[device]]\n")
    yield "devices, nearly", _filled(b'[[device]]\nname="a"\nmak="b"\n')
    yield (
        "devices, all alike",
        _filled(b'[[device]]\nname="a"\nmac="00-00-5E-00-53-01"\ndialect="larch"\n'),
    )
    yield "a long list", _filled(b"1,", b"x=[", b"]")
    yield "a long list of tables", _filled(b"{},", b"device=[", b"]")
    yield "quiet hours", _filled(b'"22:00-06:00",', b"[quiet]\nx=[", b"]\n")
    yield "a long text", _filled(b"x", b'title="', b'"')
    yield "a long key", _filled(b"x", b"", b"=1")
    yield "a long quoted key", _filled(b"x.", b'"', b'"=1')
    yield "a long MAC", _filled(b"00-", b'[[device]]\nmac="', b'"')
    yield "a long topic", _filled(b"/", b'[[device]]\ntopic="', b'"')
    yield "a long address", _filled(b"1.", b'[[device]]\naddress="', b'"')
    yield "a long network", _filled(b"1", b'[old]\nsubnet="192.0.2.0/', b'"')
    yield "a long pattern", _filled(b"(", b"[readings]\nmac={pattern='", b"'}")
    yield "a long template", _filled(b"{", b'[write.http]\npath="/', b'"')
    yield "a long pointer", _filled(b"/a", b'[readings]\nmac={pointer="', b'"}')
    yield "a float of many digits", _filled(b"1", b"x=0.")
    yield "a hexadecimal number", _filled(b"f", b"x=0x")
    yield "inf and nan", b"[pace]\nsoak_seconds = inf\nconfidence = nan\nreply_seconds = -inf\n"
    yield "a date", b"title = 1979-05-27T07:32:00Z\n[wifi]\nssid = 07:32:00\n"
    yield "a date that is none", b"title = 1979-13-27\n"


def csv() -> Iterator[tuple[str, bytes]]:
    """For the reader of CSV (RFC 4180)."""
    yield "columns", b"," * SIZE
    yield "unknown columns", _numbered("c{},", 130_000)
    yield "one column often", _filled(b"name,")
    yield "rows", _filled(b"a\n", b"name\n")
    yield "long rows", _filled(b",", b"name,mac,dialect\n")
    yield "a field that does not end", _filled(b"x\n", b'name,mac\n"')
    yield "carriage returns", _filled(b"\r", b"name,mac\r")
    yield "devices", _filled(b"a,00-00-5E-00-53-01,larch\n", b"name,mac,dialect\n")
    yield "channels", _filled(b"1 ", b"name,channels\na,")
    yield "quoted quotes", _filled(b'""', b'name\n"', b'"')


def plans(plan: bytes) -> Iterator[tuple[str, bytes]]:
    """For readers of plans: made from a good one."""
    good = json.loads(plan)
    kind = {**good["kinds"][0], "bundle": {f"k{n}": "x" for n in range(40_000)}}
    devices = [{**good["devices"][0], "kind": 0}] * 1_500
    yield (
        "one great kind, many devices",
        json.dumps({**good, "kinds": [kind], "devices": devices}).encode()[:SIZE],
    )
    small = [{"kind": 0}] * 30_000
    yield (
        "one great kind, empty devices",
        json.dumps({**good, "kinds": [kind], "devices": small}).encode(),
    )
    for name, value in (
        ("NaN", "NaN"),
        ("inf", "Infinity"),
        ("huge", "1e308"),
        ("long", "9" * 4000),
    ):
        text = json.dumps({**good, "fewest_waves": "HERE"}).replace('"HERE"', value)
        yield f"{name} waves", text.encode()
        for field in ("exposure", "seconds"):
            waves = [{**wave, field: "HERE"} for wave in good["waves"]]
            if field == "seconds":
                waves = [{**w, "seconds": {"least": "HERE", "most": "HERE"}} for w in good["waves"]]
            text = json.dumps({**good, "waves": waves}).replace('"HERE"', value)
            yield f"{name} {field}", text.encode()
        asleep = [{**device, "wakes_seconds": "HERE"} for device in good["devices"]]
        text = json.dumps({**good, "devices": asleep}).replace('"HERE"', value)
        yield f"{name} wakes", text.encode()
    evil = "x\x1b]0;p\x07\u202e\n| a"
    for field in ("why", "load", "cover"):
        bad = [{**device, field: evil} for device in good["devices"]]
        yield f"hostile {field}", json.dumps({**good, "devices": bad}).encode()
    told = {**good, "leg": {"number": 1, "of": 2, "what": evil, "argument": [evil], "owner": evil}}
    yield "hostile leg", json.dumps(told).encode()
    twice = plan.replace(b'"format": 2', b'"format": 2, "format": 2')
    yield "a key that stands twice", twice


def findings() -> Iterator[tuple[str, bytes]]:
    """For the reader of findings."""
    yield "many", _filled(b"{},", b'{"format":1,"finding":[', b"{}]}")
    yield "nested", b'{"format":1,"finding":' + b"[" * 500_000
    yield "a great number", _filled(b"9", b'{"format":1,"finding":[{"returns":', b"}]}")


def snapshots() -> Iterator[tuple[str, bytes]]:
    """For the reader of snapshots."""
    head = b'{"format":1,"kind":"survey","title":"x","at":"x","tool":"x","device":['
    one = b'{"name":"a","mac":"00-00-5E-00-53-01","dialect":"x","via":"http","standing":"read",'
    yield "devices", _filled(b"{},", head, b"{}]}")
    yield "a device, often", _filled(one + b'"side":"old"},', head, one + b'"side":"old"}]}')
    yield (
        "settings that nobody knows",
        head + one + b'"settings":{' + _numbered('"k{}":[],', 70_000) + b'"z":1}}]}',
    )
    yield "outputs", head + one + b'"outputs":{' + _numbered('"k{}":[],', 70_000) + b'"z":1}}]}'
    yield "a long reading", _filled(b"x", head + one + b'"settings":{"wifi.ssid":"', b'"}}]}')
    yield "others", _filled(b'"x",', head + one + b'"others":[', b'"x"]}]}')


def campaigns() -> Iterator[tuple[str, bytes]]:
    """For the reader of campaign files."""
    store = b'[store]\nfile = "c"\n'
    yield "sites, all alike", store + _filled(b'[[site]]\nname = "a"\naccount = "b"\n')[:400_000]
    circle = "".join(
        f'[[site]]\nname = "s{n}"\nafter = ["s{(n + 1) % 9_999}"]\n' for n in range(9_999)
    )
    yield "a great circle", store + circle.encode()
    yield (
        "after nobody",
        store + _filled(b'"x",', b'[[site]]\nname = "a"\nafter = [')[:80_000] + b"]",
    )
    yield "a long host", _filled(b"x:", b'[store]\nhost = "', b'"\n[[site]]\nname = "a"\n')


def campaign_plans(plan: bytes) -> Iterator[tuple[str, bytes]]:
    """For readers of frozen campaigns: made from a good one."""
    good = json.loads(plan)
    first = good["sites"][0]
    sites = [{**first, "name": f"s{n}", "after": [f"s{n - 1}"] if n else []} for n in range(2_000)]
    waves = [{"sites": [f"s{n}"], "exposure": 1.0} for n in range(2_000)]
    yield "sites in a row", json.dumps({**good, "sites": sites, "waves": waves}).encode()[:SIZE]
    crowd = [{"sites": [f"s{n}" for n in range(2_000)], "exposure": 1e308}]
    yield "one wave", json.dumps({**good, "sites": sites, "waves": crowd}).encode()[:SIZE]
    yield "no wave", json.dumps({**good, "sites": sites, "waves": []}).encode()[:SIZE]
    evil = "x\x1b]0;p\x07\u202e\n| a"
    for field in ("tool", "created", "title"):
        yield f"hostile {field}", json.dumps({**good, field: evil}).encode()
    source = {**good["source"], "path": evil}
    yield "hostile path", json.dumps({**good, "source": source}).encode()
    yield "hostile why", json.dumps({**good, "sites": [{**first, "why": evil}]}).encode()
    for name, value in (("NaN", "NaN"), ("inf", "Infinity"), ("long", "9" * 4000)):
        late = [{**one, "travel_minutes": "HERE"} for one in good["sites"]]
        yield (
            f"{name} minutes",
            json.dumps({**good, "sites": late}).replace('"HERE"', value).encode(),
        )
        wide = [{**wave, "exposure": "HERE"} for wave in good["waves"]]
        yield (
            f"{name} exposure",
            json.dumps({**good, "waves": wide}).replace('"HERE"', value).encode(),
        )
    yield "nested", b'{"sites":' + b"[" * 500_000


def errands() -> Iterator[tuple[str, bytes]]:
    """For readers of what travels."""
    head = b'{"format":1,"exit":0,"devices":['
    one = b'{"name":"a","state":"settled","direction":"forward"}'
    yield "devices", _filled(one + b",", head, one + b"]}")
    yield "empty devices", _filled(b"{},", head, b"{}]}")
    yield "a long name", _filled(b"x", head + b'{"name":"', b'"}]}')
    yield "twins", _filled(b"{},", b'{"format":1,"exit":0,"tool":"1","twins":[', b"{}]}")
    yield "names", _filled(b'"x",', b'{"kind":"move","site":"a","answers":{"again":[', b'"x"]}}')
    yield "keys", b"{" + _numbered('"k{}":1,', 90_000) + b'"z":1}'
    yield "nested", b'{"answers":' * 90_000


def leases() -> Iterator[tuple[str, bytes]]:
    """For the reader of lease files."""
    line = b"1767225600 00:00:5e:00:53:01 192.0.2.11 desk-lamp *\n"
    yield "leases of one device", _filled(line)
    yield (
        "leases",
        _numbered("9 00:00:5e:{0:02x}:53:01 192.0.2.1 x *\n".replace("{0:02x}", "00"), 25_000),
    )
    yield "great times", _filled(b"9" * 300 + b" 00:00:5e:00:53:01 192.0.2.11 x *\n")
    yield "long words", _filled(b"x", b"1 ", b" 192.0.2.1 x *\n")


def replies() -> Iterator[tuple[str, bytes]]:
    """For what devices say."""
    yield "a reading that does not end", _filled(b"a", b"n=", b"!")
    yield "x for a pattern", _filled(b"x")
    yield "words for a pattern", _filled(b"ab ", b"", b"!")
    yield "commas", _filled(b",", b"because ")
    yield "digits and dots", _filled(b"1.", b"", b"x")
    yield "hexadecimal for a MAC", _filled(b"A", b"mac=", b"g")
    yield "lines", _filled(b"unit.mac: x\n")
    yield (
        "a long reading",
        _filled(b"x", b'{"unit":{"mac":"00-00-5E-00-53-01","firmware":"', b'"}}'),
    )
    yield (
        "a long name",
        _filled(b"x", b'{"unit":{"mac":"00-00-5E-00-53-01"},"network":{"name":"', b'"}}'),
    )
    for depth in (200, 900, 940, 960, 970, 980, 985, 990, 995, 1000):
        deep = b"[" * depth + b"]" * depth
        yield (
            f"a reading {depth} deep",
            (
                b'{"taken":false,"why":%s,"unit":{"mac":%s},"jsonrpc":"2.0","id":7,'
                b'"error":{"code":%s,"message":%s}}' % (deep, deep, deep, deep)
            ),
        )
    yield "a great number", b'{"taken": %s}' % (b"9" * 4000)
    yield "NaN", b'{"unit":{"mac":"00-00-5E-00-53-01","uptime_s":NaN},"broker":{"port":Infinity}}'
    yield "keys", b"{" + _numbered('"k{}":1,', 90_000) + b'"z":1}'
    yield "one key, often", _filled(b'"taken":true,', b"{", b'"taken":false}')


def for_reader(name: str, seed: bytes) -> list[tuple[str, bytes]]:
    """Every great input for a reader, with a name."""
    found = list(anything())
    if name in ("fleet.toml", "playbook", "dialect"):
        found += toml()
    elif name == "campaign":
        found += [*toml(), *campaigns()]
    elif name.startswith("campaign"):
        found += campaign_plans(seed)
    elif name.startswith("errand"):
        found += errands()
    elif name == "fleet.csv":
        found += csv()
    elif name.startswith("plan"):
        found += plans(seed)
    elif name == "findings":
        found += findings()
    elif name == "snapshot":
        found += snapshots()
    elif name == "leases":
        found += leases()
    else:
        found += replies()
    return found
