"""Water in the fold as a whole: from readings of any kind to the run's tally and the snapshot."""

from __future__ import annotations

import json
from pathlib import Path
from random import Random
from typing import Any

import pytest

from logger.core.actions import StartRun
from logger.core.bay import Bay
from logger.core.entries import Action, Entry, Finding, Reading
from logger.core.picture import picture
from logger.core.water import per_kg
from logger.journal.checkpoint import freeze, thaw
from logger.replay import from_files, tally_of
from logger.settings import loads
from tests.core.folding import NS, T0, fold

BAY = """
[instruments.feed]
resolution = "5 g"
[instruments.concentrate]
resolution = "5 g"
[instruments.wash]
quantity = "flow"
unit = "L"
[instruments.thin]
quantity = "flow"
unit = "pulse"
pulses_per_l = 450
wraps_at = 65536
most = "40 L/min"
accuracy = "2 %"
[stations.table]
outlets = ["concentrate"]
target = "60 kg/h"
water.wash.band = "12 L/min to 18 L/min"
water.thin.to = "feed"
"""
FED_FROM_S = 30
BEGIN = 60_000  # where the pulse counter stands at first: it wraps within minutes


def description() -> Any:
    return loads(BAY).bay


def rows(
    seconds: int, wash_l_min: float = 15.0, thin_l_min: float = 3.0
) -> list[tuple[float, str, int, int, str]]:
    """A feed of 60 kg/h from half a minute on, half of it concentrate; wash water as a total, feed water
    as pulses."""
    dice = Random(1)

    def shown_g(grams: float) -> int:
        return round((grams + dice.gauss(0, 3)) / 5) * 5

    listed: list[tuple[float, str, int, int, str]] = []
    for fifth in range(5 * seconds):
        at_s = fifth / 5
        fed_g = max(0.0, at_s - FED_FROM_S) * 60_000 / 3600
        listed += [
            (at_s + 0.01, "feed", shown_g(60_000 - fed_g), -3, "kg"),
            (at_s + 0.02, "concentrate", shown_g(fed_g / 2), -3, "kg"),
        ]
        if fifth % 5 == 0:
            litres = at_s / 60.0
            listed += [
                (at_s + 0.03, "wash", int(litres * wash_l_min * 10), -1, "L"),
                (at_s + 0.04, "thin", (BEGIN + int(litres * thin_l_min * 450)) % 65536, 0, "pulse"),
            ]
    return listed


def entries(seconds: int, **flows: float) -> list[Entry]:
    listed: list[Entry] = [Action(T0, StartRun())]
    listed += [
        Reading(T0 + round(at_s * NS), channel, number, exp, unit)
        for at_s, channel, number, exp, unit in rows(seconds, **flows)
    ]
    return [entry._replace(seq=number) for number, entry in enumerate(listed, 1)]


def snapshot(bay: Bay) -> dict[str, Any]:
    return picture(bay, {}, {}, "0.0")


def text(found: list[Finding]) -> str:
    return "\n".join(json.dumps(finding, ensure_ascii=False) for finding in found)


@pytest.fixture(scope="module")
def folded() -> Bay:
    bay = Bay(description())
    fold(bay, entries(900))
    return bay


def test_before_any_reading_no_water_is_claimed() -> None:
    station = snapshot(Bay(description()))["stations"][0]
    assert [(w["flow_l_min"], w["run"], w["state"]) for w in station["water"]] == [
        (None, None, "waiting")
    ] * 2
    assert station["solids"]["share"] is None


def test_a_runs_tally_holds_its_water_line_by_line(folded: Bay) -> None:
    """15 minutes of 15 and 3 L/min with 14.5 kg of feed: 15.5 L/kg and 3.1 L/kg."""
    tally = folded.run_tally(folded.books.runs["run-1"])
    wash, thin = tally["water"]["wash"], tally["water"]["thin"]
    assert wash["litres"] == pytest.approx(225.0, abs=0.5)
    assert thin["litres"] == pytest.approx(45.0, abs=0.11)
    assert (wash["unknown_l"], thin["unknown_s"]) == (0.0, 0.0)
    assert wash["l_per_kg"] == pytest.approx(225.0 / 14.5, rel=0.01)
    assert thin["l_per_kg"] == pytest.approx(45.0 / 14.5, rel=0.01)
    assert (wash["meter_error"], thin["meter_error"]) == ("not included", "included")
    assert thin["u_l"] == pytest.approx(0.02 * 45.0 / 3**0.5, rel=0.02)
    assert (wash["to"], thin["to"]) == ("deck", "feed")


