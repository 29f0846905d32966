"""Each trouble does what it says, and nothing else."""

from __future__ import annotations

from dataclasses import replace

import pytest

from logger.simulator import troubles as t
from logger.simulator.bay import SimulatedBay
from logger.simulator.foundry import foundry_scenario
from logger.simulator.scenario import Feed, Outlet, Scale, Scenario, Vessel
from logger.simulator.trace import make_trace

STILL = Scale(resolution_kg=0.001, noise_kg=0.0, vibration_kg=0.0, filter_s=0.0, missing=0.0)


def bay(*script: t.Trouble, **changes: object) -> SimulatedBay:
    """Three outlets, 60 kg/h, no noise, nobody tending."""
    vessel = Vessel("drains", 1.0, 1.0, full_kg=1e9, entrained=0.0)
    outlets = tuple(
        Outlet(name, share, 10.0, 5.0, wander=0.0, vessel=vessel, scale=STILL)
        for name, share in (("left", 0.3), ("middle", 0.4), ("right", 0.3))
    )
    feed = Feed(content_kg=100.0, scale=STILL, wander=0.0, jitter_g=0.05)
    scenario = Scenario("bench", feed, outlets, troubles=script, tends_s=0.0, feed_from_s=1.0)
    return SimulatedBay(replace(scenario, **changes), 11)  # type: ignore[arg-type]


def go(one: SimulatedBay, to_s: float) -> SimulatedBay:
    while one.now_s < to_s - 1e-9:
        one.step()
    return one


def shown(one: SimulatedBay, channel: str) -> float:
    return float(one.show(channel, one.now_s).value)


def test_a_full_clog_lets_nothing_through_and_neighbours_rise() -> None:
    truth = go(bay(t.Clog(200.0, "middle", piles=0.0)), 400.0).truth
    assert truth.rate_kg_h("middle", 120, 200) == pytest.approx(24.0, rel=0.2)
    assert truth.rate_kg_h("middle", 201, 400) == 0.0
    assert truth.rate_kg_h("left", 210, 400) == pytest.approx(30.0, rel=0.15)


def test_a_clog_at_the_edge_has_one_neighbour() -> None:
    truth = go(bay(t.Clog(200.0, "left", piles=0.0)), 500.0).truth
    assert truth.rate_kg_h("middle", 210, 500) == pytest.approx(42.0, rel=0.1)
    assert truth.rate_kg_h("right", 210, 500) == pytest.approx(18.0, rel=0.1)


def test_a_partial_clog_lets_the_rest_through() -> None:
    truth = go(bay(t.Clog(200.0, "middle", blocked=0.7, strays=1.0)), 800.0).truth
    assert truth.rate_kg_h("middle", 200, 800) == pytest.approx(7.2, rel=0.15)
    assert truth.astray_kg[800] == pytest.approx(0.7 * 24.0 / 6, rel=0.15)


def test_a_gradual_clog_grows() -> None:
    truth = go(bay(t.Clog(200.0, "middle", ramp_s=200.0, piles=1.0, pile_limit_kg=9.0)), 450.0).truth
    early, late = truth.rate_kg_h("middle", 200, 250), truth.rate_kg_h("middle", 350, 400)
    assert early > 3 * late > 0.0
    assert truth.rate_kg_h("middle", 401, 450) == 0.0


def test_what_piled_up_comes_out_as_a_surge() -> None:
    one = go(bay(t.Clog(200.0, "middle", 300.0, piles=1.0, pile_limit_kg=0.4, surge_s=4.0)), 300.0)
    assert one.physics.lips[1].piled_kg == pytest.approx(0.4)
    before_kg = one.physics.places[1].delivered_kg
    go(one, 335.0)
    assert one.physics.lips[1].piled_kg == 0.0
    assert one.physics.places[1].delivered_kg - before_kg == pytest.approx(0.4 + 35 * 24 / 3600, rel=0.2)


