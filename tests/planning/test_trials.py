"""The steps of a trial, against devices in memory with one defect each."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import partial

import pytest

from migrate.dialects.carrying import harmless_faults
from migrate.dialects.schema import Dialect
from migrate.planning.ledger import Findings, Sign, findings_from_json, findings_json
from migrate.planning.trials import BrokenOff, Came, Give, Trial, signs, trial, tried_of

from .samples import device, dialects

Keep = Callable[[dict[str, str], Mapping[str, str]], None]
DEVICE = device("spare")
DIALECTS = dialects()


def sound(held: dict[str, str], told: Mapping[str, str]) -> None:
    held.update(told)


def cuts(sign: str) -> Keep:
    def keep(held: dict[str, str], told: Mapping[str, str]) -> None:
        held.update({name: value.partition(sign)[0] for name, value in told.items()})

    return keep


def first_only(held: dict[str, str], told: Mapping[str, str]) -> None:
    held.update([next(iter(told.items()))])


def trims(held: dict[str, str], told: Mapping[str, str]) -> None:
    held.update({name: value.strip() for name, value in told.items()})


def ascii_only(held: dict[str, str], told: Mapping[str, str]) -> None:
    # As firmware does that keeps octets above 127 as question marks.
    held.update({n: v.encode("ascii", "replace").decode() for n, v in told.items()})


def short(held: dict[str, str], told: Mapping[str, str]) -> None:
    held.update({name: value[:50] for name, value in told.items()})


def deaf(held: dict[str, str], told: Mapping[str, str]) -> None:
    return


def tried(
    keep: Keep, dialect: Dialect, *, restart: bool = False, forgets: bool = False
) -> tuple[Trial, list[Give]]:
    """The trial of a device that keeps what it is told in this way, and all it was given."""
    held = dict.fromkeys(dialect.harmless, "as it was")
    given: list[Give] = []
    steps = trial(dialect, partial(harmless_faults, dialect, DEVICE, "mqtt"), restart=restart)
    came: Came | None = None
    while True:
        try:
            give = next(steps) if came is None else steps.send(came)
        except StopIteration as done:
            shown: Trial = done.value
            return shown, given
        given.append(give)
        if give.restart and forgets:
            held = dict.fromkeys(held, "")
        if give.values:
            keep(held, give.values)
        came = Came(dict(held))


@pytest.mark.parametrize("family", ["larch", "rowan", "sedge"])
def test_a_sound_device_of_each_family(family: str) -> None:
    dialect = DIALECTS[family]
    shown, given = tried(sound, dialect)
    assert shown.well
    assert shown.lost == ()
    assert shown.length == (64, 64)
    # Nothing but the harmless texts is ever given.
    assert {name for give in given for name in give.values} <= set(dialect.harmless)
    # What a dialect is over-careful about is told: this device would keep separators too.
    assert bool(shown.spared) == (family == "sedge")


def test_few_writes_if_all_is_well() -> None:
    _, given = tried(sound, DIALECTS["larch"])
    assert len(given) < 12


@pytest.mark.parametrize(
    ("keep", "lost"),
    [
        (cuts(";"), {Sign(text=";"), Sign(text="&amp;")}),
        (cuts('"'), {Sign(text='"')}),
        (cuts("\\"), {Sign(text="\\"), Sign(text="\\n")}),
        (cuts("%"), {Sign(text="%"), Sign(text="%41")}),
        (trims, {Sign(text=" ", where="first"), Sign(text=" ", where="last")}),
        # RFC 3629: one character of each length beside the first.
        (ascii_only, {Sign(text=char, where="like") for char in "\xe9\u20ac\U00010348"}),
    ],
)
def test_each_sign_that_is_lost_and_no_other(keep: Keep, lost: set[Sign]) -> None:
    shown, _ = tried(keep, DIALECTS["larch"])
    assert {mark.sign for mark in shown.lost} == lost
    assert not shown.well


def test_what_the_dialect_says_is_lost_is_no_danger() -> None:
    shown, _ = tried(trims, DIALECTS["sedge"])
    assert shown.lost == ()
    assert shown.well


def test_only_the_first_of_a_message_is_kept() -> None:
    shown, _ = tried(first_only, DIALECTS["rowan"])
    assert (shown.alone, shown.together) == (True, False)
    assert not shown.well


def test_a_text_is_cut_at_fifty_octets() -> None:
    shown, _ = tried(short, DIALECTS["rowan"])
    assert shown.length == (64, 50)
    assert not shown.well
    record = tried_of(
        shown, at="2026-01-01", dialect="rowan", sha256="0" * 64, firmware="1", via="mqtt"
    )
    assert record.cut == 50


def test_a_device_that_keeps_nothing_is_left_alone_after_the_first_write() -> None:
    shown, given = tried(deaf, DIALECTS["larch"])
    assert (shown.alone, len(given)) == (False, 1)
    assert not shown.well


@pytest.mark.parametrize("forgets", [True, False])
def test_a_restart(forgets: bool) -> None:
    shown, given = tried(sound, DIALECTS["sedge"], restart=True, forgets=forgets)
    assert shown.lasting is not forgets
    assert sum(give.restart for give in given) == 1


def test_what_could_not_be_read_is_neither_kept_nor_lost() -> None:
    dialect = DIALECTS["larch"]
    steps = trial(dialect, partial(harmless_faults, dialect, DEVICE, "mqtt"), restart=False)
    give = next(steps)
    try:
        while True:
            readable = give.step in ("write", "together")
            give = steps.send(Came(give.values if readable else None, "no answer"))
    except StopIteration as done:
        shown = done.value
    assert shown.lost == ()
    assert len(shown.unknown) == len(list(signs(dialect)))
    assert not shown.well


def test_every_special_of_printable_ascii_is_tried() -> None:
    # RFC 20: 0x21 to 0x7E without 62 letters and digits are 32.
    singles = {s.text for s in signs(DIALECTS["larch"]) if s.where == "inside" and len(s.text) == 1}
    assert len(singles - {" "}) == 32


def test_a_record_is_read_as_it_was_written() -> None:
    shown, _ = tried(ascii_only, DIALECTS["larch"])
    one = tried_of(
        shown, at="2026-01-02T03:04:05", dialect="larch", sha256="0" * 64, firmware="1", via="mqtt"
    )
    findings = Findings(tried=(one,))
    assert findings_from_json(findings_json(findings), "here") == findings
    assert [sign.within("gr\xfcn") for sign in one.lost] == [True, False, False]


@pytest.mark.parametrize(
    ("sign", "yes", "no"),
    [
        (Sign(text=" ", where="first"), " a", "a "),
        (Sign(text=" ", where="last"), "a ", " a"),
        (Sign(text=";"), "a;b", "ab"),
        (Sign(text="\u20ac", where="like"), "\u4e2d", "\xe9"),
    ],
)
def test_where_a_sign_is_found(sign: Sign, yes: str, no: str) -> None:
    assert sign.within(yes)
    assert not sign.within(no)


@pytest.mark.parametrize("keep", [sound, cuts(";"), first_only, deaf, short])
def test_broken_off_anywhere_it_has_shown_what_it_had_shown(keep: Keep) -> None:
    dialect = DIALECTS["larch"]
    whole, given = tried(keep, dialect)
    last = Trial()
    for answered in range(len(given)):
        held = dict.fromkeys(dialect.harmless, "as it was")
        steps = trial(dialect, partial(harmless_faults, dialect, DEVICE, "mqtt"), restart=False)
        give = next(steps)
        for _ in range(answered):
            keep(held, give.values)
            give = steps.send(Came(dict(held)))
        assert give == given[answered]
        with pytest.raises(StopIteration) as ended:
            steps.throw(BrokenOff)
        shown: Trial = ended.value.value
        assert shown.any == (answered > 0)
        assert shown.alone == (whole.alone if answered > 0 else None)
        assert shown.together == (whole.together if answered > 1 else None)
        assert shown.length is None  # that is the last
        assert set(shown.marks) <= set(whole.marks)
        assert set(shown.marks) >= set(last.marks)
        last = shown
    # Before its last give it has shown every mark; one that keeps nothing has none to show.
    assert last.marks == whole.marks
