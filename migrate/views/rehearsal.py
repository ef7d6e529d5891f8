"""What came out of a rehearsal: a table of ways, and pictures of this plan."""

from __future__ import annotations

from collections.abc import Sequence

from rich.console import Console
from rich.table import Table
from rich.text import Text

from migrate.planning.fates import OUTAGE_SECONDS, SLOWER, Rates
from migrate.planning.plan import Plan
from migrate.planning.rehearsal import Result
from migrate.planning.times import run_seconds
from migrate.views.bars import bar
from migrate.views.lines import say, show
from migrate.views.words import count, lasting, leg_in_words, span

BINS = 10
"""Most rows of a picture."""


def show_rehearsal(
    plan: Plan, rates: Rates, results: Sequence[Result], seed: int, console: Console
) -> None:
    """Print all of it. The plan's own result is the first."""
    mine = results[0]
    times = len(mine.trials)
    head = f"{plan.title}: rehearsed {times:,} times on paper, seed {seed}"
    say(console, head, "bold")
    if leg := leg_in_words(plan.leg):
        say(console, leg[0].upper() + leg[1:])
    for sentence in (*_rates(rates), *_unplayed(plan)):
        say(console, sentence)
    console.print()
    _table(results, console)
    console.print()
    _to_open(results, console)
    console.print()
    _stops(mine, console)
    console.print()
    _durations(plan, mine, console)
    console.print()
    say(console, CLOSING, "bold")


CLOSING = (
    "Nothing is learned about real devices: what comes out follows from the rates that went in."
)


def _rates(rates: Rates) -> list[str]:
    low, high = SLOWER
    short, long = OUTAGE_SECONDS
    return [
        f"Of all devices, {_percent(rates.declines)} decline, {_percent(rates.misread)} come back "
        f"with a wrong setting, {_percent(rates.slow)} take {low:g} to {high:g} times as long, "
        f"{_percent(rates.lost)} do not return.",
        f"Of all twin groups that have shown no return before, {_percent(rates.group)} are wrong "
        "as a whole: every device of such a group that is sent anything is lost.",
        f"The broker restarts {rates.broker:g} times an hour and is gone for {short:g} to {long:g} "
        "seconds.",
    ]


def _unplayed(plan: Plan) -> list[str]:
    told = ["A run ends at its first fault, as the gates hold; nobody resumes it here."]
    if any(device.quiet for device in plan.devices):
        told.append("Quiet hours are not played: a real run waits for them.")
    if plan.leg.together:
        told.append("The time until you have changed the access point is not played.")
        told.append(
            "One access point changes for all devices of this step: the other ways are not open to "
            "it, and are shown to be compared with."
        )
    if plan.on_fault != "hold":
        told.append("The way back, which this plan takes at a fault, is not played.")
    return told


def _table(results: Sequence[Result], console: Console) -> None:
    table = Table(box=None, padding=(0, 1, 0, 0), pad_edge=False, header_style="")
    table.add_column("\nway", no_wrap=True)
    for head in (
        "\nwaves",
        "most\naway",
        "covers\nbroken",
        "played\nto end",
        "to open\nmean",
        "\n95%",
        "\nworst",
        "left\nbehind",
        "median\ntime",
    ):
        table.add_column(head, justify="right", no_wrap=True)
    for one in results:
        half = one.seconds(0.5)
        table.add_row(
            one.way,
            str(one.waves),
            str(one.widest),
            str(one.together),
            _percent(one.finished, 0),
            f"{one.opened_mean:.2f}",
            str(one.opened(0.95)),
            str(one.opened(1)),
            f"{one.left_mean:.1f}",
            lasting(half) if half is not None else "-",
        )
    show(console, table)
    say(
        console,
        "most away: devices off the network at once; covers broken: those of which two are "
        "away at once; to open: devices that have to be opened by hand, on average, in 95 of "
        "100 rehearsals at most, and in the worst; left behind: devices not moved yet when it "
        "stopped, on average; median time: half of those played to the end took no longer.",
    )


def _to_open(results: Sequence[Result], console: Console) -> None:
    """How often how many devices had to be opened, for each way in the same steps."""
    say(console, "Devices to open by hand: no more than this in 99 of 100 rehearsals", "bold")
    counts = [one.opened(0.99) for one in results]
    most = max([*counts, 1])
    wide = _room(console, 26)
    for one, number in zip(results, counts, strict=True):
        drawn = bar(number / most, wide, console)
        console.print(Text(f"  {one.way:<12}  {drawn} {number}".rstrip()))


def _stops(mine: Result, console: Console) -> None:
    console.print(Text("Where this plan stops", "bold"))
    stops, times = mine.stops(), len(mine.trials)
    width = -(-mine.waves // BINS)
    wide = _room(console, 34)
    rows = [("to the end", mine.finished)]
    for first in range(0, mine.waves, width):
        last = min(first + width, mine.waves) - 1
        number = sum(stops.get(wave, 0) for wave in range(first, last + 1))
        name = f"wave {first + 1}" if first == last else f"waves {first + 1} to {last + 1}"
        rows.append((name, number / times))
    most = max(share for _, share in rows) or 1.0
    for name, share in rows:
        drawn = bar(share / most, wide, console)
        console.print(Text(f"  {name:<18}  {drawn} {_percent(share)}"))


def _durations(plan: Plan, mine: Result, console: Console) -> None:
    """How long this plan takes where it is played to the end."""
    done = mine.done_seconds()
    if not done:
        console.print(Text("This plan was never played to its end.", "bold"))
        return
    whole = run_seconds(wave.seconds for wave in plan.waves)
    five, half, most = (mine.seconds(share) or 0.0 for share in (0.05, 0.5, 0.95))
    say(
        console,
        f"How long this plan takes, of {count(len(done), 'rehearsal')} played to the end",
        "bold",
    )
    say(
        console,
        f"5% within {lasting(five)}, half within {lasting(half)}, 95% within {lasting(most)}; "
        f"the plan expects {span(whole.least, whole.most)}",
        indent=2,
    )
    shortest, longest = done[0], done[-1]
    step = (longest - shortest) / BINS or 1.0
    bins = [0] * BINS
    for seconds in done:
        bins[min(BINS - 1, int((seconds - shortest) / step))] += 1
    if longest == shortest:
        bins = bins[:1]
    wide = _room(console, 34)
    for number, found in enumerate(bins):
        name = f"up to {(shortest + (number + 1) * step) / 60:.1f} min"
        drawn = bar(found / max(bins), wide, console)
        console.print(Text(f"  {name:<18}  {drawn} {_percent(found / len(done))}"))


def _room(console: Console, taken: int) -> int:
    return max(8, min(50, console.width - taken))


def _percent(share: float, digits: int | None = None) -> str:
    if digits is not None:
        return f"{share * 100:.{digits}f}%"
    return f"{share * 100:.2g}%" if share < 0.1 else f"{share * 100:.0f}%"
