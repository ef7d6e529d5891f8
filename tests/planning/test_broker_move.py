"""What is copied to a new broker, and who is thought to be where."""

from __future__ import annotations

import pytest

from migrate.planning.broker_move import Heard, Mark, Stand, copy_plan, judge

ONE, TWO = Mark(3, b"1"), Mark(4, b"2")


def test_copy_plan_puts_each_topic_in_one_place() -> None:
    old = dict.fromkeys(("new", "same", "differ", "command", "long", "$SYS/x"), ONE)
    new = {"same": ONE, "differ": TWO, "command": TWO}
    plan = copy_plan(old, new, ["#"], {"command"}, {"long"}, overwrite=False)
    assert (plan.send, plan.same, plan.differ) == (("new",), ("same",), ("differ",))
    assert (plan.commands, plan.unheld) == (("command",), ("long",))
    assert plan.left == 3
    over = copy_plan(old, new, ["#"], {"command"}, {"long"}, overwrite=True)
    assert over.send == ("differ", "new")
    assert over.commands == ("command",)


@pytest.mark.parametrize(
    ("topic_filter", "topic", "chosen"),
    [
        ("sport/tennis/player1/#", "sport/tennis/player1", True),
        ("sport/tennis/player1/#", "sport/tennis/player1/score/wimbledon", True),
        ("sport/tennis/+", "sport/tennis/player1/ranking", False),
        ("sport/+", "sport", False),
        ("+/+", "/finance", True),
        ("+", "/finance", False),
        ("#", "$SYS/monitor", False),
        ("+/monitor/Clients", "$SYS/monitor/Clients", False),
        ("$SYS/#", "$SYS/monitor", True),
    ],
)
def test_filters_choose_as_the_standard_says(topic_filter: str, topic: str, chosen: bool) -> None:
    """The examples of OASIS MQTT 5.0, sections 4.7.1.2, 4.7.1.3 and 4.7.2 (from memory)."""
    plan = copy_plan({topic: ONE}, {}, [topic_filter], (), (), overwrite=False)
    assert bool(plan.send) is chosen


@pytest.mark.parametrize(
    ("new", "old", "stand"),
    [
        (Heard(read=True, asked=True), None, Stand.THERE),
        (Heard(read=True, asked=True), Heard(online=True, asked=True), Stand.THERE),
        (Heard(read=True, asked=True), Heard(read=True, asked=True), Stand.BOTH),
        (Heard(asked=True), Heard(read=True, asked=True), Stand.OLD),
        (Heard(online=True), None, Stand.SAYS_SO),
        (Heard(online=True, asked=True), None, Stand.MISSING),
        (Heard(online=True, asked=True, fresh=True), None, Stand.SAYS_SO),
        (Heard(asked=True), Heard(online=True, asked=True), Stand.MISSING),
        (Heard(), Heard(online=True), Stand.OLD),
        (Heard(online=False), None, Stand.MISSING),
        (Heard(other="00-00-5E-00-53-99", online=True), None, Stand.OTHER),
    ],
)
def test_an_answer_counts_for_more_than_a_kept_word(
    new: Heard, old: Heard | None, stand: Stand
) -> None:
    assert judge(new, old).stand is stand


def test_one_that_sleeps_is_not_said_to_be_lost() -> None:
    silent = Heard(asked=True, why="no reply")
    assert judge(silent, silent).stand is Stand.MISSING
    assert judge(silent, silent, sleeps=True).stand is Stand.ASLEEP
    assert judge(Heard(read=True), silent, sleeps=True).stand is Stand.THERE
    assert judge(silent, Heard(read=True), sleeps=True).stand is Stand.OLD
