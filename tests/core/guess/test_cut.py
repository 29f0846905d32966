"""Where lines end: CR LF, CR, LF, the unusual orders, and what cannot be described."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.core.guess.cut import Burst, cut

SECOND = 10**9


def every_second(*pieces: bytes) -> list[Burst]:
    return [(number * SECOND, piece) for number, piece in enumerate(pieces)]


@pytest.mark.parametrize(
    ("frame", "end", "line"),
    [
        (b"1.25 kg\r\n", "CRLF", b"1.25 kg"),
        (b"1.25 kg\r", "CR", b"1.25 kg"),
        (b"1.25 kg\n", "LF", b"1.25 kg"),
        (b"\n1.25 kg\r", "CR", b"\n1.25 kg"),
        (b"1.25 kg\n\r", "CR", b"1.25 kg\n"),
        (b"\x021.25 kg\x03\r\n", "CRLF", b"\x021.25 kg\x03"),
    ],
)
def test_the_end_of_a_line_is_found(frame: bytes, end: str, line: bytes) -> None:
    found = cut(every_second(frame, frame, frame, frame), joined_midway=False)
    assert found.end == end
    assert set(found.lines[1:]) == {line}
    assert found.trouble == ""


@pytest.mark.parametrize(
    ("frame", "says"),
    [
        (b"\x021.25 kg\x03", "ends with ETX"),
        (b"+001.25kg", "told apart by"),
    ],
)
def test_an_end_that_cannot_be_described_is_said(frame: bytes, says: str) -> None:
    found = cut(every_second(*[frame] * 4))
    assert found.end == ""
    assert says in found.trouble


def test_a_line_that_was_joined_midway_is_left_out() -> None:
    found = cut(every_second(b"5 kg\r\n", b"1.25 kg\r\n", b"1.25 kg\r\n"))
    assert found.lines == (b"1.25 kg", b"1.25 kg")


def test_an_answer_to_a_request_is_whole_from_its_first_line() -> None:
    found = cut(every_second(b"1 kg\r\n", b"2 kg\r\n", b"3 kg\r\n"), joined_midway=False)
    assert found.lines == (b"1 kg", b"2 kg", b"3 kg")


def test_a_line_has_the_time_of_the_piece_that_completed_it() -> None:
    found = cut([(0, b"1 k"), (7, b"g\r"), (9, b"\n2 kg\r\n")], joined_midway=False)
    assert (found.lines, found.at_ns) == ((b"1 kg", b"2 kg"), (9, 9))


@settings(deadline=None)
@given(st.lists(st.binary(max_size=20), max_size=10))
def test_any_bytes_whatever_are_cut(pieces: list[bytes]) -> None:
    found = cut(every_second(*pieces))
    assert len(found.lines) == len(found.at_ns)
