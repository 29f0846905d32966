"""A tally as the command line prints it."""

from __future__ import annotations

from datetime import UTC
from typing import Any

import pytest

from logger.commands.shared import Here
from logger.commands.show import show_tally

LINE: dict[str, Any] = {
    "channel": "w",
    "to": "deck",
    "litres": 378.5411784,
    "u_l": 3.785411784,
    "unknown_l": 0.0,
    "u_unknown_l": 0.0,
    "unknown_s": 0.0,
    "meter_error": "not included",
    "l_per_kg": 8.345404452,
    "u_l_per_kg": 0.0918,
}
TALLY: dict[str, Any] = {"run": "run-1", "feed_kg": 45.36, "feed_u_kg": 0.01, "outlets": {}}


def printed(capsys: pytest.CaptureFixture[str], unit: str, **water: Any) -> str:
    show_tally(TALLY | {"water": water}, Here(unit, UTC, "UTC", 0))
    return capsys.readouterr().out


def test_water_is_printed_in_litres(capsys: pytest.CaptureFixture[str]) -> None:
    out = printed(capsys, "kg", wash=LINE)
    assert "378.5 ± 3.8" in out
    assert "8.345 ± 0.092" in out
    assert "meter's own error not included" in out


def test_and_in_gallons_where_pounds_are_read(capsys: pytest.CaptureFixture[str]) -> None:
    """378.5411784 L are 100 gal; 8.345404452 L/kg are 8.345404452 x 0.45359237 / 3.785411784 = 1 gal/lb."""
    out = printed(capsys, "lb", wash=LINE)
    assert "100.0 ± 1.0" in out
    assert "1.000 ± 0.011" in out
    assert "gal/lb of feed" in out


def test_what_was_not_measured_is_said(capsys: pytest.CaptureFixture[str]) -> None:
    unseen = LINE | {"unknown_l": 14.0, "u_unknown_l": 8.1, "unknown_s": 60.0, "meter_error": "included"}
    out = " ".join(printed(capsys, "kg", thin=unseen | {"to": "feed"}).split())
    assert "comes with the feed" in out
    assert "about 14.0 ± 8.1 L" in out
    assert "not included" not in out


def test_a_meter_that_never_spoke_is_not_known(capsys: pytest.CaptureFixture[str]) -> None:
    silent = LINE | dict.fromkeys(("litres", "u_l", "unknown_s", "l_per_kg", "u_l_per_kg"))
    assert "not known" in printed(capsys, "kg", wash=silent).splitlines()[-1]


def test_without_water_there_is_no_table_of_it(capsys: pytest.CaptureFixture[str]) -> None:
    assert "water" not in printed(capsys, "kg")
