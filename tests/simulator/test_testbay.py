"""The test bay of the benches: mass is conserved, troubles show as they should, the truth is the integral."""

from __future__ import annotations

import json
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from tests.bench.testbay.indicator import UNITS
from tests.bench.testbay.limits import clog_bound_s, drift_bound_s, noise_g
from tests.bench.testbay.physics import DT_S, _lumps, kernel
from tests.bench.testbay.plan import CLASSES, Event, Plan, plan
from tests.bench.testbay.play import RUN_AT_S, described, play
from tests.bench.testbay.regimes import REGIMES, REPORT, TUNING
from tests.bench.testbay.score import from_json, score
from tests.bench.testbay.table import poisson_95, quantile, ratios, rows, text, together
from tests.bench.testbay.trace import EPOCH_S, Trace, carried_out, make


def fine(drawn: Plan, *events: Event) -> Plan:
    """The same bay with scales that show all, outlets that stay clean, and only these events."""

    def scale(s):
        return replace(
            s, resolution_kg=0.001, sigma_kg=0.0005, vibration_kg=0.0, slow_kg=0.0, filter_s=0.01, lost=0.0,
            zero_tracking=False, capacity_kg=100.0,
        )  # fmt: skip

    outlets = tuple(
        replace(o, scale=scale(o.scale), excess=0.0, density=None, zeroed=False) for o in drawn.outlets
    )
    return replace(drawn, feed_scale=scale(drawn.feed_scale), outlets=outlets, events=tuple(events))


@cache
def base() -> Plan:
    """A hopper-fed bay of an hour in which nothing happens."""
    return replace(fine(plan(2, TUNING, "mass")), hand=False, length_s=1800, feed_until_s=1800.0)


def with_event(kind: str, outlet: int | None, at_s: float, until_s: float, **data) -> Trace:
    return carried_out(replace(base(), events=(Event(kind, outlet, at_s, until_s, data),)))


@cache
def calm() -> Trace:
    return carried_out(base())


def shown(trace: Trace, name: str, a: float, b: float) -> np.ndarray:
    """What a channel showed between two times, kg."""
    lines = trace.lines[name]
    at_s = lines.at_ns / 1e9
    return lines.kg()[(at_s >= a) & (at_s < b)]


# ---------------------------------------------------------------- mass


@pytest.mark.parametrize("what", CLASSES)
@pytest.mark.parametrize("regime", ["tuning", "report"])
def test_no_outlet_delivers_what_was_not_fed(regime, what):
    trace = make(5, regime, what)
    out = np.sum(trace.flows.got, axis=0)
    assert np.all(np.diff(trace.flows.used) >= 0.0)
    assert all(np.all(np.diff(got) >= 0.0) for got in trace.flows.got)
    assert np.max(out - trace.flows.used) < 0.02 * trace.flows.used[-1]


@pytest.mark.parametrize("seed", range(4))
def test_all_that_was_fed_is_delivered_once_the_table_has_run_empty(seed):
    trace = make(seed, "report", "mass")
    assert sum(got[-1] for got in trace.flows.got) == pytest.approx(trace.flows.used[-1], rel=0.01)


def test_what_a_clog_holds_back_comes_out_or_crosses_over():
    event = {"what": "full", "blocked": 1.0, "ramp_s": 0.0, "astray": 0.4, "fast": 0.5, "fast_s": 4.0}
    clogged = with_event("clog", 1, 900.0, 1100.0, **event)
    total = [np.sum(np.stack(each.flows.rate), axis=0).sum() for each in (clogged, calm())]
    assert total[0] == pytest.approx(total[1], rel=1e-4)


def test_the_truth_is_the_integral_of_what_flowed():
    trace, name = calm(), "out1"
    streamed = trace.rate_kg_s(name, 300.0, 1500.0) * 1200.0
    assert trace.mass_kg(name, 300.0, 1500.0) == pytest.approx(streamed, rel=0.05)
    seen = shown(trace, name, 1498.0, 1502.0).mean() - shown(trace, name, 298.0, 302.0).mean()
    assert seen == pytest.approx(trace.mass_kg(name, 300.0, 1500.0), abs=0.03)


def test_the_mean_feed_is_the_target():
    trace = calm()
    rate_kg_h = trace.mass_kg("feed", 200.0, 1800.0) / 1600.0 * 3600.0
    assert rate_kg_h == pytest.approx(trace.plan.target_kg_h, rel=0.1)


