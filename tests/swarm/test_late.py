"""Deadlines that follow the returns seen (RFC 6298), and devices that come after theirs."""

from __future__ import annotations

from migrate.model.deadline import Estimate, deadline
from migrate.virtual.unit import Flaws

from .scenario import Scenario
from .scripted import device, setting
from .story import Ending, play


def house(slow_by: float, *, cuts: dict[int, str] | None = None) -> Scenario:
    """Five alike, moved to another network in waves; the last is slower by so many seconds."""
    devices = [device(number) for number in range(4)]
    devices.append(device(4, reach="tools", flaws=Flaws(slow=1, slow_by=slow_by)))
    return setting(*devices, least=10.0, most=60.0, soak=4.0, cuts=cuts or {}, forward_only=True)


def told(ending: Ending, word: str) -> list[str]:
    return [line for line in ending.told if f"device-4 {word}" in line]


def test_one_that_comes_after_its_deadline_is_folded_back_into_the_same_run() -> None:
    ending = play(0, house(slow_by=30.0))
    assert ending.broken == ""
    (late,), (seen,), (settled,) = (told(ending, w) for w in ("adrift", "seen", "settled"))
    assert ending.told.index(late) < ending.told.index(seen) < ending.told.index(settled)
    # Nobody had to decide anything: one process, and the gate waited for it.
    assert (ending.processes, ending.moved) == (1, 5)


def test_its_deadline_is_that_of_rfc_6298_over_the_returns_seen() -> None:
    """Section 2: SRTT and RTTVAR over the samples that the run itself told, K = 4, clamped."""
    ending = play(0, house(slow_by=30.0))
    took = [float(line.split(" after ")[1].split()[0]) for line in told_of_others(ending)]
    assert len(took) == 4
    estimate = Estimate.first(took[0])
    for sample in took[1:]:
        estimate = estimate.after(sample)
    expected = deadline(estimate, 10.0, 60.0)
    (late,) = told(ending, "adrift")
    away = next(line for line in ending.told if "device-4 away" in line)
    waited = float(late.split()[0]) - float(away.split()[0])
    # A look a second, which lasts as long as nobody answers: two seconds at most.
    assert expected <= waited + 0.01 <= expected + 2 * (1.0 + 2.0)


def told_of_others(ending: Ending) -> list[str]:
    return [line for line in ending.told if " seen at " in line and "device-4" not in line]


def test_a_later_process_knows_the_returns_that_an_earlier_one_saw() -> None:
    whole = play(0, house(slow_by=30.0))
    sent = next(line for line in whole.told if "device-4 sending" in line)
    # Cut off as the last device has just been sent its bundle.
    for step in range(1, whole.steps):
        cut = play(0, house(slow_by=30.0, cuts={step: "cut"}))
        assert cut.broken == "", step
        if sent in cut.told and "device-4 away it said" not in "\n".join(cut.told):
            break
    else:
        raise AssertionError("no such step")
    away = next(line for line in cut.told if "device-4 away" in line)
    late = told(cut, "adrift")[0]
    # Without what was learned it would have waited for the longest deadline, 60 s.
    assert float(late.split()[0]) - float(away.split()[0]) < 30.0


def test_one_that_comes_after_the_longest_deadline_is_recognised_by_a_later_process() -> None:
    ending = play(0, house(slow_by=75.0))
    assert ending.broken == ""
    assert ending.processes > 1
    assert ending.moved == 5
    assert any("found after all" in line for line in told(ending, "seen"))
