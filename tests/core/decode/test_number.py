"""Decimal numbers, against Python's own decimal arithmetic."""

from __future__ import annotations

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.core.decode.number import read_number, write_number


@given(st.integers(-(10**15), 10**15), st.integers(-9, 3))
def test_what_is_written_is_the_number(number: int, exp: int) -> None:
    assert Decimal(write_number(number, exp)) == Decimal(number).scaleb(exp)


@given(st.integers(-(10**15), 10**15), st.integers(-9, 0))
def test_what_is_written_is_read_back_with_its_places(number: int, exp: int) -> None:
    assert read_number(write_number(number, exp)) == (number, exp)


@pytest.mark.parametrize(
    "text", ["", "+", "-", ".", "1.2.3", "1 2", "1e5", "0x1", "inf", "nan", "--1", "1-", "١"]
)
def test_what_is_no_number(text: str) -> None:
    assert read_number(text) is None


def test_more_digits_than_64_bits_hold_are_no_number() -> None:
    assert read_number("9" * 18) == (10**18 - 1, 0)
    assert read_number("9" * 19) is None
    assert read_number("9" * 10 + "." + "9" * 9) is None
