"""When a port sends what, at times given as numbers."""

from __future__ import annotations

import pytest

from logger.core.decode.contract import Exchange
from logger.ports.schedule import Backoff, Schedule

POLLED = Exchange(poll=b"?", interval_s=0.2, timeout_s=1.0)
STREAM = Exchange(start=b"R", stop=b"S", timeout_s=1.0)


def test_a_poll_is_sent_at_once_and_not_twice() -> None:
    schedule = Schedule(POLLED, 10.0)
    assert schedule.due(10.0) == b"?"
    assert schedule.due(10.0) == b""


def test_an_answered_poll_is_followed_after_the_interval() -> None:
    schedule = Schedule(POLLED, 10.0)
    schedule.due(10.0)
    schedule.heard(10.05, answered=True)
    assert schedule.next_s() == 10.2
    assert (schedule.due(10.19), schedule.due(10.2)) == (b"", b"?")


def test_an_unanswered_poll_is_followed_after_the_time_out() -> None:
    """Half an answer is none."""
    schedule = Schedule(POLLED, 10.0)
    schedule.due(10.0)
    schedule.heard(10.9, answered=False)
    assert (schedule.due(10.99), schedule.stale(10.99)) == (b"", False)
    assert schedule.stale(11.0)
    assert schedule.due(11.0) == b"?"


def test_a_time_out_shorter_than_the_interval_does_not_hurry_the_polls() -> None:
    schedule = Schedule(Exchange(poll=b"?", interval_s=2.0, timeout_s=1.0), 10.0)
    schedule.due(10.0)
    assert (schedule.due(11.5), schedule.due(12.0)) == (b"", b"?")


def test_start_is_sent_before_the_first_poll() -> None:
    schedule = Schedule(Exchange(start=b"!", poll=b"?"), 10.0)
    assert [schedule.due(10.0) for _ in range(3)] == [b"!", b"?", b""]


def test_a_stream_is_started_once_and_again_after_five_time_outs_of_silence() -> None:
    schedule = Schedule(STREAM, 10.0)
    assert [schedule.due(10.0), schedule.due(10.0)] == [b"R", b""]
    schedule.heard(12.0, answered=True)
    assert [schedule.due(16.9), schedule.due(17.0), schedule.due(17.0), schedule.due(22.0)] == [
        b"",
        b"R",
        b"",
        b"R",
    ]


def test_who_only_listens_is_never_due_but_notices_silence() -> None:
    schedule = Schedule(Exchange(timeout_s=1.0), 10.0)
    assert (schedule.due(99.0), schedule.next_s()) == (b"", float("inf"))
    schedule.heard(99.0, answered=False)
    assert (schedule.stale(99.9), schedule.stale(100.0)) == (False, True)


def test_waits_double_up_to_the_longest_and_begin_anew_once_mended() -> None:
    backoff = Backoff(0.25, 8.0, 0.0, lambda: 1.0)
    assert [backoff.wait_s() for _ in range(7)] == [0.25, 0.5, 1.0, 2.0, 4.0, 8.0, 8.0]
    backoff.mended()
    assert backoff.wait_s() == 0.25


def test_a_share_of_the_wait_is_left_to_chance() -> None:
    assert Backoff(1.0, 8.0, 0.1, lambda: 0.5).wait_s() == 1.05


@pytest.mark.parametrize(
    ("first_s", "longest_s", "jitter"), [(0.0, 1.0, 0.1), (2.0, 1.0, 0.1), (1.0, 2.0, 1.1), (1.0, 2.0, -0.1)]
)
def test_waits_that_can_t_be_are_refused(first_s: float, longest_s: float, jitter: float) -> None:
    with pytest.raises(ValueError, match="reopen_"):
        Backoff(first_s, longest_s, jitter, lambda: 0.0)
