"""Shift boundaries by the calendar, summer time included (Europe/Vienna: 29 March and 25 October 2026).

The dates are those of the IANA time zone database, as Python's zoneinfo carries it.
"""

from __future__ import annotations

import time
from zoneinfo import ZoneInfo

import pytest
from freezegun import freeze_time

from logger.clock import Clock
from logger.core.shifts import Shift, shift_at
from logger.core.walltime import rfc3339

VIENNA = ZoneInfo("Europe/Vienna")
DAY = ((6 * 60, 14 * 60), (14 * 60, 22 * 60))
NIGHT = ((22 * 60, 6 * 60),)
ROUND = ((6 * 60, 14 * 60), (14 * 60, 22 * 60), (22 * 60, 6 * 60))


def now(shifts: tuple[tuple[int, int], ...]) -> Shift | None:
    """The shift of the moment that the (frozen) wall clock shows."""
    return shift_at(Clock(wall_ns=time.time_ns).wall_ns(), VIENNA, shifts)


@pytest.mark.parametrize(
    ("utc", "start"),
    [
        ("2026-03-02T04:59:59Z", None),
        ("2026-03-02T05:00:00Z", "2026-03-02T06:00:00.000+01:00"),
        ("2026-03-02T12:59:59Z", "2026-03-02T06:00:00.000+01:00"),
        ("2026-03-02T13:00:00Z", "2026-03-02T14:00:00.000+01:00"),
        ("2026-03-02T21:00:00Z", None),
        ("2026-07-02T04:00:00Z", "2026-07-02T06:00:00.000+02:00"),
    ],
)
def test_a_shift_begins_and_ends_by_the_local_clock(utc: str, start: str | None) -> None:
    with freeze_time(utc):
        shift = now(DAY)
    assert (None if shift is None else rfc3339(shift.start_ns, VIENNA)) == start


@pytest.mark.parametrize(
    ("utc", "hours"),
    [
        ("2026-03-27T23:00:00Z", 8.0),
        ("2026-03-29T00:59:59Z", 7.0),  # a second before the clock is put forward, in a day of 23 hours
        ("2026-03-29T01:00:00Z", 7.0),
        ("2026-10-25T00:30:00Z", 9.0),  # 02:30 for the first time, in a day of 25 hours
        ("2026-10-25T01:30:00Z", 9.0),  # 02:30 again
    ],
)
def test_a_night_shift_is_as_long_as_the_night_was(utc: str, hours: float) -> None:
    with freeze_time(utc):
        shift = now(NIGHT)
    assert shift is not None
    assert shift.hours == hours


@pytest.mark.parametrize(("day", "hours"), [("2026-03-28", 23.0), ("2026-10-24", 25.0), ("2026-06-10", 24.0)])
def test_three_shifts_cover_every_day_without_gap_or_overlap(day: str, hours: float) -> None:
    """Walking from one shift's end to the next gives 06:00 to 06:00, 23 or 25 hours where clocks change."""
    with freeze_time(f"{day}T10:00:00Z"):
        first = now(ROUND)
    assert first is not None
    walk = [first]
    for _ in range(2):
        following = shift_at(walk[-1].end_ns, VIENNA, ROUND)
        assert following is not None
        assert following.start_ns == walk[-1].end_ns
        walk.append(following)
    assert (walk[-1].end_ns - walk[0].start_ns) / 3.6e12 == hours


def test_a_night_shift_belongs_to_the_day_it_began_on() -> None:
    with freeze_time("2026-03-03T02:00:00Z"):
        shift = now(NIGHT)
    assert shift is not None
    assert shift.day.isoformat() == "2026-03-02"


def test_without_shifts_there_is_none() -> None:
    with freeze_time("2026-03-03T02:00:00Z"):
        assert now(()) is None