def test_a_tub_gives_scoops_at_the_target_rate():
    trace = make(1, "tuning", "tub")
    kg = [kg for _, kg in trace.flows.scoops]
    assert 0.5 * trace.plan.scoop_kg < np.median(kg) < 1.5 * trace.plan.scoop_kg
    rate_kg_h = trace.mass_kg("feed", 200.0, 5200.0) / 5000.0 * 3600.0
    assert rate_kg_h == pytest.approx(trace.plan.target_kg_h, rel=0.1)


@pytest.mark.parametrize("shape", ["first-order", "tanks", "dispersion"])
def test_a_kernel_brings_all_of_a_gram_after_the_dead_time(shape):
    spec = replace(base().outlets[0], kernel=shape, dead_s=20.0, spread_s=12.0, shape=5.0)
    response = kernel(spec)
    at_s = (np.arange(len(response)) + 0.5) * DT_S
    assert response.sum() == pytest.approx(1.0)
    assert response[: round(20.0 / DT_S)].sum() == 0.0
    mean_s = 12.0 if shape == "first-order" else 18.0
    assert (response * at_s).sum() - 20.0 == pytest.approx(mean_s, rel=0.03)


@pytest.mark.parametrize("kind", ["gamma", "exponential", "lognormal"])
def test_lumps_have_the_dispersion_they_are_described_by(kind):
    spec = replace(base().outlets[0], lump=kind, phi_kg=0.01, wad_share=0.0)
    mass = np.full(200_000, 0.001)
    got = _lumps(np.random.default_rng(1), spec, mass)
    assert got.sum() == pytest.approx(mass.sum(), rel=0.01)
    assert got.var() / got.mean() == pytest.approx(0.01, rel=0.1)


# ---------------------------------------------------------------- seeds


def test_the_same_seed_gives_the_same_readings():
    assert list(make(3, "report", "frozen").readings()) == list(make(3, "report", "frozen").readings())


def test_another_seed_another_set_and_another_class_give_other_bays():
    bays = [
        plan(3, REPORT, "busy"),
        plan(4, REPORT, "busy"),
        plan(3, TUNING, "busy"),
        plan(3, REPORT, "mass"),
    ]
    assert len({repr(bay.outlets) for bay in bays}) == 4


def test_readings_come_in_order_of_time_and_none_is_left_out():
    trace = make(0, "tuning", "frozen")
    at = [reading.at_ns for reading in trace.readings()]
    assert at == sorted(at)
    assert len(at) == len(trace)
    assert at[0] > EPOCH_S * 10**9


@pytest.mark.parametrize("regime", ["tuning", "report"])
def test_rates_lie_where_the_bay_is_meant_for(regime):
    drawn = [plan(seed, REGIMES[regime], "hopper") for seed in range(20)]
    rates = [o.share * p.target_kg_h for p in drawn for o in p.outlets]
    assert 0.45 <= min(rates) < 2.0
    assert 40.0 < max(rates) <= 55.0
    assert {len(p.outlets) for p in drawn} == {3, 4, 5}


# ---------------------------------------------------------------- troubles


def test_a_full_clog_stops_the_outlet_and_lets_go_with_a_surge():
    event = {"what": "full", "blocked": 1.0, "ramp_s": 0.0, "astray": 0.0, "fast": 0.6, "fast_s": 4.0}
    trace = with_event("clog", 1, 900.0, 1100.0, **event)
    assert trace.mass_kg("out2", 901.0, 1099.0) == 0.0
    held = calm().mass_kg("out2", 900.0, 1100.0)
    assert trace.mass_kg("out2", 1100.0, 1106.0) > 0.4 * held


def test_a_partial_clog_leaves_its_part_and_a_gradual_one_closes_slowly():
    event = {"astray": 0.0, "fast": 0.6, "fast_s": 4.0}
    part = with_event("clog", 1, 900.0, 1100.0, what="partial", blocked=0.7, ramp_s=0.0, **event)
    slow = with_event("clog", 1, 900.0, 1100.0, what="gradual", blocked=1.0, ramp_s=200.0, **event)
    free = calm().rate_kg_s("out2", 900.0, 1100.0)
    assert part.rate_kg_s("out2", 900.0, 1100.0) == pytest.approx(0.3 * free, rel=0.02)
    assert slow.rate_kg_s("out2", 900.0, 1100.0) == pytest.approx(0.5 * free, rel=0.1)
    assert slow.rate_kg_s("out2", 1090.0, 1100.0) < 0.1 * free


