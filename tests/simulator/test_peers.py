"""The simpler ways of `tests/bench/peers`: one contract over all of them, and their calibration."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.bench.peers.adapt import as_played, at_feed_stops, feed_stream, judged, streams
from tests.bench.peers.all_of import PEERS
from tests.bench.peers.calibrate import Hour, calm, critical, factor, speaks, tune, units
from tests.bench.peers.contract import LEARN_S, Stream, edges
from tests.bench.peers.feed import FEED_PEERS
from tests.bench.peers.tabular import TabularCusum, passings
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
    found = list(peer.alarms(peer.look(stream(stop_s=STOP_S)), tuned(name)))
    assert found
    assert STOP_S < found[0] < STOP_S + 600.0


@pytest.mark.parametrize("name", PEERS)
def test_a_stream_that_flows_on_is_left_alone(name: str) -> None:
    peer = PEERS[name]
    assert not speaks(peer, peer.look(stream(seed=3)), tuned(name))


@pytest.mark.parametrize("name", PEERS)
def test_the_critical_parameter_parts_silence_from_alarm(name: str) -> None:
    peer, flow = PEERS[name], stream(stop_s=STOP_S)
    edge = critical(peer, flow)
    assert not speaks(peer, peer.look(flow), edge)
    assert speaks(peer, peer.look(flow), edge / 1.006)


@pytest.mark.parametrize("name", PEERS)
def test_nobody_speaks_while_it_learns(name: str) -> None:
    peer = PEERS[name]
    found = peer.alarms(peer.look(stream(stop_s=300.0)), peer.low)
    assert all(at_s >= LEARN_S for at_s in found)


@pytest.mark.parametrize("name", PEERS)
def test_a_stream_too_short_to_learn_from_gives_no_alarm(name: str) -> None:
    peer = PEERS[name]
    assert not speaks(peer, peer.look(stream(length_s=120.0)), peer.low)


@pytest.mark.parametrize("name", PEERS)
def test_looking_changes_nothing(name: str) -> None:
    peer, flow = PEERS[name], stream(stop_s=STOP_S)
    looked = peer.look(flow)
    once = list(peer.alarms(looked, 2.0 * peer.low))
    assert list(peer.alarms(looked, 2.0 * peer.low)) == once
    assert list(peer.alarms(peer.look(flow), 2.0 * peer.low)) == once


@pytest.mark.parametrize("name", PEERS)
def test_silence_of_the_scale_is_borne(name: str) -> None:
    flow = stream()
    kept = (flow.at_s < 900.0) | (flow.at_s > 1000.0)
    peer = PEERS[name]
    silent = Stream(flow.at_s[kept], flow.kg[kept], flow.d_kg)
    assert all(at_s >= LEARN_S for at_s in peer.alarms(peer.look(silent), peer.low))


def test_a_condition_that_flickers_is_one_alarm() -> None:
    at_s = np.arange(700.0, 900.0)
    over = (at_s == 710.0) | (at_s == 740.0) | (at_s == 850.0)
    assert list(edges(at_s, over)) == [710.0, 850.0]


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
    assert found is not None
    assert unit["timer", "bay", "loud"] / unit["timer", "bay", "quiet"] == pytest.approx(10.0, rel=0.1)
    assert (found.hours, found.check_hours) == (600, 600)
    assert 0 <= found.check_alarms <= 15
    assert 1.2 < found.factor < 2.0


def test_nothing_happens_in_an_undisturbed_hour_and_chance_is_drawn_anew() -> None:
    drawn = plan(3, TUNING, "busy")
    one, other = streams(calm(drawn, 1)), streams(calm(drawn, 2))
    assert drawn.events
    for name, flow in one.items():
        assert flow.at_s[-1] > LEARN_S + 3590.0
        _, mean = flow.seconds()
        assert np.nanmin(np.diff(mean[int(LEARN_S) :])) > -0.2  # no container was taken away
        assert not np.array_equal(flow.kg[:500], other[name].kg[:500])


def test_a_chart_by_running_totals_is_the_chart_by_its_loop() -> None:
    """The same signals as `TabularCusum`, which starts anew behind each."""
    x = np.random.default_rng(4).normal(1.0, 1.0, 3000)
    chart, found = TabularCusum(1.0, 0.5, 3.0), []
    for i, each in enumerate(x.tolist()):
        chart.add(each)
        if chart.low > 3.0:
            found.append(i)
            chart = TabularCusum(1.0, 0.5, 3.0)
    assert len(found) > 20
    assert list(passings(0.5 - x, 3.0)) == found


# ------------------------------------------------------------------ on the feed


def fed(seed: int, change: float = 0.0) -> Stream:
    """What is used of a feed of 60 kg/h: 5 Hz, lumps of 4 g, 5 g; from `STOP_S` on changed by a part."""
    rng = np.random.default_rng(seed)
    at_s = np.arange(0.1, 3600.0, 0.2)
    wish_kg = 60.0 / 3600.0 * 0.2 * np.where(at_s < STOP_S, 1.0, 1.0 + change)
    kg = np.cumsum(rng.poisson(wish_kg / 0.004) * 0.004) + rng.normal(0.0, 0.004, len(at_s))
    return Stream(at_s, np.round(kg / 0.005) * 0.005, 0.005, 60.0 / 3600.0)


@pytest.mark.parametrize("name", [name for name in FEED_PEERS if name != "timer"])
@pytest.mark.parametrize("change", [-0.4, 0.4])
def test_a_feed_that_changes_either_way_is_called_after_it_did(name: str, change: float) -> None:
    peer = FEED_PEERS[name]
    set_to = 1.6 * max(critical(peer, fed(seed)) for seed in (21, 22, 23))
    assert not speaks(peer, peer.look(fed(24)), set_to)
    found = list(peer.alarms(peer.look(fed(24, change)), set_to))
    assert found
    assert STOP_S < found[0] < STOP_S + 1200.0


def test_refills_are_taken_out_of_what_was_used() -> None:
    trace = next(t for t in (make(seed, "tuning", "drift") for seed in range(9)) if not t.plan.hand)
    assert any(e.kind == "refill" for e in trace.events)
    flow = feed_stream(trace)
    used = np.interp(flow.at_s, trace.flows.t, trace.flows.used)
    off = (flow.kg - flow.kg[0]) - (used - used[0])
    assert np.abs(off).max() < 10.0 * trace.plan.feed_scale.resolution_kg


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
