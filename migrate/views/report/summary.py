"""What a report says first: what the run was, how it ended, from when to when."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Final

from migrate.journal.rows import Entry, Row
from migrate.journal.store import (
    ALL_TOLD,
    BACK_HELD,
    FINISHED,
    FLIPPED,
    HELD,
    ROLLED_BACK,
    STOPPED,
    Journal,
)
from migrate.model.settings import FrozenValue, Setting
from migrate.views.networks import ssid_in_words
from migrate.views.report.story import Story
from migrate.views.words import count, lasting, tally, value_in_words


def summary(
    journal: Journal, entries: Sequence[Entry], story: Story, rows: Mapping[str, Row]
) -> Iterator[str]:
    """The run in a few sentences."""
    plan = journal.plan
    fleet = f"{count(len(rows), 'device')} in {count(len(plan.waves), 'wave')}"
    change = _change(journal)
    yield f"{fleet}{f': {change}' if change else ''}."
    off = sum(row.written_off for row in rows.values())
    states = tally(row.state for row in rows.values())
    states += f"; {off} of them written off" if off else ""
    yield f"{_ended(entries, rows)}: {states}."
    if story.clock:
        first, last = story.wall(0.0), story.wall(story.length)
        until = f"{last:%H:%M:%S}" if first.date() == last.date() else f"{last:%Y-%m-%d %H:%M:%S}"
        words = f"From {first:%Y-%m-%d %H:%M:%S} to {until} UTC, {lasting(story.length)}"
        if story.length - story.worked >= 1:
            words += f"; without pauses {lasting(story.worked)}"
        yield f"{words}."


def _ended(entries: Sequence[Entry], rows: Mapping[str, Row]) -> str:
    """How it ended, or where it stands."""
    if not any(row.sent_at for row in rows.values()):
        return "Nothing has been sent to any device"
    last = next((one for one in reversed(entries) if one.name is None and one.kind in ENDS), None)
    last_step = next((one for one in reversed(entries) if is_step(one)), None)
    if last is None or (last_step and last_step.seq > last.seq):
        return "It is at work, or was cut off in the midst of it"
    where = (
        f" at wave {last.wave + 1}"
        if last.kind in (HELD, BACK_HELD) and last.wave is not None
        else ""
    )
    return ENDS[last.kind] + where


ENDS: Final = {
    FINISHED: "It is finished",
    HELD: "It is held",
    BACK_HELD: "Its way back is held",
    STOPPED: "It was stopped",
    ROLLED_BACK: "It was taken back",
    ALL_TOLD: "It waits until you have changed the access point",
    FLIPPED: "The access point was changed, as you said",
}


def is_step(entry: Entry) -> bool:
    """Whether a device came from one state to another."""
    return entry.name is not None and entry.before != entry.after


def _change(journal: Journal) -> str:
    """From what to what, where all devices have it alike."""
    plan, told = journal.plan, []
    for setting, what in WHAT.items():
        changed = [d for d in plan.devices if setting in d.bundle]
        if not changed:
            continue
        new = {d.bundle[setting] for d in changed}
        old = set()
        for device in changed:
            back = journal.way_back(device.name) or device.way_back
            old.add(back.get(setting))
        if old != new or len(new) > 1:
            told.append(f"{what} from {_value(setting, old)} to {_value(setting, new)}")
        elif setting is Setting.WIFI_SSID:  # one access point, the same name
            told.append(f"a new passphrase for the {what} {_value(setting, new)}")
    return ", ".join(told)


WHAT: Final = {
    Setting.WIFI_SSID: "Wi-Fi network",
    Setting.SPARE_SSID: "spare Wi-Fi network",
    Setting.BROKER_HOST: "broker",
    Setting.GROUP_TOPIC: "group",
    Setting.SPARE_TOPIC: "spare group",
    Setting.ADDRESS: "address",
}


def _value(setting: Setting, found: set[FrozenValue | None] | set[FrozenValue]) -> str:
    if len(found) != 1:
        return "each its own"
    (value,) = found
    if value is None:
        return "what is not known here"
    if setting in (Setting.WIFI_SSID, Setting.SPARE_SSID) and isinstance(value, str) and value:
        return ssid_in_words(value)
    return value_in_words(setting, value)