def test_product_goes_astray_into_the_neighbour():
    event = {"what": "full", "blocked": 1.0, "ramp_s": 0.0, "astray": 0.8, "fast": 0.6, "fast_s": 4.0}
    trace = with_event("clog", 0, 900.0, 1100.0, **event)
    more = trace.rate_kg_s("out2", 950.0, 1100.0) - calm().rate_kg_s("out2", 950.0, 1100.0)
    assert more == pytest.approx(0.8 * calm().rate_kg_s("out1", 950.0, 1100.0), rel=0.1)


def test_a_container_change_empties_the_scale_and_what_flowed_meanwhile_is_lost():
    trace = with_event("change", 0, 900.0, 930.0, caught=False, pour_after_s=0.0, same=True)
    assert np.all(np.abs(shown(trace, "out1", 902.0, 928.0)) < 0.01)
    tare = shown(trace, "out1", 0.0, 20.0).mean()
    new = shown(trace, "out1", 1798.0, 1800.0).mean() - tare
    assert new == pytest.approx(trace.mass_kg("out1", 930.0, 1799.0), abs=0.05)


def test_what_was_caught_is_poured_in():
    trace = with_event("change", 0, 900.0, 930.0, caught=True, pour_after_s=40.0, same=True)
    tare = shown(trace, "out1", 0.0, 20.0).mean()
    new = shown(trace, "out1", 1798.0, 1800.0).mean() - tare
    assert new == pytest.approx(trace.mass_kg("out1", 900.0, 1799.0), abs=0.05)


@pytest.mark.parametrize("form", ["arch", "lean", "knock"])
def test_a_bump_comes_and_goes_and_changes_nothing(form):
    trace = with_event("bump", 0, 900.0, 903.0, kg=8.0, shape=form)
    off = shown(trace, "out1", 899.0, 905.0) - shown(calm(), "out1", 899.0, 905.0)
    assert off.max() > 6.0
    assert np.allclose(shown(trace, "out1", 910.0, 1800.0), shown(calm(), "out1", 910.0, 1800.0))


def test_a_tare_pressed_shows_nothing_and_a_sample_leaves_a_step():
    tare = with_event("tare", 0, 900.0, 901.0)
    assert abs(shown(tare, "out1", 901.4, 903.0).mean()) < 0.05
    sample = with_event("sample", 0, 900.0, 903.0, kg=0.2)
    off = shown(sample, "out1", 910.0, 1800.0) - shown(calm(), "out1", 910.0, 1800.0)
    assert off == pytest.approx(-0.2, abs=0.002)
    assert sample.mass_kg("out1", 0.0, 1800.0) == calm().mass_kg("out1", 0.0, 1800.0)


def test_a_hopper_is_refilled_and_the_feed_used_goes_on():
    trace = carried_out(replace(base(), length_s=3600, feed_until_s=3600.0))
    refill = next(e for e in trace.events if e.kind == "refill")
    level = [shown(trace, "feed", t - 2.0, t).mean() for t in (refill.at_s - 1.0, refill.until_s + 3.0)]
    used = trace.mass_kg("feed", refill.at_s - 2.0, refill.until_s + 2.0)
    assert level[1] - level[0] == pytest.approx(refill.data["kg"] - used, abs=0.1)


def test_a_feed_stop_stops_the_feed_and_after_its_lag_the_outlets():
    trace = with_event("feed-stop", None, 900.0, 1300.0)
    assert trace.mass_kg("feed", 900.2, 1299.8) == 0.0
    assert trace.rate_kg_s("out1", 1250.0, 1300.0) < 0.05 * calm().rate_kg_s("out1", 1250.0, 1300.0)


@pytest.mark.parametrize("size", [-0.3, 0.2])
def test_a_drift_changes_the_feed_by_its_size(size):
    trace = with_event("drift", None, 900.0, 1800.0, what="ramp", size=size, ramp_s=300.0)
    share = trace.mass_kg("feed", 1200.0, 1800.0) / calm().mass_kg("feed", 1200.0, 1800.0)
    assert share == pytest.approx(1.0 + size, abs=0.02)


