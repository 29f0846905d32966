"""The snapshot: plain JSON, true to what is known, and silent about what is not."""

from __future__ import annotations

import json
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from logger.core.bay import Bay
from logger.core.entries import Circumstance
from logger.core.picture import picture
from logger.core.rules.contract import Judgement
from tests.core.folding import NS, T0, T0_S, configuration, entries, fold, foundry_trace

WIDE = """
[bay]
name = "Foundry bay"
units = "lb"
time_zone = "Europe/Vienna"
shifts = ["06:00-14:00"]
[stations.table]
component = "bronze"
resolution = "5 g"
target = "60 kg/h"
[stations.table.outlets.concentrate]
expected_grade = "92 %"
expected_grade_u = "3 %"
container = { kind = "drains", full = "12 kg" }
[stations.table.outlets.middlings]
expected_grade = "50 %"
[stations.table.outlets.tailings]
expected_grade = "1 %"
[stations.table.outlets.fines]
expected_grade = "3 %"
container = { kind = "brim-full" }
density = "2.6 g/cm3"
"""


def drawn(bay: Bay) -> dict[str, Any]:
    recording = {"state": "recorded", "held": 0, "message": ""}
    return picture(bay, recording, {"feed": "unplugged"}, "0.0", ZoneInfo("Europe/Vienna"))


def test_before_any_reading_nothing_is_claimed() -> None:
    snapshot = drawn(Bay(configuration(WIDE).bay))
    outlet = snapshot["stations"][0]["outlets"][0]
    assert (outlet["delivered_kg"], outlet["yield"], outlet["notice_s"]) == (None, None, None)
    assert snapshot["stations"][0]["run"] is None
    assert snapshot["instruments"][0]["age_s"] is None
    assert snapshot["instruments"][0]["message"] == "unplugged"


def test_during_a_run_every_figure_is_there_with_its_uncertainty() -> None:
    bay = Bay(configuration(WIDE).bay)
    fold(bay, entries(foundry_trace())[:-1])
    snapshot = drawn(bay)
    station = snapshot["stations"][0]
    json.dumps(snapshot, allow_nan=False)
    assert station["run"]["elapsed_s"] == pytest.approx(700, abs=2)
    assert station["feed"]["band_low_kg_h"] == 54.0
    for outlet in station["outlets"]:
        assert outlet["delivered_kg"] > 0
        assert outlet["u_kg"] > 0
        assert 0 < outlet["yield"] < 1
    concentrate, fines = station["outlets"][0], station["outlets"][3]
    assert concentrate["says"] == "wet"
    assert concentrate["fill"] == pytest.approx(concentrate["content_kg"] / 12.0, abs=0.15)
    assert fines["says"] == "solids"
    recovered = station["recovery"]
    assert recovered["estimated"] is True
    assert recovered["low"] < recovered["value"] < recovered["high"]
    assert snapshot["recognised"][0]["what"] == "container-changed"
    assert snapshot["shift"] == {
        "start": "2026-03-02T06:00:00.000+01:00",
        "end": "2026-03-02T14:00:00.000+01:00",
    }


def test_an_instrument_tells_its_link() -> None:
    bay = Bay(configuration(WIDE).bay)
    bay.apply(Circumstance(T0, "link", "fines", {"state": "down", "why": "unplugged; look at the cable"}))
    fines = next(each for each in drawn(bay)["instruments"] if each["name"] == "fines")
    assert (fines["link"], fines["message"]) == ("down", "unplugged; look at the cable")


def test_an_alarm_that_is_over_still_says_what_it_was() -> None:
    bay = Bay(configuration(WIDE).bay)
    for active, what in ((True, "concentrate delivers nothing"), (False, "It delivers again.")):
        judged = Judgement("outlet-slow", "concentrate", "concentrate", active, T0_S, what, "Clear it.")
        bay.alarms.judge(judged, "table", T0 + NS)
    (alarm,) = drawn(bay)["alarms"]
    assert alarm["state"] == "returned-unacknowledged"
    assert alarm["what"] == "concentrate delivers nothing"
    assert alarm["do"] == "Over: It delivers again."
