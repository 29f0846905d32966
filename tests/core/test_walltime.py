"""Anchors, and RFC 3339 text checked against `datetime` and against the examples of the standard."""

from __future__ import annotations

import time
from datetime import UTC, datetime, timedelta, timezone
from zoneinfo import ZoneInfo

import pytest
from freezegun import freeze_time
from hypothesis import given
from hypothesis import strategies as st

from logger.core.actions import to_ns
from logger.core.entries import Circumstance
from logger.core.walltime import WallTime, parse_rfc3339, rfc3339

S = 10**9
VIENNA = ZoneInfo("Europe/Vienna")
YEAR_1_NS = to_ns(datetime(1, 1, 3, tzinfo=UTC))
YEAR_9999_NS = to_ns(datetime(9999, 12, 29, tzinfo=UTC))


def boot(at_ns: int, name: str, offset_ns: int) -> Circumstance:
    return Circumstance(at_ns, "boot", "", {"boot": name, "offset_ns": offset_ns})


def anchor(at_ns: int, name: str, step_ns: int, trusted: bool | None = None) -> Circumstance:
    data: dict[str, object] = {"boot": name, "step_ns": step_ns}
    return Circumstance(at_ns, "clock", "", data if trusted is None else data | {"trusted": trusted})


def folded(*entries: Circumstance) -> WallTime:
    state = WallTime()
    for entry in entries:
        state.apply(entry)
    return state


def test_without_an_anchor_time_is_as_it_was_believed() -> None:
    state = folded(boot(100, "a", 90))
    assert state.resolve(150, "a") == 150
    assert state.resolve(150, "unknown") == 150
    assert not state.anchored("a")


def test_the_newest_anchor_corrects_the_whole_past_of_its_boot_and_no_other() -> None:
    """A board that booted in 1970 and was set twice: its very first entry is corrected, too."""
    state = folded(boot(0, "old", 0), anchor(5, "old", 3), boot(100, "a", 90))
    state.apply(anchor(160, "a", 1000))
    assert state.resolve(100, "a") == 1100
    state.apply(anchor(200, "a", 1001))
    assert [state.resolve(at_ns, "a") for at_ns in (100, 160, 999)] == [1101, 1161, 2000]
    assert state.resolve(4, "old") == 7


def test_entries_of_two_starts_with_different_offsets_are_each_corrected_by_their_own() -> None:
    """The offset was raised by 50 between two starts in one boot; true time is monotonic + 1000."""
    state = folded(boot(100, "a", 90), boot(200, "a", 140), anchor(210, "a", 860))
    assert state.resolve(110, "a") == 110 - 90 + 1000
    assert state.resolve(199, "a") == 199 - 90 + 1000
    assert state.resolve(200, "a") == 200 - 140 + 1000


def test_a_restart_with_the_same_offset_changes_nothing() -> None:
    state = folded(boot(100, "a", 90), anchor(110, "a", 7), boot(120, "a", 90))
    assert state.resolve(100, "a") == 107
    assert state.resolve(130, "a") == 137


def test_a_doubtful_anchor_does_not_replace_a_trusted_one() -> None:
    """Until a trusted one comes, the newest counts; afterwards, the newest trusted one."""
    state = folded(boot(0, "a", 0), anchor(1, "a", 5, trusted=False))
    assert state.resolve(10, "a") == 15
    assert not state.trusted("a")
    state.apply(anchor(2, "a", 6, trusted=True))
    state.apply(anchor(3, "a", 99, trusted=False))
    state.apply(anchor(4, "a", 98))
    assert state.resolve(10, "a") == 16
    assert state.trusted("a")
    state.apply(anchor(5, "a", 7, trusted=True))
    assert state.resolve(10, "a") == 17


def test_other_circumstances_change_nothing() -> None:
    state = folded(boot(0, "a", 0), anchor(1, "a", 5))
    before = {key: dict(value) for key, value in vars(state).items()}
    state.apply(Circumstance(9, "link", "scale", {"up": True}))
    assert vars(state) == before


@given(st.integers(YEAR_1_NS, YEAR_9999_NS))
def test_text_with_nine_digits_comes_back_exactly(ns: int) -> None:
    assert parse_rfc3339(rfc3339(ns, digits=9)) == ns
    assert parse_rfc3339(rfc3339(ns, timezone(timedelta(hours=-3, minutes=-30)), 9)) == ns


@given(st.integers(0, YEAR_9999_NS), st.integers(0, 9))
def test_digits_are_cut_off_and_never_rounded(ns: int, digits: int) -> None:
    """A text never names a moment that had not come yet."""
    assert parse_rfc3339(rfc3339(ns, VIENNA, digits)) == ns - ns % 10 ** (9 - digits)