def test_more_pulsation_leaves_the_mean_and_widens_the_spread():
    trace = with_event("drift", None, 900.0, 1800.0, what="pulsing", size=0.3, ramp_s=0.0)
    assert trace.mass_kg("feed", 900.0, 1800.0) == pytest.approx(
        calm().mass_kg("feed", 900.0, 1800.0), rel=0.05
    )
    spread = [np.diff(each.flows.used[9000::50]).std() for each in (trace, calm())]
    assert spread[0] > 2.0 * spread[1]


def test_a_frozen_scale_repeats_one_number_and_a_silent_one_sends_none():
    frozen = with_event("frozen", 0, 900.0, 1000.0)
    assert len(set(shown(frozen, "out1", 900.0, 1000.0))) == 1
    assert len(set(shown(frozen, "out1", 1000.0, 1100.0))) > 5
    silent = with_event("silent", 0, 900.0, 1000.0)
    assert len(shown(silent, "out1", 900.0, 1000.0)) == 0
    assert len(shown(silent, "out2", 900.0, 1000.0)) > 400


@pytest.mark.parametrize("unit", ["g", "lb"])
def test_another_unit_shows_the_same_mass(unit):
    trace = with_event("unit", 0, 900.0, 1000.0, unit=unit)
    assert shown(trace, "out1", 905.0, 995.0) == pytest.approx(
        shown(calm(), "out1", 905.0, 995.0), abs=0.0015
    )
    inside = [
        r.unit for r in trace.readings() if r.channel == "out1" and 900 < r.at_ns / 1e9 - EPOCH_S < 1000
    ]
    assert set(inside) == {unit}
    assert unit in UNITS


def test_more_than_a_scale_bears_is_told_as_over():
    drawn = base()
    small = replace(drawn.outlets[0], scale=replace(drawn.outlets[0].scale, capacity_kg=3.0))
    bump = Event("bump", 0, 900.0, 904.0, {"kg": 9.0, "shape": "lean"})
    trace = carried_out(replace(drawn, outlets=(small, *drawn.outlets[1:]), events=(bump,)))
    assert shown(trace, "out1", 0.0, 1800.0).max() <= 3.0
    assert {r.status for r in trace.readings() if r.channel == "out1"} == {"ok", "over"}


def test_automatic_zero_hides_a_trickle():
    drawn = base()
    scale = replace(drawn.outlets[0].scale, resolution_kg=0.02, zero_tracking=True)
    trickle = replace(drawn.outlets[0], scale=scale, zeroed=True, share=0.5 / drawn.target_kg_h, phi_kg=0.001)
    trace = carried_out(replace(drawn, outlets=(trickle, *drawn.outlets[1:])))
    assert trace.mass_kg("out1", 0.0, 1800.0) > 0.15
    assert shown(trace, "out1", 1700.0, 1800.0).max() < 0.05


def test_fresh_product_weighs_more_until_its_water_is_gone():
    drawn = base()
    wet = tuple(replace(o, excess=0.1, excess_s=30.0) for o in drawn.outlets)
    trace = carried_out(replace(drawn, outlets=wet))
    more = shown(trace, "out1", 1000.0, 1800.0) - shown(calm(), "out1", 1000.0, 1800.0)
    assert more.mean() == pytest.approx(0.1 * 30.0 * calm().rate_kg_s("out1", 1000.0, 1800.0), rel=0.3)


def test_vibration_beats_slowly_against_the_sampling():
    drawn = base()
    scale = replace(drawn.outlets[0].scale, vibration_kg=0.01, vibration_hz=4.9, hz=5.0, resolution_kg=0.001)
    shaken = replace(drawn.outlets[0], scale=scale, share=0.0001)
    trace = carried_out(replace(drawn, outlets=(shaken, *drawn.outlets[1:])))
    values = shown(trace, "out1", 100.0, 400.0)
    assert values.std() > 0.006
    assert np.diff(values).std() < 0.5 * values.std()  # differences understate the noise


# ---------------------------------------------------------------- bound, table, bench


