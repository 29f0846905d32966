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


@pytest.mark.parametrize(
    ("how", "kg", "line"),
    [
        ("declared", 0.4, "on the deck: 0.40 kg, as it was declared"),
        ("emptied", 0.012, "on the deck: nothing: the run ended when nothing came any more"),
        (
            "not-emptied",
            0.3,
            "on the deck: 0.30 kg, still something: a quarter of an hour was waited in vain",
        ),
        ("not known", None, "on the deck: not known"),
    ],
)
def test_what_lies_on_the_deck_is_stated(
    capsys: pytest.CaptureFixture[str], how: str, kg: float | None, line: str
) -> None:
    show_tally(TALLY | {"hold_up_how": how, "hold_up_kg": kg}, Here("kg", UTC, "UTC", 0))
    assert line in capsys.readouterr().out.splitlines()


def test_each_stretch_of_settings_has_a_tally_of_its_own(capsys: pytest.CaptureFixture[str]) -> None:
    outlet = {"delivered_kg": 2.0, "u_kg": 0.01, "yield": 0.5, "u_yield": 0.01, "says": "wet"}
    stretch = {"feed_kg": 4.0, "feed_u_kg": 0.01, "outlets": {"tailings": outlet}}
    times = [f"2026-03-02T06:{minute:02}:00Z" for minute in (0, 10, 20)]
    parts = [
        stretch | {"start": times[k], "end": times[k + 1], "values": {"tilt": f"{4 + k}°"}} for k in (0, 1)
    ]
    show_tally(TALLY | {"by_settings": parts}, Here("kg", UTC, "UTC", 0))
    out = capsys.readouterr().out
    assert "2026-03-02 06:00:00 to 2026-03-02 06:10:00 with tilt 4°" in out
    assert "2026-03-02 06:10:00 to 2026-03-02 06:20:00 with tilt 5°" in out
    assert out.count("50.0 ± 1.0") == 2


def test_what_was_weighed_by_hand_is_told(capsys: pytest.CaptureFixture[str]) -> None:
    by_hand = {"spill-tray": {"net_kg": 1.234, "u_kg": 0.002}}
    show_tally(TALLY | {"by_hand": by_hand}, Here("kg", UTC, "UTC", 0))
    assert "weighed by hand, spill-tray: 1.2340 ± 0.0020 kg" in capsys.readouterr().out


def test_an_outlet_that_plugged_says_so(capsys: pytest.CaptureFixture[str]) -> None:
    """Only those that did; in the unit people read."""
    plugged = {
        "stops": 3, "sentence": "plugged 3 times, about every 12 minutes", "plugged_since": None,
        "held_back_kg": 1.2, "u_held_back_kg": 0.1, "missing_kg": 0.4, "u_missing_kg": 0.12,
    }  # fmt: skip
    rhythm = {"concentrate": plugged, "fines": plugged | {"stops": 0, "sentence": "did not plug in 2 hours"}}
    rhythm["concentrate"]["lot"] = plugged | {"stops": 7, "sentence": "plugged 7 times"}
    show_tally(TALLY | {"rhythm": rhythm}, Here("lb", UTC, "UTC", 0))
    said = capsys.readouterr().out
    assert "concentrate plugged 3 times, about every 12 minutes. The 3 stops held back 2.6 ± 0.2 lb" in said
    assert "concentrate, over all runs of the lot: plugged 7 times." in said
    assert "fines did not" not in said


def test_what_lies_on_the_deck_is_told_with_its_interval(capsys: pytest.CaptureFixture[str]) -> None:
    deck = {"hold_up_kg": 0.61, "hold_up": {"kg": 0.61, "u_kg": 0.1, "low_kg": 0.41, "high_kg": 0.81}}
    show_tally(TALLY | deck | {"hold_up_how": "from the lag"}, Here("kg", UTC, "UTC", 0))
    assert "on the deck: 0.61 kg (0.41 to 0.81, 95 %)" in capsys.readouterr().out
