"""Open flow data with known changes: the chart of the bench, and the fold itself with a feed that runs so.

- Nile at Aswan 1871-1970, `data/nile.csv` (source and licence in its head): one break after 1898, means
  1097.75 and 849.972 (Cobb 1978; seen, recomputed).
- Water flow through a pipeline branch, 1268 hourly readings in l/s: in PyPI `river` (BSD-3-Clause), read from
  the installed package. Three low spells and one peak by pumping, as its description says; the readings at
  which they begin (94, 212, 873 and 329, counted from 0) were read off the data itself.
"""

from __future__ import annotations

import csv
from importlib import resources
from pathlib import Path

import numpy as np
import pytest

from logger.core import actions
from logger.core.bay import Bay
from logger.core.description import Bay as BayDescription
from logger.core.description import Channel, Feed, FeedKind, Outlet, Station
from logger.core.entries import Action, Reading
from tests.bench.peers.tabular import TabularCusum

NS = 10**9
T0_S = 1_772_431_200

# ------------------------------------------------------------------ Nile


def nile() -> dict[int, float]:
    lines = (Path(__file__).parent / "data" / "nile.csv").read_text().splitlines()
    return {
        int(row["year"]): float(row["volume"])
        for row in csv.DictReader(line for line in lines if line[0] != "#")
    }


def break_year(calibrated_on: int, h: float) -> tuple[int, int]:
    """(year in which the chart signals, last year before the change by its own estimate)."""
    flow = nile()
    years = sorted(flow)
    before = np.array([flow[y] for y in years[:calibrated_on]])
    sigma = float(before.std(ddof=1))
    chart = TabularCusum(float(before.mean()), 0.5 * sigma, h * sigma)
    for year in years:
        if chart.add(flow[year]) < 0:
            return year, years[chart.low_since - 1]
    raise AssertionError("no signal")


@pytest.mark.parametrize("calibrated_on", [15, 20, 25])
@pytest.mark.parametrize("h", [4.0, 5.0])
def test_the_chart_finds_the_break_of_the_nile(calibrated_on: int, h: float) -> None:
    """Whatever years it learned from, it says that the change came after 1898, and says so within 7 years."""
    signal, last = break_year(calibrated_on, h)
    assert last == 1898
    assert 1898 < signal <= 1905


def test_the_means_on_both_sides_of_the_charts_break() -> None:
    flow = nile()
    _, last = break_year(20, 5.0)
    before = [v for y, v in flow.items() if y <= last]
    after = [v for y, v in flow.items() if y > last]
    assert (len(before), len(after)) == (28, 72)
    assert np.mean(before) == pytest.approx(1097.75, abs=0.005)
    assert np.mean(after) == pytest.approx(849.972, abs=0.0005)


# ------------------------------------------------------------------ a feed that runs like the water

TARGET_KG_H = 100.0  # for the pipe's 100 l/s
EACH_S = 120  # so long the feed keeps the pace of one hourly reading
LOW = ((94, 110), (212, 224), (873, 887))  # readings below 90 l/s, first and one behind the last
PEAK = (329, 330)  # 109.68 l/s


def water() -> np.ndarray:
    text = resources.files("river.datasets").joinpath("water-flow.csv").read_text()
    return np.array([float(row[1]) for row in list(csv.reader(text.splitlines()))[1:]])


def hopper_kg(flow: np.ndarray) -> np.ndarray:
    """The weight of a hopper, second by second, that is refilled by 20 kg below 6 kg."""
    used = np.cumsum(np.repeat(flow / 100.0 * TARGET_KG_H / 3600.0, EACH_S))
    level = 30.0 - used
    while (below := np.flatnonzero(level < 6.0)).size:
        at = int(below[0])
        level[at:] += 20.0 * np.clip(np.arange(1, len(level) - at + 1) / 5.0, 0.0, 1.0)
    return level


def alarms(flow: np.ndarray) -> list[tuple[str, str, float]]:
    """(kind, state, reading of the series at which it came) of a bay whose feed runs so."""
    feed = Feed(FeedKind.HOPPER, "feed", TARGET_KG_H)
    station = Station("table", feed, (Outlet("out1"), Outlet("out2")))
    bay = Bay(BayDescription("bench", (station,), (Channel("feed", resolution_kg=0.005),)))
    noise = np.random.default_rng(0).normal(0.0, 0.0025, len(flow) * EACH_S)
    shown = np.round((hopper_kg(flow) + noise) / 0.005).astype(int) * 5
    found = list(bay.apply(Action(T0_S * NS, actions.StartRun())))
    for second, number in enumerate(shown.tolist()):
        found += bay.apply(Reading((T0_S + second) * NS + NS // 2, "feed", number, -3, "kg", True))
    return [
        (f.data["kind"], f.data["state"], (f.at_ns / NS - T0_S) / EACH_S) for f in found if f.kind == "alarm"
    ]


def test_the_water_has_the_three_low_spells_and_the_peak_that_its_description_tells_of() -> None:
    flow = water()
    assert len(flow) == 1268
    low = np.flatnonzero(flow < 90.0).tolist()
    assert low == [n for a, b in LOW for n in range(a, b)]
    assert int(flow.argmax()) == PEAK[0]


def test_a_feed_that_runs_like_the_water_is_called_in_its_low_spells_and_at_its_peak_alone() -> None:
    """The first 420 readings: two low spells and the peak, each within 1.5 readings; nothing else."""
    found = alarms(water()[:420])
    raised = [(kind, at) for kind, state, at in found if state == "raised"]
    assert {kind for kind, _ in raised} == {"feed-drift", "feed-stopped"}
    first = [min(at for _, at in raised if at >= a) for a in (94, 212, 329)]
    assert first == pytest.approx([94.0, 212.0, 329.0], abs=1.5)
    assert all(any(a <= at <= b + 2 for a, b in (*LOW, PEAK)) for _, at in raised)
    assert [kind for kind, at in raised if at > 300.0] == ["feed-drift"]
    assert found[-1][:2] == ("feed-drift", "cleared")


@pytest.mark.full
def test_all_of_the_water() -> None:
    found = alarms(water())
    raised = [at for _, state, at in found if state == "raised"]
    begins = (94, 212, 329, 873)
    assert [min(at for at in raised if at >= a) for a in begins] == pytest.approx(begins, abs=1.5)
    assert all(any(a <= at <= b + 2 for a, b in (*LOW, PEAK)) for at in raised)