def test_the_bound_agrees_with_the_formula_by_hand():
    spec = base().outlets[0]
    scale = replace(spec.scale, resolution_kg=0.005, hz=5.0)
    spec = replace(spec, phi_kg=0.008, wad_share=0.0, lump="exponential", scale=scale)
    rate_g_s = 10.0 / 3.6
    density = (noise_g(scale) ** 2 + 25.0 / 12.0) / 5.0
    by_hand = 9.4 * 8.0 / 2.0 / rate_g_s + (24.0 * 9.4 * density / rate_g_s**2) ** (1 / 3)
    bound = clog_bound_s(10.0 / 3600.0, spec, 1.0, 0.0)
    assert bound == pytest.approx(by_hand, rel=0.25)
    assert bound == pytest.approx(clog_bound_s(10.0 / 3600.0, spec, 1.0, 0.0, true_lumps=False), rel=1e-3)
    assert clog_bound_s(10.0 / 3600.0, spec, 0.7, 0.0) > 1.3 * bound
    assert bound < clog_bound_s(10.0 / 3600.0, spec, 1.0, 100.0) < bound + 100.0
    assert clog_bound_s(1e-6, spec, 1.0, 0.0) is None


def test_a_silence_of_equal_lumps_is_told_later_the_fewer_they_are():
    """Of one phi, gamma lumps are the fewest (mean phi / 1.5), lognormal ones the most (phi / e)."""
    spec = replace(base().outlets[0], phi_kg=0.02, wad_share=0.0)
    kinds = ("gamma", "exponential", "lognormal")
    bounds = [clog_bound_s(0.01, replace(spec, lump=kind), 1.0, 0.0) for kind in kinds]
    assert bounds == sorted(bounds, reverse=True)
    assert bounds[0] / bounds[2] == pytest.approx(np.e / 1.5, rel=0.25)


def test_a_drift_beside_lumps_alone_is_told_when_a_z_test_would_tell_it():
    """Without wander and auger the information of a step of size s after T is s^2 rate T / 2 phi."""
    quiet = replace(base(), feed_wander=1e-6, auger=0.0, feed_lump_kg=0.02, target_kg_h=72.0)
    step = Event("drift", None, 600.0, 1800.0, {"what": "step", "size": 0.2, "ramp_s": 0.0})
    bound = drift_bound_s(quiet, step)
    nats = 0.2**2 * 20.0 * bound / (2.0 * 20.0)
    assert nats == pytest.approx(np.log(360_000.0 / bound), rel=0.05)
    slow = replace(step, data={"what": "ramp", "size": 0.2, "ramp_s": 600.0})
    assert drift_bound_s(quiet, slow) > bound
    assert drift_bound_s(replace(quiet, feed_wander=0.05), step) > bound
    assert drift_bound_s(quiet, replace(step, data={"what": "pulsing", "size": 0.2, "ramp_s": 0.0})) is None


@pytest.mark.parametrize(("count", "low", "high"), [(0, 0.0, 3.689), (1, 0.025, 5.572), (10, 4.795, 18.390)])
def test_the_interval_of_a_rate_is_the_published_one(count, low, high):
    """Garwood's limits as every table of exact Poisson intervals prints them (values from memory)."""
    assert poisson_95(count, 1.0) == pytest.approx((low, high), abs=0.001)


def test_a_quantile_bears_what_was_never_noticed():
    assert quantile([1.0, float("inf"), 2.0], 0.5) == 2.0
    assert quantile([1.0, float("inf"), 2.0], 0.9) == float("inf")


def test_the_bay_is_described_by_resolution_target_and_names_alone():
    told = described(make(0, "tuning", "hopper"))
    feed = told.stations[0].feed
    assert feed.target_kg_h is not None
    assert all(c.capacity_kg is None and c.interval_s is None for c in told.channels)
    assert all(o.lag_s is None and o.expected_share is None for o in told.stations[0].outlets)
    assert min(plan(s, TUNING, "hopper").feed_from_s for s in range(5)) > RUN_AT_S


def test_the_bench_scores_half_an_hour_and_what_it_writes_can_be_read_again():
    drawn = plan(1, TUNING, "hopper")
    short = [e for e in drawn.events if e.until_s < 1700.0]
    drawn = replace(drawn, length_s=1800, feed_until_s=1800.0, events=tuple(short))
    trace = carried_out(drawn)
    scored = score(trace, play(trace))
    clogs = [e for e in short if e.kind == "clog"]
    assert [c.at_s for c in scored.clogs] == [round(e.at_s, 1) for e in clogs]
    assert scored.readings == len(trace)
    assert all(0.5 < r < 20.0 for r in ratios(scored.clogs))
    again = from_json(json.loads(json.dumps(scored.to_json())))
    assert [row.ours for row in rows(together([again]))] == [row.ours for row in rows(together([scored]))]
    assert "clog, hopper" in text(together([scored]))
