"""Wall times that stay the same for what was sent, whatever the clock does afterwards."""

from __future__ import annotations

import json
from random import Random

import pytest

from logger.core.tagging import SLOT_NS, Clockwork
from logger.followers.store.times import STEP_NS, Pin, Times

S = 10**9


def updated(times: Times, told: list[tuple[int, int, bool]], sent_upto_ns: int) -> bool:
    return times.update([Clockwork(*piece) for piece in told], sent_upto_ns)


def test_without_anything_pinned_wall_time_is_station_time() -> None:
    assert Times().wall_ns(5 * S) == 5 * S
    assert not Times().trusted(5 * S)


def test_a_journal_that_tells_of_no_clock_pins_nothing() -> None:
    times = Times()
    assert not updated(times, [], 5 * S)
    assert times.pins == ()


def test_the_newest_shift_holds_for_the_whole_piece_while_nothing_of_it_was_sent() -> None:
    times = Times()
    assert updated(times, [(0, 0, True), (10 * S, 1 * S, False)], 0)
    assert updated(times, [(0, 0, True), (10 * S, 50 * S, True)], 9 * S)
    assert times.wall_ns(9 * S) == 9 * S
    assert times.wall_ns(10 * S) == 60 * S
    assert [times.trusted(at) for at in (9 * S, 10 * S)] == [True, True]


def test_a_clock_that_is_set_later_counts_only_for_what_was_not_sent() -> None:
    times = Times()
    updated(times, [(0, 2 * S, True)], 0)
    assert updated(times, [(0, 7 * S, True)], 20 * S)
    assert times.wall_ns(20 * S) == 22 * S
    assert times.wall_ns(20 * S + SLOT_NS) == 27 * S + SLOT_NS


def test_a_clock_that_moves_by_a_tenth_of_a_second_moves_nothing() -> None:
    times = Times()
    updated(times, [(0, 0, True)], 0)
    assert not updated(times, [(0, STEP_NS, True)], 20 * S)
    assert updated(times, [(0, STEP_NS + SLOT_NS, True)], 20 * S)


def test_a_step_that_is_taken_back_before_anything_is_sent_leaves_no_pin() -> None:
    times = Times()
    updated(times, [(0, 0, True)], 0)
    updated(times, [(0, 3600 * S, True)], 20 * S)
    assert updated(times, [(0, 0, True)], 20 * S)
    assert times.pins == (Pin(0, 0, 0, True),)


def test_shifts_are_whole_slots_so_that_slots_stay_slots() -> None:
    times = Times()
    updated(times, [(0, 123_456_789, True)], 0)
    assert times.wall_ns(0) == 123_460_000


def test_what_comes_before_the_first_start_goes_with_it() -> None:
    times = Times()
    updated(times, [(10 * S, 5 * S, True)], 0)
    assert times.wall_ns(3 * S) == 8 * S


def test_an_earlier_start_that_was_all_sent_is_not_pinned_anew() -> None:
    times = Times()
    updated(times, [(0, 0, True), (10 * S, 0, True)], 0)
    assert updated(times, [(0, 4 * S, True), (10 * S, 4 * S, True)], 15 * S)
    assert times.wall_ns(9 * S) == 9 * S
    assert times.wall_ns(16 * S) == 20 * S


@pytest.mark.parametrize("seed", range(100))
def test_nothing_that_was_sent_ever_gets_another_time(seed: int) -> None:
    luck = Random(seed)
    times, sent_upto_ns = Times(), 0
    pieces: list[tuple[int, int, bool]] = []
    sent: dict[int, int] = {}
    for _ in range(40):
        newest_ns = max([sent_upto_ns, *(piece[0] for piece in pieces)])
        if not pieces or luck.random() < 0.1:
            pieces.append((newest_ns + luck.randrange(2 * S), luck.randrange(-9 * S, 9 * S), False))
        for number, (start, shift, trusted) in enumerate(pieces):
            if luck.random() < 0.2:
                pieces[number] = (
                    start,
                    shift + luck.choice([-5 * S, -1, 1, 5 * S]),
                    trusted or luck.random() < 0.5,
                )
        before = times.to_json()
        assert updated(times, pieces, sent_upto_ns) == (times.to_json() != before)
        for at_ns, wall_ns in sent.items():
            assert times.wall_ns(at_ns) == wall_ns
        for at_ns in luck.choices(range(0, newest_ns + 5 * S, 7), k=5):
            sent[at_ns] = times.wall_ns(at_ns)
            sent_upto_ns = max(sent_upto_ns, at_ns)
        times = Times.from_json(json.loads(json.dumps(times.to_json())))


@pytest.mark.parametrize("seed", range(20))
def test_a_stretch_has_one_shift_from_end_to_end(seed: int) -> None:
    luck = Random(seed)
    froms = sorted(luck.sample(range(1, 100), 6))
    times = Times(Pin(at * SLOT_NS, luck.randrange(9) * SLOT_NS, 0, True) for at in froms)
    for at_ns in range(0, 110 * SLOT_NS, SLOT_NS):
        start_ns, end_ns, shift_ns = times.stretch(at_ns)
        assert start_ns <= at_ns
        assert end_ns is None or at_ns < end_ns
        assert {times.wall_ns(at) - at for at in (start_ns, at_ns, (end_ns or at_ns + 1) - 1)} == {shift_ns}


def test_what_is_no_list_of_pins_is_refused() -> None:
    for told in ([[1, 2]], [["a", 1, 2, True]], [None]):
        with pytest.raises((ValueError, TypeError)):
            Times.from_json(told)  # type: ignore[arg-type]