def test_the_snapshot_shows_rates_and_solids_content(folded: Bay) -> None:
    """60 kg/h with 3 L/min: 1 / (1 + 3) = 25 % solids."""
    station = snapshot(folded)["stations"][0]
    wash, thin = station["water"]
    assert wash["flow_l_min"] == pytest.approx(15.0, abs=0.5)
    assert thin["flow_l_min"] == pytest.approx(3.0, abs=0.1)
    assert thin["l_per_kg"] == pytest.approx(3.0, rel=0.03)
    assert wash["run"]["litres"] == pytest.approx(225.0, abs=0.5)
    assert station["solids"]["share"] == pytest.approx(0.25, rel=0.02)
    assert 0.0 < station["solids"]["u"] < 0.01
    assert station["solids"]["limit"] == 0.35
    json.dumps(station, allow_nan=False)


def test_a_counters_rate_is_held_to_its_band_too() -> None:
    """Totals and counts are judged like flows: 9 L/min below a band that begins at 12."""
    bay = Bay(description())
    found = fold(bay, entries(400, wash_l_min=9.0))
    raised = [f.data for f in found if f.kind == "alarm" and f.data["state"] == "raised"]
    assert [a["subject"] for a in raised if a["kind"] == "water-out-of-band"] == ["wash"]


def test_a_thick_feed_is_an_alarm_of_the_bay() -> None:
    bay = Bay(description())
    found = fold(bay, entries(400, thin_l_min=1.0))
    (thick,) = [f.data for f in found if f.kind == "alarm" and f.data["kind"] == "feed-too-thick"]
    assert (thick["state"], thick["channel"], thick["subject"]) == ("raised", "feed", "feed")
    assert thick["evidence"]["solids"] == pytest.approx(0.5, rel=0.03)


def test_a_restart_at_any_entry_changes_nothing() -> None:
    listed = entries(300, thin_l_min=1.0)
    whole = Bay(description())
    expected = text(fold(whole, listed))
    cuts = {0, *Random(7).sample(range(len(listed)), 12)}
    bay, found = Bay(description()), []
    for number, entry in enumerate(listed):
        if number in cuts:
            bay = thaw(freeze(bay))
        found += bay.apply(entry)
    assert text(found) == expected
    assert snapshot(bay) == snapshot(whole)


def test_totals_and_counts_replay_from_a_csv(tmp_path: Path) -> None:
    """The column unit says what a number is."""
    lines = ["time,channel,value,unit,stable"]
    for at_s, channel, number, exp, unit in rows(300):
        minute, second = divmod(at_s, 60)
        lines.append(
            f"2026-03-02T06:{int(minute):02}:{second:06.3f}Z,{channel},{number * 10**exp:.{-exp}f},{unit},"
        )
    path = tmp_path / "readings.csv"
    path.write_text("\n".join(lines) + "\n")
    outcome = from_files(description(), path, None, lambda finding: None)
    water = tally_of(outcome.bay)["water"]
    assert water["wash"]["litres"] == pytest.approx(299 / 60 * 15.0, abs=0.2)
    assert water["thin"]["litres"] == pytest.approx(299 / 60 * 3.0, abs=0.05)
    assert outcome.notes == []


def test_an_instrument_that_speaks_of_no_water_is_named_so() -> None:
    bay = Bay(description())
    fold(bay, [Reading(T0 + i * NS, "wash", 5, 0, "kg", seq=i + 1) for i in range(5)])
    (wash,) = [each for each in snapshot(bay)["instruments"] if each["name"] == "wash"]
    assert (wash["status"], wash["value"]) == ("unit-not-understood", None)


def test_a_ratio_has_the_uncertainty_of_both() -> None:
    """R = a/b: (u_R/R)^2 = (u_a/a)^2 + (u_b/b)^2 (JCGM 100, 5.1.6)."""
    ratio, u = per_kg((30.0, 0.3), (10.0, 0.2))
    assert ratio == 3.0
    assert u == pytest.approx(3.0 * (0.01**2 + 0.02**2) ** 0.5)
    assert per_kg((30.0, 0.3), (0.1, 0.2)) == (None, None)
