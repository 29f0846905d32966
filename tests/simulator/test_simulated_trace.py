"""Traces repeat exactly, keep the truth, and read back from CSV."""

from __future__ import annotations

import csv
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from logger.simulator import troubles as t
from logger.simulator.draw import ALL, SETTLED_S, random_scenario
from logger.simulator.foundry import foundry_actions, foundry_scenario
from logger.simulator.scenario import Scale
from logger.simulator.trace import COLUMNS, make_trace, write_csv


def test_the_same_seed_gives_the_same_bytes(tmp_path: Path) -> None:
    for name in ("one", "two"):
        scenario = random_scenario(5, 600.0, kinds=ALL, small_per_h=60)
        write_csv(make_trace(scenario, 5, 600.0), tmp_path / name)
    assert (tmp_path / "one").read_bytes() == (tmp_path / "two").read_bytes()


def test_another_seed_gives_another_trace() -> None:
    scenario = foundry_scenario()
    assert make_trace(scenario, 1, 60.0).readings != make_trace(scenario, 2, 60.0).readings


def test_a_csv_has_the_agreed_columns_and_forms(tmp_path: Path) -> None:
    trace = make_trace(foundry_scenario(), 1, 120.0)
    count = write_csv(trace, tmp_path / "t.csv", start="2026-03-02T23:59:00.000Z")
    with (tmp_path / "t.csv").open(newline="") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == count == len(trace.readings)
    assert tuple(rows[0]) == COLUMNS
    for row, line in zip(rows, trace.readings, strict=True):
        assert re.fullmatch(r"2026-03-0[23]T\d\d:\d\d:\d\d\.\d{3}Z", row["time"])
        assert re.fullmatch(r"-?\d+\.\d+", row["value"])
        assert row["stable"] in ("0", "1", "")
        assert (row["channel"], row["value"], row["unit"]) == line[1:4]
    assert rows[0]["time"] < "2026-03-02T23:59:01" < "2026-03-03T00:00:58" < rows[-1]["time"]


def test_a_start_with_another_offset_is_turned_into_utc(tmp_path: Path) -> None:
    trace = make_trace(foundry_scenario(), 1, 2.0)
    write_csv(trace, tmp_path / "t.csv", start="2026-03-02T06:00:00+02:00")
    assert (tmp_path / "t.csv").read_text().splitlines()[1].startswith("2026-03-02T04:00:00.")


def test_a_start_without_offset_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="has no offset"):
        write_csv(make_trace(foundry_scenario(), 1, 1.0), tmp_path / "t.csv", start="2026-03-02T06:00:00")


def test_times_rise_and_every_channel_speaks_at_its_rate() -> None:
    trace = make_trace(foundry_scenario(calm=True), 2, 600.0)
    times = [line.t_s for line in trace.readings]
    assert times == sorted(times)
    for channel in trace.scenario.channels:
        own = np.array([line.t_s for line in trace.readings if line.channel == channel])
        assert (np.diff(own) > 0).all()
        expected_s = 1.0 if channel.endswith("water") else 0.2
        assert np.median(np.diff(own)) == pytest.approx(expected_s, rel=0.02)


def test_lines_go_missing_as_often_as_stated() -> None:
    scenario = foundry_scenario(calm=True)
    feed = replace(scenario.feed, scale=Scale(missing=0.1))
    trace = make_trace(replace(scenario, feed=feed), 2, 1200.0)
    assert sum(line.channel == "feed" for line in trace.readings) == pytest.approx(6000 * 0.9, rel=0.02)


def test_readings_over_capacity_are_left_out() -> None:
    scenario = foundry_scenario(calm=True)
    heavy = replace(scenario, troubles=(t.Bump(10.0, "concentrate", 40.0, 5.0),))
    trace = make_trace(heavy, 2, 20.0)
    own = [line.t_s for line in trace.readings if line.channel == "concentrate"]
    assert max(np.diff(own)) > 3.0
    assert max(float(line.value) for line in trace.readings if line.channel == "concentrate") < 31.0


