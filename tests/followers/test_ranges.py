"""Ranges against a plain set of numbers."""

from __future__ import annotations

from itertools import count, pairwise, takewhile

from hypothesis import given, settings
from hypothesis import strategies as st

from logger.followers.ranges import Ranges

MOST = 30
SPAN = st.tuples(st.integers(1, MOST), st.integers(0, MOST))  # may be empty
STEPS = st.lists(st.tuples(st.sampled_from(["add", "remove"]), SPAN), max_size=25)


def made(steps: list[tuple[str, tuple[int, int]]]) -> tuple[Ranges, set[int]]:
    """Both after the same steps; each step's answer is compared on the way."""
    ranges, plain = Ranges(), set[int]()
    for step, (first, last) in steps:
        span = set(range(first, last + 1))
        if step == "add":
            assert ranges.add(first, last) == len(span - plain)
            plain |= span
        else:
            assert ranges.remove(first, last) == len(span & plain)
            plain -= span
    return ranges, plain


@settings(deadline=None)
@given(STEPS)
def test_after_any_steps_it_holds_what_a_set_holds(steps: list[tuple[str, tuple[int, int]]]) -> None:
    ranges, plain = made(steps)
    assert {number for first, last in ranges for number in range(first, last + 1)} == plain
    assert len(ranges) == len(plain)


@settings(deadline=None)
@given(STEPS)
def test_its_ranges_are_in_order_and_never_touch(steps: list[tuple[str, tuple[int, int]]]) -> None:
    ranges, _ = made(steps)
    listed = list(ranges)
    assert all(first <= last for first, last in listed)
    assert all(one[1] + 1 < other[0] for one, other in pairwise(listed))


@settings(deadline=None)
@given(STEPS, st.integers(0, MOST), st.integers(1, MOST))
def test_next_gives_the_first_numbers_above_one_up_to_a_hole(
    steps: list[tuple[str, tuple[int, int]]], after: int, limit: int
) -> None:
    ranges, plain = made(steps)
    first = min((number for number in plain if number > after), default=None)
    if first is None:
        expected = None
    else:
        whole = list(takewhile(plain.__contains__, count(first)))
        expected = (first, whole[:limit][-1])
    assert ranges.next(after, limit) == expected


@settings(deadline=None)
@given(STEPS, st.integers(0, MOST))
def test_it_counts_what_is_above_a_number(steps: list[tuple[str, tuple[int, int]]], after: int) -> None:
    ranges, plain = made(steps)
    assert ranges.count_after(after) == sum(number > after for number in plain)


@settings(deadline=None)
@given(STEPS)
def test_made_of_its_own_ranges_it_is_the_same(steps: list[tuple[str, tuple[int, int]]]) -> None:
    ranges, _ = made(steps)
    assert list(Ranges(list(ranges))) == list(ranges)


@settings(deadline=None)
@given(STEPS, SPAN)
def test_it_holds_a_span_where_it_holds_every_number_of_it(
    steps: list[tuple[str, tuple[int, int]]], span: tuple[int, int]
) -> None:
    ranges, plain = made(steps)
    assert ranges.holds(*span) == (set(range(span[0], span[1] + 1)) <= plain)
