"""SMA frames beyond the published examples: each field with what it may and may not hold."""

from __future__ import annotations

import pytest

from logger.core.decode.sma import MAX_PENDING, SmaDecoder, exchange
from logger.core.entries import STATUSES, USABLE, Garbage, Reading


def only(wire: bytes) -> Reading | Garbage:
    """The one output of these bytes; AssertionError where there is none or more."""
    (item,) = SmaDecoder("feed").feed(wire, 1)
    return item


def frame(
    status: str = " ",
    span: str = "1",
    mode: str = "G",
    motion: str = " ",
    reserved: str = " ",
    weight: str = "5.025",
    unit: str = "kg ",
) -> bytes:
    return f"\n{status}{span}{mode}{motion}{reserved}{weight:>10}{unit}\r".encode("latin-1")


@pytest.mark.parametrize(
    ("letter", "status"),
    [
        (" ", "ok"),
        ("Z", "zero"),
        ("O", "over"),
        ("U", "under"),
        ("_", "ok"),
        ("X", "unknown"),
        ("z", "unknown"),
    ],
)
def test_a_status_letter_means(letter: str, status: str) -> None:
    item = only(frame(status=letter))
    assert (item.status, item.number, item.exp) == (status, 5025, -3)
    assert item.status in STATUSES


@pytest.mark.parametrize(
    ("letter", "status"), [("E", "zero-error"), ("I", "initial-zero-error"), ("T", "tare-error")]
)
def test_an_error_frame_is_a_reading_that_is_not_usable(letter: str, status: str) -> None:
    """Its dashes are what encoding gives back, so no raw bytes are kept."""
    item = only(frame(status=letter, weight="-" * 10))
    assert (item.status, item.number, item.raw) == (status, 0, b"")
    assert item.status not in USABLE


@pytest.mark.parametrize("letter", [" ", "Z", "X"])
@pytest.mark.parametrize("weight", ["-" * 10, " " * 10, "_" * 10, "-" * 6])
def test_no_number_is_never_usable_whatever_the_status_says(letter: str, weight: str) -> None:
    wire = frame(status=letter, weight=weight)
    item = only(wire)
    assert (item.status, item.number, item.raw) == ("unknown", 0, wire)


def test_over_capacity_with_dashes_stays_over_capacity() -> None:
    assert only(frame(status="O", weight="-" * 10)).status == "over"


@pytest.mark.parametrize(
    ("letter", "mode", "kept"),
    [
        ("G", "gross", False),
        ("N", "net", False),
        ("T", "tare", False),
        ("g", "gross", True),
        ("n", "net", True),
    ],
)
def test_high_resolution_is_kept_in_the_raw_bytes(letter: str, mode: str, kept: bool) -> None:
    item = only(frame(mode=letter))
    assert (item.mode, bool(item.raw)) == (mode, kept)


@pytest.mark.parametrize(
    ("letter", "stable"), [(" ", True), ("_", True), ("M", False), ("m", False), ("?", False)]
)
def test_only_a_space_is_at_rest(letter: str, stable: bool) -> None:
    assert only(frame(motion=letter)).stable is stable


@pytest.mark.parametrize(
    ("weight", "number", "exp"),
    [
        ("5.025", 5025, -3),
        ("-5.025", -5025, -3),
        ("-   5.025", -5025, -3),
        ("+5.025", 5025, -3),
        ("1234567890", 1234567890, 0),
        ("-12345.678", -12345678, -3),
        (".5", 5, -1),
        ("12.", 12, 0),
        ("-0.000", 0, -3),
        ("000.10", 10, -2),
    ],
)
def test_a_weight_is_read_exactly_and_comes_back(weight: str, number: int, exp: int) -> None:
    item = only(frame(weight=weight))
    assert (item.number, item.exp) == (number, exp)
    assert (item.raw or SmaDecoder("feed").encode(item)) == frame(weight=weight)


@pytest.mark.parametrize(
    ("weight", "unit", "tenths"), [("8:08.5", "l/o", 1365), ("-8:08.5", "l/o", -1365), ("0:15.9", "l/o", 159)]
)
def test_pounds_and_ounces_become_ounces_exactly(weight: str, unit: str, tenths: int) -> None:
    item = only(frame(weight=weight, unit=unit))
    assert (item.number, item.exp, item.unit) == (tenths, -1, "oz")
    assert item.raw == frame(weight=weight, unit=unit)


@pytest.mark.parametrize(
    ("wire", "reason"),
    [
        (frame(weight="5.0.25"), "bad-weight"),
        (frame(weight="5,025"), "bad-weight"),
        (frame(weight="5.025e3"), "bad-weight"),
        (frame(weight="5 025"), "bad-weight"),
        (frame(weight="."), "bad-weight"),
        (frame(weight="8:08.5"), "bad-weight"),
        (frame(weight="8:16.0", unit="l/o"), "bad-weight"),
        (frame(weight="8:-1.0", unit="l/o"), "bad-weight"),
        (frame(weight="8.5:1.0", unit="l/o"), "bad-weight"),
        (frame(weight="8", unit="l/o"), "bad-weight"),
        (frame(unit="KG "), "bad-unit"),
        (frame(unit="   "), "bad-unit"),
        (frame(unit=" kg"), "bad-unit"),
        (frame(mode="X"), "bad-mode"),
        (frame(mode=" "), "bad-mode"),
        (frame(span="A"), "bad-range"),
        (frame(status="\xb2"), "not-ascii"),
        (frame(weight="-" * 11), "bad-length"),
        (b"\n\r", "bad-length"),
        (b"\n?\r", "not-understood"),
        (b"\n!\r", "line-error"),
        (b"x" * MAX_PENDING, "too-long"),
        (b"\n" + b"x" * (MAX_PENDING - 1), "too-long"),
    ],
)
def test_what_the_standard_does_not_explain_is_garbage(wire: bytes, reason: str) -> None:
    assert only(wire) == Garbage(1, "feed", wire, reason)


def test_noise_before_a_frame_and_a_frame_within_a_frame_cost_no_good_frame() -> None:
    good = frame()
    items = SmaDecoder("feed").feed(b"\r\x00ab" + good + good[:9] + good, 1)
    assert [type(item).__name__ for item in items] == ["Garbage", "Reading", "Garbage", "Reading"]
    assert [item.reason for item in items if isinstance(item, Garbage)] == ["noise", "no-end"]


@pytest.mark.parametrize(
    ("reading", "message"),
    [(Reading(1, "x", 1, 0, "t"), "not on this wire"), (Reading(1, "x", 10**10, 0, "kg"), "10 places")],
)
def test_what_does_not_fit_the_wire_is_not_encoded(reading: Reading, message: str) -> None:
    with pytest.raises(ValueError, match=message):
        SmaDecoder("x").encode(reading)


def test_each_mode_of_asking_sends_its_command() -> None:
    assert exchange("poll", 0.5, 2.0).poll == b"\nW\r"
    assert (exchange("poll", 0.5, 2.0).interval_s, exchange("poll", 0.5, 2.0).timeout_s) == (0.5, 2.0)
    assert exchange("stable").poll == b"\nP\r"
    assert (exchange("repeat").start, exchange("repeat").poll, exchange("repeat").stop) == (
        b"\nR\r",
        b"",
        b"\nW\r",
    )


def test_an_unknown_mode_of_asking_is_refused_with_the_known_ones() -> None:
    with pytest.raises(ValueError, match="poll, stable, repeat"):
        exchange("listen")