def test_the_truth_is_kept_for_every_second_and_agrees_with_the_scales() -> None:
    trace = make_trace(foundry_scenario(calm=True), 3, 900.0)
    assert {len(series) for series in trace.truth.delivered_kg.values()} == {901}
    assert len(trace.truth.used_kg) == len(trace.truth.water_l_min) == 901
    shown = [float(line.value) for line in trace.readings if line.channel == "tailings"]
    gained_kg = np.mean(shown[-25:]) - np.mean(shown[:25])
    standing_water_kg = 0.25 * 38.4 / 3600 * 25
    assert gained_kg - standing_water_kg == pytest.approx(trace.truth.reported_kg["tailings"][-3], rel=0.01)


@pytest.mark.parametrize("seed", range(40))
def test_a_drawn_bay_stays_in_its_ranges(seed: int) -> None:
    scenario = random_scenario(seed, 3600.0, kinds=ALL)
    assert 20.0 <= scenario.feed.target_kg_h <= 100.0
    assert len(scenario.outlets) in (4, 5)
    assert sum(outlet.share for outlet in scenario.outlets) == pytest.approx(1.0)
    for outlet in scenario.outlets:
        assert 0.3 < outlet.share * scenario.feed.target_kg_h < 90.0
        assert 4.0 <= outlet.dispersion_g <= 25.0
    assert all(trouble.at_s >= SETTLED_S for trouble in scenario.troubles if isinstance(trouble, t.Clog))


def test_a_calm_drawn_bay_has_no_events_but_the_start() -> None:
    trace = make_trace(random_scenario(9, 1800.0, feed="hopper", kinds=()), 9, 1800.0)
    assert [event.kind for event in trace.events] == ["feed-start"]
    assert trace.truth.used_kg[-1] > 5.0


def test_every_kind_of_trouble_can_be_drawn() -> None:
    seen = {
        type(trouble)
        for seed in range(30)
        for trouble in random_scenario(seed, 7200.0, kinds=ALL, small_per_h=20).troubles
    }
    assert seen == set(t.Trouble.__args__)


def test_an_unknown_kind_of_trouble_is_named() -> None:
    with pytest.raises(ValueError, match="no such kinds of trouble: fire"):
        random_scenario(1, kinds=("fire",))


def test_the_foundry_delivers_what_the_demo_promises() -> None:
    truth = make_trace(foundry_scenario(calm=True), 1, 3600.0).truth
    rates = {name: truth.rate_kg_h(name, 300, 3600) for name in truth.delivered_kg}
    assert 7.5 < rates["concentrate"] < 10.0
    assert 5.0 < rates["middlings"] < 7.0
    assert 35.0 < rates["tailings"] < 42.0
    assert 3.3 < rates["fines"] < 4.6


def test_the_demo_shows_a_change_a_clog_and_its_end_within_eight_minutes_of_its_own_time() -> None:
    events = make_trace(foundry_scenario(), 1, 470.0).events
    assert [event.kind for event in events] == ["feed-start", "container-change", "clog"]
    assert all(event.until_s is not None for event in events)


def test_the_operator_speaks_in_order_and_as_the_schema_wants() -> None:
    from logger.core.actions import BODY

    said = list(foundry_actions(2))
    assert [at_s for at_s, _ in said] == sorted(at_s for at_s, _ in said)
    assert [BODY.validate_python(action).action for _, action in said][:3] == [
        "open-lot",
        "settings",
        "start-run",
    ]


@pytest.mark.full
def test_eight_hours_of_the_demo_keep_going() -> None:
    truth = make_trace(foundry_scenario(), 1, 8 * 3600.0).truth
    for hour in range(8):
        assert truth.rate_kg_h("tailings", hour * 3600, hour * 3600 + 3600) > 30.0
