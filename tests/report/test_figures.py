"""Figures on paper."""

from __future__ import annotations

import pytest

from logger.report import figures


@pytest.mark.parametrize(
    ("value", "u", "text"),
    [
        (12.3456, 0.0234, "12.346 ± 0.023"),
        (12.3456, 0.0998, "12.35 ± 0.10"),  # two digits after rounding, too
        (1234.5, 17.0, "1234 ± 17"),
        (-0.0001, 0.02, "0.000 ± 0.020"),  # what rounds to zero has no sign
        (-1.5, 0.02, "\N{MINUS SIGN}1.500 ± 0.020"),
        (2.5, None, "2.5"),
        (2.0, 0.0, "2"),
        (100.0, None, "100"),
        (None, None, "not known"),
        (float("nan"), 1.0, "not known"),
    ],
)
def test_a_figure_has_the_digits_its_uncertainty_bears(
    value: float | None, u: float | None, text: str
) -> None:
    """Two digits of the uncertainty (JCGM 100, 7.2.6), and as many decimals of the value."""
    assert figures.figure(value, u) == text


def test_masses_come_in_the_lots_own_unit() -> None:
    """1 lb = 0.45359237 kg exactly (international pound, 1959)."""
    assert figures.mass(0.45359237, 0.00453592, "lb") == "1.000 ± 0.010 lb"
    assert figures.mass(1.0, 0.01, "kg") == "1.000 ± 0.010 kg"
    assert figures.mass(None, None, "lb") == "not known"


def test_a_share_has_its_interval() -> None:
    assert figures.interval({"value": 0.5, "low": 0.47, "high": 0.54}) == "50.0 % (47.0 to 54.0)"
    assert figures.interval({"value": 1.0, "low": 1.0, "high": 1.0}) == "100 %"
    assert figures.interval(None) == "not known"


@pytest.mark.parametrize(
    ("seconds", "text"),
    [
        (0.4, "0 s"),
        (59.4, "59 s"),
        (60, "1 min"),
        (200, "3 min 20 s"),
        (3900, "1 h 05 min"),
        (7199, "2 h 00 min"),
    ],
)
def test_a_length_of_time_has_two_units(seconds: float, text: str) -> None:
    assert figures.length(seconds) == text
