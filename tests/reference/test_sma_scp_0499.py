"""SMA SCP-0499, "Serial Communication Protocol" (Scale Manufacturers Association, 1999, Mod 1 2005).

Field layout, letters, units and the three printed replies were seen in the standard's public text; the
commands' answers `?` and `!` likewise. The byte counts are the standard's: LF, 1 + 1 + 1 + 1 + 1
characters, 10 of weight, 3 of unit, CR.
"""

from __future__ import annotations

from fractions import Fraction

import pytest

from logger.core.decode.sma import SmaDecoder, exchange
from logger.core.entries import Garbage, Reading
from logger.core.units import MASS_KG


def decode(wire: bytes) -> Reading | Garbage:
    (item,) = SmaDecoder("scale").feed(wire, 1)
    return item


def test_printed_reply_5_025_lb_gross_stable() -> None:
    reading = decode(b"\n 1G       5.025lb \r")
    assert reading == Reading(1, "scale", 5025, -3, "lb", True, "ok", "gross")


def test_printed_reply_8_lb_8_5_oz_in_motion_on_range_2() -> None:
    """Expressed in ounces: 8 x 16 + 8.5 = 136.5, which is exactly 8.53125 lb."""
    wire = b"\n 2GM     8:08.5l/o\r"
    reading = decode(wire)
    assert reading == Reading(1, "scale", 1365, -1, "oz", False, "ok", "gross", wire)
    assert Fraction(reading.number, 10) * MASS_KG["oz"] == Fraction("8.53125") * MASS_KG["lb"]


def test_printed_reply_centre_of_zero() -> None:
    assert decode(b"\nZ1G       0.000lb \r") == Reading(1, "scale", 0, -3, "lb", True, "zero", "gross")


@pytest.mark.parametrize(
    ("letter", "status"), [("E", "zero-error"), ("I", "initial-zero-error"), ("T", "tare-error")]
)
def test_errors_fill_the_weight_with_ten_dashes(letter: str, status: str) -> None:
    reading = decode(f"\n{letter}1G  ----------lb \r".encode())
    assert (reading.status, reading.number) == (status, 0)


@pytest.mark.parametrize(("letter", "status"), [("O", "over"), ("U", "under"), ("Z", "zero"), (" ", "ok")])
def test_status_letters(letter: str, status: str) -> None:
    assert decode(f"\n{letter}1G       5.025lb \r".encode()).status == status


@pytest.mark.parametrize(
    ("letter", "mode"), [("G", "gross"), ("N", "net"), ("T", "tare"), ("g", "gross"), ("n", "net")]
)
def test_gross_net_letters(letter: str, mode: str) -> None:
    assert decode(f"\n 1{letter}       5.025lb \r".encode()).mode == mode


@pytest.mark.parametrize(("field", "unit"), [("lb ", "lb"), ("kg ", "kg"), ("g  ", "g"), ("oz ", "oz")])
def test_units_left_justified_in_three(field: str, unit: str) -> None:
    assert decode(f"\n 1G       5.025{field}\r".encode()).unit == unit


def test_answers_to_an_unknown_command_and_to_a_line_error() -> None:
    assert decode(b"\n?\r") == Garbage(1, "scale", b"\n?\r", "not-understood")
    assert decode(b"\n!\r") == Garbage(1, "scale", b"\n!\r", "line-error")


def test_commands_are_lf_letter_cr() -> None:
    assert exchange("poll").poll == b"\nW\r"
    assert exchange("stable").poll == b"\nP\r"
    assert exchange("repeat").start == b"\nR\r"


def test_our_frames_are_twenty_bytes_laid_out_as_the_standard_says() -> None:
    wire = SmaDecoder("scale").encode(Reading(1, "scale", -12345, -3, "kg", False, "over", "net"))
    assert len(wire) == 20
    assert (wire[0:1], wire[1:6], wire[6:16], wire[16:19], wire[19:]) == (
        b"\n",
        b"O1NM ",
        b"   -12.345",
        b"kg ",
        b"\r",
    )


def test_printed_examples_exist_with_a_weight_nine_wide() -> None:
    """19 bytes instead of 20; seen in the document's own examples, so taken, with its raw bytes kept."""
    wire = b"\n 1G      5.025lb \r"
    assert decode(wire) == Reading(1, "scale", 5025, -3, "lb", True, "ok", "gross", wire)


def test_an_underscore_stands_for_a_space() -> None:
    """It does so in the document; that some devices send it is common practice, no source."""
    wire = b"\n_1G_______5.025lb_\r"
    assert decode(wire) == Reading(1, "scale", 5025, -3, "lb", True, "ok", "gross", wire)