def test_a_feed_stop_empties_the_deck_and_ends() -> None:
    truth = go(bay(t.FeedStop(100.0, 200.0)), 300.0).truth
    assert truth.used_kg[200] == truth.used_kg[100]
    assert truth.rate_kg_h("middle", 160, 200) < 1.0
    assert truth.used_kg[300] - truth.used_kg[200] == pytest.approx(100 * 60 / 3600, rel=0.05)


@pytest.mark.parametrize("ramp_s", [0.0, 60.0])
def test_a_feed_drift_ends_at_its_factor_and_comes_back(ramp_s: float) -> None:
    truth = go(bay(t.FeedDrift(100.0, 0.7, ramp_s, 400.0)), 600.0).truth
    assert (truth.used_kg[400] - truth.used_kg[160]) / 240 * 3600 == pytest.approx(42.0, rel=0.03)
    assert (truth.used_kg[600] - truth.used_kg[400]) / 200 * 3600 == pytest.approx(60.0, rel=0.03)


def test_more_pulsation_keeps_the_mean_and_moves_the_rate() -> None:
    truth = go(bay(t.Pulsing(100.0, 0.5, 20.0, 300.0)), 300.0).truth
    assert (truth.used_kg[300] - truth.used_kg[100]) / 200 * 3600 == pytest.approx(60.0, rel=0.03)
    up, down = truth.used_kg[110] - truth.used_kg[100], truth.used_kg[120] - truth.used_kg[110]
    assert up / down > 1.5


def test_product_is_lost_while_no_container_stands_there() -> None:
    one = go(bay(t.ContainerChange(100.0, "middle", 20.0, tare_kg=1.3)), 99.9)
    before_kg = shown(one, "middle")
    go(one, 110.0)
    assert shown(one, "middle") == 0.0
    go(one, 125.0)
    (event,) = [e for e in one.events if e.kind == "container-change"]
    assert event.until_s == pytest.approx(120.0, abs=0.15)
    assert event.data["lost_kg"] == pytest.approx(20 * 24 / 3600, rel=0.4)
    assert event.data["gross_kg"] == pytest.approx(before_kg, abs=0.03)
    place = one.physics.places[1]
    assert place.lost_kg == event.data["lost_kg"] > 0.0
    assert shown(one, "middle") == pytest.approx(1.3 + place.solids_kg, abs=0.002)
    assert place.delivered_kg == pytest.approx(event.data["gross_kg"] - 1.0 + place.lost_kg + place.solids_kg)


def test_caught_product_is_poured_in_afterwards() -> None:
    one = go(bay(t.ContainerChange(100.0, "middle", 20.0, True, 15.0, 1.0)), 134.0)
    (event,) = [e for e in one.events if e.kind == "container-change"]
    before_kg = shown(one, "middle")
    go(one, 138.5)
    assert event.data["lost_kg"] == 0.0
    assert shown(one, "middle") - before_kg > event.data["caught_kg"] > 0.05
    assert one.physics.places[1].lost_kg == 0.0


def test_a_bump_passes() -> None:
    one = go(bay(t.Bump(100.0, "left", -6.0, 2.0)), 99.9)
    before_kg = shown(one, "left")
    go(one, 101.0)
    assert shown(one, "left") - before_kg == pytest.approx(-6.0, rel=0.25)
    go(one, 103.0)
    assert shown(one, "left") - before_kg == pytest.approx(0.0, abs=0.05)


def test_a_refill_adds_to_the_hopper_and_is_not_counted_as_feed() -> None:
    one = go(bay(t.Refill(100.0, 12.0, 6.0)), 110.0)
    assert one.physics.feeder.refilled_kg == pytest.approx(12.0)
    assert one.physics.feeder.content_kg == pytest.approx(112.0 - one.truth.used_kg[110])
    assert one.truth.used_kg[110] == pytest.approx(109 / 60, rel=0.05)


def test_a_tare_pressed_shows_net_from_nought() -> None:
    one = go(bay(t.TarePressed(100.0, "middle")), 99.9)
    shown(one, "middle")
    go(one, 100.2)
    assert one.show("middle", one.now_s).net
    assert shown(one, "middle") < 0.05


