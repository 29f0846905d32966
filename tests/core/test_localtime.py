"""Times by the bay's clock: what is typed, what is printed, and the hours that are not one moment.

Summer time in Vienna: EU directive 2000/84/EC, from 01:00 UTC of the last Sunday in March to 01:00 UTC of
the last in October; in 2026 those are 29 March and 25 October.
"""

from __future__ import annotations

from datetime import UTC
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.core.localtime import read_time, say_time, say_times
from logger.core.walltime import parse_rfc3339

VIENNA = ZoneInfo("Europe/Vienna")
NOW = parse_rfc3339("2026-03-02T14:30:00+01:00")


@pytest.mark.parametrize(
    ("text", "moment"),
    [
        ("06:10", "2026-03-02T06:10:00+01:00"),
        ("6:10", "2026-03-02T06:10:00+01:00"),
        ("14:30:05", "2026-03-02T14:30:05+01:00"),
        ("2026-03-01 23:59", "2026-03-01T23:59:00+01:00"),
        ("2026-07-01T06:10:30", "2026-07-01T06:10:30+02:00"),
        ("2026-03-02T06:10:00Z", "2026-03-02T06:10:00Z"),
        ("2026-03-02 06:10 +05:30", "2026-03-02T06:10:00+05:30"),
        ("2026-03-02T06:10:00.25-03:00", "2026-03-02T06:10:00.25-03:00"),
    ],
)
def test_a_time_without_an_offset_is_the_bays(text: str, moment: str) -> None:
    assert read_time(text, VIENNA, NOW) == parse_rfc3339(moment)


def test_a_time_of_day_shortly_after_midnight_is_yesterdays() -> None:
    now = parse_rfc3339("2026-03-02T00:20:00+01:00")
    assert read_time("23:50", VIENNA, now) == parse_rfc3339("2026-03-01T23:50:00+01:00")


def test_a_time_of_day_that_has_not_come_yet_is_asked_back() -> None:
    """16:10 typed for 06:10 must not become yesterday afternoon."""
    with pytest.raises(ValueError, match="has not come yet: it is 2026-03-02 14:30:00"):
        read_time("16:10", VIENNA, parse_rfc3339("2026-03-02T14:30:00+01:00"))


def test_the_doubled_hour_is_refused_and_both_moments_are_named() -> None:
    with pytest.raises(ValueError, match="twice") as caught:
        read_time("2026-10-25 02:30", VIENNA, NOW)
    for named in ("2026-10-25T02:30:00+02:00", "2026-10-25T02:30:00+01:00"):
        assert named in str(caught.value)
        assert read_time(named, VIENNA, NOW) == parse_rfc3339(named)


def test_of_the_doubled_hour_only_what_has_come_counts() -> None:
    """At the first 02:40 nobody can mean the second 02:30."""
    now = parse_rfc3339("2026-10-25T02:40:00+02:00")
    assert read_time("02:30", VIENNA, now) == parse_rfc3339("2026-10-25T02:30:00+02:00")
    with pytest.raises(ValueError, match="twice"):
        read_time("02:30", VIENNA, parse_rfc3339("2026-10-25T04:00:00+01:00"))


def test_an_hour_that_never_was_is_refused() -> None:
    with pytest.raises(ValueError, match="never showed"):
        read_time("2026-03-29 02:30", VIENNA, NOW)


@pytest.mark.parametrize("text", ["", "yesterday", "25:00", "06:61", "2026-02-30 06:10", "6", "06:10pm"])
def test_what_is_no_time_is_refused_with_an_example(text: str) -> None:
    with pytest.raises(ValueError, match="2026-03-02 06:10"):
        read_time(text, VIENNA, NOW)


@given(
    st.integers(0, 4 * 10**9),
    st.sampled_from(["Europe/Vienna", "UTC", "America/Lima", "Australia/Lord_Howe"]),
)
def test_what_is_printed_can_be_typed_in_again(second: int, name: str) -> None:
    zone = ZoneInfo(name)
    assert read_time(say_time(second * 10**9, zone), zone, NOW) == second * 10**9


def test_both_halves_of_the_doubled_hour_are_printed_apart() -> None:
    first = parse_rfc3339("2026-10-25T02:30:00+02:00")
    assert say_time(first, VIENNA) == "2026-10-25 02:30:00+02:00"
    assert say_time(first + 3600 * 10**9, VIENNA) == "2026-10-25 02:30:00+01:00"
    assert say_time(first - 3600 * 10**9, VIENNA) == "2026-10-25 01:30:00"


def test_a_message_is_told_by_the_bays_clock() -> None:
    said = "the last run ended at 2026-03-02T05:10:00.000Z; start after that"
    assert say_times(said, VIENNA) == "the last run ended at 2026-03-02 06:10:00; start after that"
    assert say_times(said, UTC) == "the last run ended at 2026-03-02 05:10:00; start after that"
