"""The simpler ways of `tests/bench/peers`: one contract over all of them, and their calibration."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from tests.bench.peers.adapt import as_played, at_feed_stops, judged, streams
from tests.bench.peers.all_of import PEERS
from tests.bench.peers.calibrate import Hour, critical, factor, tune, undisturbed, units
from tests.bench.peers.columns import median_95, text
from tests.bench.peers.contract import LEARN_S, Stream, edges
from tests.bench.peers.run import OURS, Job, from_file, run
from tests.bench.testbay.plan import plan
from tests.bench.testbay.regimes import TUNING
from tests.bench.testbay.trace import make

STOP_S = 1200.0


def stream(seed: int = 1, length_s: float = 2400.0, stop_s: float = 1e9, kg_h: float = 20.0) -> Stream:
    """An outlet that delivers lumps of 4 g on average at 5 Hz and 5 g, and stops."""
    rng = np.random.default_rng(seed)
    at_s = np.arange(0.1, length_s, 0.2)
    came = rng.poisson(kg_h / 3600.0 * 0.2 / 0.004, len(at_s)) * 0.004 * (at_s < stop_s)
    kg = np.cumsum(came) + rng.normal(0.0, 0.004, len(at_s))
    return Stream(at_s, np.round(kg / 0.005) * 0.005, 0.005)


def tuned(name: str) -> float:
    return 1.3 * max(critical(PEERS[name], stream(seed)) for seed in (11, 12, 13))


@pytest.mark.parametrize("name", PEERS)
def test_a_stop_is_called_after_it_came_and_not_before(name: str) -> None:
    peer = PEERS[name]
    found = peer.alarms(peer.look(stream(stop_s=STOP_S)), tuned(name))
    assert found
    assert STOP_S < found[0] < STOP_S + 600.0


@pytest.mark.parametrize("name", PEERS)
def test_a_stream_that_flows_on_is_left_alone(name: str) -> None:
    peer = PEERS[name]
    assert peer.alarms(peer.look(stream(seed=3)), tuned(name)) == []


@pytest.mark.parametrize("name", PEERS)
def test_the_critical_parameter_parts_silence_from_alarm(name: str) -> None:
    peer, flow = PEERS[name], stream(stop_s=STOP_S)
    edge = critical(peer, flow)
    assert peer.alarms(peer.look(flow), edge) == []
    assert peer.alarms(peer.look(flow), edge / 1.006)


@pytest.mark.parametrize("name", PEERS)
def test_nobody_speaks_while_it_learns(name: str) -> None:
    peer = PEERS[name]
    found = peer.alarms(peer.look(stream(stop_s=300.0)), peer.low)
    assert all(at_s >= LEARN_S for at_s in found)


@pytest.mark.parametrize("name", PEERS)
def test_a_stream_too_short_to_learn_from_gives_no_alarm(name: str) -> None:
    peer = PEERS[name]
    assert peer.alarms(peer.look(stream(length_s=120.0)), peer.low) == []


@pytest.mark.parametrize("name", PEERS)
def test_looking_changes_nothing(name: str) -> None:
    peer, flow = PEERS[name], stream(stop_s=STOP_S)
    looked = peer.look(flow)
    once = peer.alarms(looked, 2.0 * peer.low)
    assert peer.alarms(looked, 2.0 * peer.low) == once
    assert peer.alarms(peer.look(flow), 2.0 * peer.low) == once


@pytest.mark.parametrize("name", PEERS)
def test_silence_of_the_scale_is_borne(name: str) -> None:
    flow = stream()
    kept = (flow.at_s < 900.0) | (flow.at_s > 1000.0)
    peer = PEERS[name]
    peer.alarms(peer.look(Stream(flow.at_s[kept], flow.kg[kept], flow.d_kg)), peer.low)


def test_a_condition_that_flickers_is_one_alarm() -> None:
    at_s = np.arange(700.0, 900.0)
    over = (at_s == 710.0) | (at_s == 740.0) | (at_s == 850.0)
    assert edges(at_s, over) == [710.0, 850.0]


# ------------------------------------------------------------------ calibration


def test_the_factor_of_an_exponential_tail() -> None:
    """Maxima whose logarithm is exponential: the hundredth of 20,000 is passed by one in 100.5."""
    maxima = np.exp(0.2 * np.random.default_rng(5).exponential(size=20_000))
    found = factor(maxima.tolist())
    assert np.mean(maxima > found) == pytest.approx(-np.expm1(-0.01), rel=0.1)
    assert np.log(found) / 0.2 == pytest.approx(-np.log(-np.expm1(-0.01)), rel=0.03)


def test_too_few_hours_are_refused() -> None:
    with pytest.raises(ValueError, match="too few"):
        factor([1.0] * 9)


def test_a_peer_is_tuned_in_units_of_each_outlet() -> None:
    """An outlet that is ten times as loud gets ten times the parameter, and the same factor."""
    rng = np.random.default_rng(6)
    hours = [
        Hour("timer", "bay", outlet, batch, loud * float(np.exp(0.1 * rng.exponential())))
        for outlet, loud in (("quiet", 1.0), ("loud", 10.0))
        for batch, count in (("commission", 9), ("calibrate", 300), ("check", 300))
        for _ in range(count)
    ]
    unit = units(hours, PEERS)
    found = tune("timer", hours, unit)
    assert unit["timer", "bay", "loud"] / unit["timer", "bay", "quiet"] == pytest.approx(10.0, rel=0.1)
    assert (found.hours, found.check_hours) == (600, 600)
    assert 0 <= found.check_alarms <= 15
    assert 1.2 < found.factor < 2.0


def test_nothing_happens_in_an_undisturbed_hour_and_chance_is_drawn_anew() -> None:
    drawn = plan(3, TUNING, "busy")
    one, other = undisturbed(drawn, 1), undisturbed(drawn, 2)
    assert drawn.events
    for name, flow in one.items():
        assert flow.at_s[-1] > LEARN_S + 3590.0
        _, mean = flow.seconds()
        assert np.nanmin(np.diff(mean[int(LEARN_S) :])) > -0.2  # no container was taken away
        assert not np.array_equal(flow.kg[:500], other[name].kg[:500])


# ------------------------------------------------------------------ on the test bay


def test_alarms_are_judged_by_the_bays_own_score() -> None:
    """Alarms half a minute into every clog are hits; one in a calm minute is false."""
    trace = make(1, "tuning", "hopper")
    clogs = [e for e in trace.events if e.kind == "clog"]
    assert clogs
    times: dict[str, list[float]] = {o.name: [] for o in trace.plan.outlets}
    for e in clogs:
        assert e.outlet is not None
        times[trace.plan.outlets[e.outlet].name].append(e.at_s + 30.0)
    first = trace.plan.outlets[0].name
    times[first].append(LEARN_S + 1.0)
    found = judged(trace, as_played(times))
    assert [c.note["delay_s"] for c in found.clogs] == [30.0] * len(clogs)
    assert [(f.subject, f.at_s) for f in found.false] == [(first, LEARN_S + 1.0)]


def test_outlets_called_at_feed_stops_are_counted() -> None:
    trace = next(t for t in (make(seed, "tuning", "busy") for seed in range(20)) if late_stops(t))
    e, outlets = late_stops(trace)[0], [o.name for o in trace.plan.outlets]
    times = {name: [e.at_s + 5.0] if name == outlets[0] else [] for name in outlets}
    called, all_of = at_feed_stops(trace, as_played(times))
    assert (called, all_of) == (1, len(outlets) * len(late_stops(trace)))


def late_stops(trace: object) -> list:
    return [e for e in trace.events if e.kind == "feed-stop" and e.at_s >= LEARN_S]  # type: ignore[attr-defined]


def test_readings_of_overload_are_none() -> None:
    trace = make(1, "tuning", "hopper")
    name = trace.plan.outlets[0].name
    lines = trace.lines[name]
    spoiled = replace(lines, status=np.where(np.arange(len(lines)) < 100, 1, lines.status))
    whole = len(streams(trace)[name].kg)
    trace.lines[name] = spoiled
    assert len(streams(trace)[name].kg) <= whole - 90


def test_the_interval_of_a_median_holds_it_as_often_as_it_says() -> None:
    """2000 samples of 25 exponential values, whose median is log 2: 95 % or a little more (here 95.7 %)."""
    rng = np.random.default_rng(8)
    spans = [median_95(rng.exponential(size=25).tolist()) for _ in range(2000)]
    held = np.mean([low <= np.log(2.0) <= high for low, high in spans])
    assert 0.94 < held < 0.975


def test_the_interval_of_a_median_of_three_is_all_of_them() -> None:
    assert median_95([3.0, 1.0, 2.0]) == (1.0, 3.0)


def test_a_small_run_gives_a_column_for_each_and_survives_its_file(tmp_path: Path) -> None:
    columns = run([Job(0, "tuning", "busy")], {"commission": 1, "calibrate": 4, "check": 1}, 1, True)
    assert [c.name for c in columns] == [OURS, *PEERS]
    file = tmp_path / "run.json"
    file.write_text(json.dumps([c.to_json() for c in columns]))
    again = [from_file(each) for each in json.loads(file.read_text())]
    assert text(again) == text(columns)
    assert all(len(c.parts) == 1 for c in again)