def test_the_unit_key_changes_the_number_and_its_unit() -> None:
    one = go(bay(t.UnitChanged(100.0, "middle", "lb", 110.0)), 99.9)
    kg = shown(one, "middle")
    go(one, 101.0)
    assert one.show("middle", one.now_s).unit == "lb"
    assert shown(one, "middle") * 0.45359237 == pytest.approx(kg, abs=0.05)
    assert go(one, 111.0).show("middle", one.now_s).unit == "kg"


def test_a_frozen_scale_says_the_same_for_ever() -> None:
    one = go(bay(t.Frozen(100.0, "middle", 160.0)), 100.0)
    stuck = one.show("middle", one.now_s)
    assert go(one, 159.0).show("middle", one.now_s) == stuck
    assert go(one, 161.0).show("middle", one.now_s) != stuck


@pytest.mark.parametrize("kind", [t.Silent, t.Unplugged])
def test_silence_ends(kind: type[t.Silent | t.Unplugged]) -> None:
    one = go(bay(kind(100.0, "middle", 160.0)), 101.0)
    assert one.read("middle", one.now_s) is None
    assert go(one, 161.0).read("middle", one.now_s) is not None


def test_a_garbled_line_loses_readings() -> None:
    one = go(bay(t.Garbled(1.0, "middle", 0.5)), 2.0)
    got = [one.read("middle", 2.0 + k * 0.2) is None for k in range(400)]
    assert 150 < sum(got) < 250


def test_a_sample_taken_lowers_the_weight_but_not_the_tally() -> None:
    with_sample, without = go(bay(t.SampleTaken(100.0, "middle", 0.15)), 120.0), go(bay(), 120.0)
    assert shown(without, "middle") - shown(with_sample, "middle") == pytest.approx(0.15, abs=0.0011)
    assert with_sample.truth.delivered_kg == without.truth.delivered_kg


def test_decanting_takes_water_only_and_no_more_than_there_is() -> None:
    pail = Vessel("retains", 1.0, 1.0, entrained=1.0)
    outlets = (Outlet("a", 1.0, 5.0, 5.0, vessel=pail, scale=STILL),)
    one = go(bay(t.Decanted(100.0, "a", 0.2), t.Decanted(150.0, "a", 99.0), outlets=outlets), 99.9)
    before_kg, delivered_kg = shown(one, "a"), one.physics.places[0].delivered_kg
    go(one, 100.2)
    grown_kg = 2.0 * (one.physics.places[0].delivered_kg - delivered_kg)
    assert shown(one, "a") - before_kg == pytest.approx(grown_kg - 0.2, abs=0.0011)
    go(one, 150.05)
    assert shown(one, "a") == pytest.approx(1.0 + one.physics.places[0].solids_kg, abs=0.03)
    assert one.physics.places[0].reported_kg() == pytest.approx(2.0 * one.physics.places[0].delivered_kg)


def test_faults_that_overlap_end_with_the_last() -> None:
    one = bay(
        t.Silent(10.0, "left", 30.0),
        t.Silent(20.0, "left", 50.0),
        t.FeedStop(9.0, 20.0),
        t.FeedStop(9.0, 60.0),
    )
    assert go(one, 40.0).scales["left"].silent
    assert not one.physics.feeder.running
    assert not go(one, 51.0).scales["left"].silent
    assert go(one, 61.0).physics.feeder.running


def test_the_wash_water_goes_to_its_factor() -> None:
    truth = go(bay(t.WaterChange(100.0, 0.5, 150.0)), 200.0).truth
    assert truth.water_l_min[120] == pytest.approx(7.0, rel=0.1)
    assert truth.water_l_min[160] == pytest.approx(14.0, rel=0.1)


