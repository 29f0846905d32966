"""The simulated bay makes and loses no mass, and behaves as its description says."""

from __future__ import annotations

from dataclasses import replace
from random import Random

import numpy as np
import pytest

from logger.simulator.deck import _BED_S, Deck
from logger.simulator.draw import ALL, random_scenario
from logger.simulator.feeder import make_feeder
from logger.simulator.foundry import foundry_scenario
from logger.simulator.physics import Physics
from logger.simulator.scenario import Feed, Outlet, Scenario
from logger.simulator.trace import make_trace
from logger.simulator.wander import Wander


def play(scenario: Scenario, seed: int, duration_s: float, dt_s: float = 0.1) -> Physics:
    physics = Physics(scenario, seed, dt_s)
    physics.feeder.running = True
    while physics.now_s < duration_s:
        physics.step()
    return physics


@pytest.mark.parametrize("seed", range(6))
def test_no_mass_is_made_or_lost_whatever_happens(seed: int) -> None:
    trace = make_trace(random_scenario(seed, 1800.0, kinds=ALL, small_per_h=40), seed, 1800.0)
    truth = trace.truth
    assert truth.used_kg[-1] > 5.0
    for second in range(0, 1801, 60):
        out_kg = sum(series[second] for series in truth.delivered_kg.values())
        out_kg += truth.hold_up_kg[second] + truth.astray_kg[second]
        assert out_kg == pytest.approx(truth.used_kg[second], rel=1e-9, abs=1e-9)


def test_the_hold_up_that_is_kept_is_the_one_that_is_there() -> None:
    physics = play(foundry_scenario(calm=True), 3, 900.0)
    assert physics.deck.bed_kg + physics.deck.travelling_kg == pytest.approx(
        physics.deck.hold_up_kg(), rel=1e-9
    )
    assert physics.deck.hold_up_kg() > 0.2


@pytest.mark.parametrize(("dead_s", "spread_s"), [(5.0, 5.0), (30.0, 12.0), (65.0, 45.0)])
def test_the_mean_lag_is_bed_plus_dead_time_plus_spread(dead_s: float, spread_s: float) -> None:
    outlets = (Outlet("a", 0.5, dead_s, spread_s), Outlet("b", 0.5, dead_s, spread_s))
    deck = Deck(outlets, 50.0, 0.1, Random(1))
    moment = mass = 0.0
    for k in range(1, 8001):
        arrived_kg = sum(deck.step(k * 0.1, 20.0 if k == 1 else 0.0))
        moment += k * 0.1 * arrived_kg
        mass += arrived_kg
    assert mass > 19.8
    assert moment / mass == pytest.approx(_BED_S + dead_s + spread_s, rel=0.05)


def test_outlets_get_their_shares_on_average() -> None:
    calm = foundry_scenario(calm=True)
    steady = replace(calm, outlets=tuple(replace(o, wander=0.0) for o in calm.outlets))
    physics = play(replace(steady, feed=replace(calm.feed, content_kg=500.0)), 5, 4 * 3600.0, 0.2)
    total_kg = sum(place.delivered_kg for place in physics.places)
    for place in physics.places:
        assert place.delivered_kg / total_kg == pytest.approx(place.outlet.share, rel=0.03)


def test_wandering_splits_still_sum_to_one() -> None:
    outlets = tuple(Outlet(name, 0.25, wander=0.3) for name in "abcd")
    deck = Deck(outlets, 50.0, 0.1, Random(2))
    seen = []
    for k in range(1, 6001):
        deck.step(k * 0.1, 0.001)
        assert sum(deck.shares) == pytest.approx(1.0)
        seen.append(deck.shares[0])
    assert max(seen) - min(seen) > 0.02


@pytest.mark.parametrize("wads", [0.0, 0.2])
def test_product_comes_in_lumps_of_the_stated_dispersion(wads: float) -> None:
    small = Outlet("a", 0.15, 5.0, 5.0, lump_g=4.0, wad_share=wads, wad_g=30.0, wander=0.0)
    deck = Deck((small, Outlet("b", 0.85, wander=0.0)), 60.0, 0.1, Random(7))
    arrived = [deck.step(k * 0.1, 60 / 36000)[0] for k in range(1, 144001)]
    windows = np.add.reduceat(np.array(arrived[4000:]), np.arange(0, 140000, 50)) * 1e3
    assert windows.var() / windows.mean() == pytest.approx(small.dispersion_g, rel=0.2)


def test_a_hopper_feeds_its_target() -> None:
    feeder = make_feeder(Feed(target_kg_h=60.0, content_kg=300.0, wander=0.0), Random(1))
    feeder.running = True
    fed_kg = sum(feeder.step(k * 0.1, 0.1) for k in range(1, 72001))
    assert fed_kg == pytest.approx(120.0, rel=0.01)
    assert feeder.content_kg == pytest.approx(180.0, rel=0.01)


def test_a_hand_feeds_its_target_by_the_scoop() -> None:
    feeder = make_feeder(Feed("tub", 60.0, content_kg=300.0, wander=0.0, scoop_kg=(0.2, 0.4)), Random(1))
    feeder.running = True
    steps_kg = [feeder.step(k * 0.1, 0.1) for k in range(1, 72001)]
    assert sum(steps_kg) + feeder.on_the_way_kg == pytest.approx(300.0 - feeder.content_kg, rel=1e-9)
    assert sum(steps_kg) == pytest.approx(120.0, rel=0.03)
    assert sum(1 for one in steps_kg if one == 0.0) > 36000  # most of the time nothing falls


def test_an_empty_hopper_stops_feeding() -> None:
    feeder = make_feeder(Feed(target_kg_h=60.0, content_kg=0.5), Random(1))
    feeder.running = True
    assert sum(feeder.step(k * 0.1, 0.1) for k in range(1, 6001)) == pytest.approx(0.5)
    assert feeder.content_kg == 0.0


def test_a_wander_has_the_stated_spread() -> None:
    wander = Wander(0.1, 60.0, Random(4))
    seen = np.array([wander.at(float(second)) for second in range(60000)])
    assert seen.std() == pytest.approx(0.1, rel=0.1)


def test_shares_that_do_not_sum_to_one_are_refused() -> None:
    with pytest.raises(ValueError, match=r"sum to 0\.9"):
        Physics(Scenario("bad", Feed(), (Outlet("a", 0.4), Outlet("b", 0.5))))


def test_an_unknown_kind_of_feed_is_refused() -> None:
    with pytest.raises(ValueError, match="use one of hopper, tub"):
        make_feeder(Feed(kind="belt"), Random(1))


@pytest.mark.parametrize("dt_s", [0.001, 1.0])
def test_a_step_out_of_range_is_refused(dt_s: float) -> None:
    with pytest.raises(ValueError, match=r"0\.05 to 0\.1 s"):
        Physics(foundry_scenario(), dt_s=dt_s)
