"""Whose turn it is on a bus, and whose answer is believed: times are numbers here, nothing waits."""

from __future__ import annotations

from collections.abc import Sequence

import pytest

from logger.ports.schedule import Backoff
from logger.ports.turns import MISSED, Trust, Turns

TIMEOUT_S = 0.3
EVERYONE = ("a", "b", "c")


def turns(*, tells_apart: bool = False, names: Sequence[str] = EVERYONE) -> Turns:
    """Instruments a and b at device 1, c at device 2, each asked every 0.2 s."""
    asked = [(name, 2 if name == "c" else 1, 0.2, TIMEOUT_S) for name in names]
    made = Turns(asked, tells_apart, lambda: Backoff(0.25, 8.0, 0.0, lambda: 0.0))
    made.begin(0.0)
    return made


def test_everyone_is_asked_in_turn() -> None:
    made, order = turns(), []
    for step in range(6):
        turn = made.next(EVERYONE)
        assert turn is not None
        order.append(turn.name)
        made.sent(turn, step * 0.01)
        made.answered(turn, step * 0.01)
    assert order == ["a", "b", "c"] * 2


def test_nobody_is_asked_where_nobody_is_left() -> None:
    assert turns().next(()) is None


def test_what_was_missed_is_not_made_up_for() -> None:
    made = turns(names="c")
    (turn,) = made.all
    made.sent(turn, 10.0)
    assert turn.due_s == 10.0
    made.sent(turn, 10.0)
    assert turn.due_s == pytest.approx(10.2)


def test_a_dead_device_is_left_alone_longer_each_time_and_the_others_not() -> None:
    made = turns()
    _, b, c = made.all
    waits = []
    for _ in range(7):
        made.was_missed(c, 0.0)
        waits.append(c.due_s)
    assert waits == [TIMEOUT_S, 0.5, 1.0, 2.0, 4.0, 8.0, 8.0]
    assert c.device.dead
    assert b.due_s == 0.0
    assert not b.device.dead


def test_a_device_is_called_dead_by_three_misses_and_alive_by_one_answer() -> None:
    made = turns(names="c")
    (turn,) = made.all
    dead = []
    for _ in range(MISSED):
        made.was_missed(turn, 0.0)
        dead.append(turn.device.dead)
    assert dead == [False, False, True]
    assert made.answered(turn, 1.0)
    assert not turn.device.dead


def test_after_a_miss_a_device_of_two_registers_is_believed_at_its_second_answer() -> None:
    made = turns()
    a, b, _ = made.all
    made.was_missed(a, 1.0)
    assert not made.answered(b, 2.0)
    assert (a.due_s, b.due_s) == (2.0 + TIMEOUT_S, 2.0 + TIMEOUT_S)
    assert made.answered(a, 3.0)
    assert a.device.trust is Trust.SURE


def test_what_nobody_asked_for_takes_the_trust_back() -> None:
    made = turns()
    a, b, _ = made.all
    made.was_missed(a, 1.0)
    made.answered(b, 2.0)
    made.stray(2.1)
    assert not made.answered(a, 3.0)


def test_a_refusal_that_may_be_to_an_earlier_question_is_nobodys() -> None:
    """Register a is refused, and late; the refusal must not put b down."""
    made = turns()
    a, b, _ = made.all
    made.was_missed(a, 1.0)
    assert not made.was_refused(b, 2.0)
    assert b.refused == 0
    assert made.was_refused(b, 3.0)
    assert b.refused == 1


@pytest.mark.parametrize(("tells_apart", "names"), [(True, EVERYONE), (False, ("a", "c"))])
def test_an_answer_that_can_be_to_no_other_question_is_believed_at_once(
    tells_apart: bool, names: Sequence[str]
) -> None:
    made = turns(tells_apart=tells_apart, names=names)
    made.was_missed(made.all[0], 1.0)
    assert made.answered(made.all[0], 2.0)


def test_a_refused_register_waits_longer_while_the_devices_other_goes_on() -> None:
    made = turns()
    a, b, _ = made.all
    for _ in range(3):
        made.was_refused(a, 1.0)
    assert a.due_s == 2.0
    assert b.due_s == 0.0
    assert not a.device.dead