@given(st.integers(0, to_ns(datetime(2200, 1, 1, tzinfo=UTC)) // 1000))
def test_text_is_what_datetime_writes(microsecond: int) -> None:
    """Local time and offset as the time zone database has them, in summer, winter and the odd hours."""
    moment = (datetime(1970, 1, 1, tzinfo=UTC) + timedelta(microseconds=microsecond)).astimezone(VIENNA)
    assert rfc3339(microsecond * 1000, VIENNA, 6) == moment.isoformat(timespec="microseconds")
    assert parse_rfc3339(moment.isoformat()) == microsecond * 1000


def test_days_of_23_and_25_hours() -> None:
    """Both 02:30 of the long night are told apart, and the short night has none."""
    with freeze_time("2026-10-25T00:30:00Z") as frozen:
        assert rfc3339(time.time_ns(), VIENNA) == "2026-10-25T02:30:00.000+02:00"
        frozen.tick(timedelta(hours=1))
        assert rfc3339(time.time_ns(), VIENNA) == "2026-10-25T02:30:00.000+01:00"
    with freeze_time("2026-03-29T00:59:59Z") as frozen:
        assert rfc3339(time.time_ns(), VIENNA) == "2026-03-29T01:59:59.000+01:00"
        frozen.tick(timedelta(seconds=1))
        assert rfc3339(time.time_ns(), VIENNA) == "2026-03-29T03:00:00.000+02:00"
    midnight = parse_rfc3339("2026-10-25T00:00:00+02:00")
    assert parse_rfc3339("2026-10-26T00:00:00+01:00") - midnight == 25 * 3600 * S


@pytest.mark.parametrize("zone", [UTC, ZoneInfo("UTC")])
def test_utc_is_written_with_z(zone: timezone | ZoneInfo) -> None:
    assert rfc3339(1_772_000_000_123_999_999, zone) == "2026-02-25T06:13:20.123Z"
    assert rfc3339(-1, zone, 9) == "1969-12-31T23:59:59.999999999Z"


def test_winter_in_london_is_not_utc() -> None:
    """``Z`` would say that no local time is known."""
    new_year = to_ns(datetime(2026, 1, 1, tzinfo=UTC))
    assert rfc3339(new_year, ZoneInfo("Europe/London"), 0) == "2026-01-01T00:00:00+00:00"


@pytest.mark.parametrize(
    ("text", "same"),
    [  # the examples of RFC 3339 section 5.8
        ("1985-04-12T23:20:50.52Z", datetime(1985, 4, 12, 23, 20, 50, 520000, UTC)),
        ("1996-12-19T16:39:57-08:00", datetime(1996, 12, 20, 0, 39, 57, 0, UTC)),
        ("1990-12-31T23:59:60Z", datetime(1991, 1, 1, 0, 0, 0, 0, UTC)),
        ("1990-12-31T15:59:60-08:00", datetime(1991, 1, 1, 0, 0, 0, 0, UTC)),
        ("1937-01-01T12:00:27.87+00:20", datetime(1937, 1, 1, 11, 40, 27, 870000, UTC)),
    ],
)
def test_the_examples_of_the_standard_are_read(text: str, same: datetime) -> None:
    """Also in small letters and with a space, which the standard allows."""
    assert parse_rfc3339(text) == to_ns(same)
    assert parse_rfc3339(text.lower()) == to_ns(same)
    assert parse_rfc3339(text.replace("T", " ")) == to_ns(same)


@pytest.mark.parametrize("text", ["2026-03-29T01:59:59", "2026-03-29 01:59:59.5", "2026-03-29T01:59:59."])
def test_a_missing_offset_is_named(text: str) -> None:
    with pytest.raises(ValueError, match="has no offset from UTC"):
        parse_rfc3339(text)


@pytest.mark.parametrize(
    "text",
    [
        "",
        "now",
        "2026-03-29",
        "1772000000",
        "2026-02-29T00:00:00Z",
        "2026-13-01T00:00:00Z",
        "2026-03-29T24:00:00Z",
        "2026-03-29T01:60:00Z",
        "2026-03-29T01:00:61Z",
        "2026-03-29T01:00:60Z",
        "2026-03-29T01:00:00+24:00",
        "2026-03-29T01:00:00+01:60",
        "2026-03-29T01:00:00+0100",
        "2026-03-29T01:00:00.0000000001Z",
        "2026-03-29T01:00:00.Z",
        "2026-03-29T01:00:00Z ",
        "2026-03-29T01:00:00Z\n",
        "٢٠٢٦-03-29T01:00:00Z",
        "0000-01-01T00:00:00Z",
    ],
)
def test_what_is_no_time_is_refused_with_an_example(text: str) -> None:
    with pytest.raises(ValueError, match=r"write e\.g\. "):
        parse_rfc3339(text)


@given(st.text(max_size=40))
def test_any_text_is_read_or_refused(text: str) -> None:
    """Nothing but ValueError comes out of hostile text."""
    try:
        ns = parse_rfc3339(text)
    except ValueError:
        return
    assert isinstance(ns, int)


def test_an_anchor_without_its_boot_still_says_how_far_off_it_was() -> None:
    """As after a damaged journal was set aside."""
    state = folded(anchor(10, "a", 7))
    assert state.resolve(50, "a") == 57
    assert state.anchored("a")