def test_the_feed_water_changes_by_itself_and_no_other_instrument_with_it() -> None:
    """Its own dice: a bay with a second meter shows the very same weights and wash water."""
    change = t.WaterChange(100.0, 0.5, 150.0, "feed-water")
    with_it = replace(foundry_scenario(calm=True), troubles=(change,))
    without = replace(with_it, feed_water=None, troubles=())
    one, other = (make_trace(scenario, 3, 200.0) for scenario in (with_it, without))
    assert one.truth.feed_water_l_min[120] == pytest.approx(1.3, rel=0.1)
    assert one.truth.feed_water_l_min[160] == pytest.approx(2.6, rel=0.1)
    assert one.truth.water_l_min == other.truth.water_l_min
    assert [line for line in one.readings if line.channel != "feed-water"] == other.readings
    (event,) = [event for event in one.events if event.kind == "water-change"]
    assert (event.kind, event.subject, event.data) == ("water-change", "feed-water", {"factor": 0.5})


def test_a_brim_full_container_shows_the_immersed_weight() -> None:
    brim = Vessel("brim-full", 1.0, 1.0, fill_water_kg=8.0)
    outlets = (Outlet("a", 1.0, 5.0, 5.0, density=8.8, vessel=brim, scale=STILL),)
    one = go(bay(outlets=outlets), 300.0)
    solids_kg = one.physics.places[0].delivered_kg
    assert shown(one, "a") == pytest.approx(9.0 + solids_kg * (1 - 1 / 8.8), abs=0.001)
    assert one.physics.places[0].reported_kg() == solids_kg


def test_entrained_water_drains_away_and_lasting_moisture_stays() -> None:
    wet = Vessel("drains", 1.0, 1.0, entrained=0.3, drain_s=20.0, moisture=0.05)
    outlets = (Outlet("a", 1.0, 5.0, 5.0, vessel=wet, scale=STILL),)
    one = go(bay(t.FeedStop(200.0), outlets=outlets), 200.0)
    steady_kg = 0.3 * 60 / 3600 * 20  # what has not drained away yet
    assert one.physics.places[0].water_kg == pytest.approx(steady_kg, rel=0.3)
    go(one, 700.0)
    assert shown(one, "a") == pytest.approx(1.0 + 1.05 * one.physics.places[0].delivered_kg, abs=0.001)
    assert one.physics.places[0].reported_kg() == pytest.approx(1.05 * one.physics.places[0].delivered_kg)


def test_a_retaining_container_weighs_the_water_too() -> None:
    pail = Vessel("retains", 1.0, 1.0, entrained=2.0)
    outlets = (Outlet("a", 1.0, 5.0, 5.0, vessel=pail, scale=STILL),)
    one = go(bay(outlets=outlets), 200.0)
    assert shown(one, "a") == pytest.approx(1.0 + one.physics.places[0].reported_kg(), abs=0.001)
    assert one.physics.places[0].reported_kg() == pytest.approx(3.0 * one.physics.places[0].delivered_kg)


def test_the_operator_changes_full_containers_and_fills_the_hopper() -> None:
    one = bay(tends_s=10.0)
    one.physics.places[1].solids_kg = 2e9
    one.physics.feeder.content_kg = 5.0
    kinds = {event.kind for event in go(one, 20.0).events}
    assert {"container-change", "refill"} <= kinds


def test_a_trouble_can_be_hurried_and_keeps_its_duration() -> None:
    one = go(bay(), 50.0)
    one.hurry(t.FeedStop(900.0, 920.0))
    (event,) = [e for e in go(one, 100.0).events if e.kind == "feed-stop"]
    assert (event.at_s, event.until_s) == pytest.approx((50.0, 70.0), abs=0.15)


def test_what_has_not_ended_has_no_end() -> None:
    one = go(bay(t.Clog(10.0, "left")), 20.0)
    assert [(e.kind, e.subject, e.until_s) for e in one.events][-1] == ("clog", "left", None)


def test_an_unknown_outlet_is_named() -> None:
    with pytest.raises(KeyError, match="there are left, middle, right"):
        bay().physics.index("centre")
