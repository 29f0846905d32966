"""What a track makes of steps, one kind of event a test. Masses in g, times in s."""

from __future__ import annotations

import pytest

from logger.core.description import Container, ContainerKind
from logger.core.track.view import TrackState
from tests.core.track.scales import RATE, Bench, flowing, kinds, outlet, product_g


def steady(bench: Bench) -> bool:
    return bench.track.view.state is TrackState.STEADY


def test_counts_what_comes_after_the_first_settled_level() -> None:
    """What lies in the container at the beginning is not delivered."""
    bench = flowing(tare_g=4000.0)
    assert bench.delivered_g == pytest.approx(RATE * 170, abs=6)
    assert bench.track.view.rate_mg_s == pytest.approx(RATE * 1000, rel=0.1)
    assert bench.events == []


def test_brim_full_container_shows_less_than_settles() -> None:
    """The displaced water is added again: 38 % for sand."""
    bench = outlet(Container(ContainerKind.BRIM_FULL), density=2.65)
    bench.play(200, lambda t: 9000 + product_g(t) * (1 - 1 / 2.65))
    assert bench.delivered_g == pytest.approx(RATE * 170, abs=10)


@pytest.mark.parametrize("push_g", [-15000, -2000, 2000, 20000])
@pytest.mark.parametrize("lasts_s", [0.3, 1.0, 5.0])
def test_bump_leaves_the_base(push_g: float, lasts_s: float) -> None:
    """An elbow on the scale changes nothing."""
    bench = flowing()
    found = bench.play(60, lambda t: 1000 + product_g(t) + (push_g if 210.3 <= t < 210.3 + lasts_s else 0))
    assert steady(bench)
    assert bench.delivered_g == pytest.approx(RATE * 230, abs=8)
    assert bench.track.view.estimated_mg == 0.0
    assert found


def test_container_change_credits_the_gap() -> None:
    """What fell while no container stood there is estimated from the rate before."""
    bench = flowing()
    off = bench.play(20, lambda t: 0.0)
    assert kinds(off) == ["container-off"]
    assert bench.track.view.state is TrackState.OFF
    found = bench.play(60, lambda t: 1100 + RATE * (t - 220))
    assert kinds(found) == ["container-changed"]
    assert found[0].estimated
    assert found[0].credit_mg == pytest.approx(RATE * 21_000, rel=0.15)
    assert bench.delivered_g == pytest.approx(RATE * 250, abs=15)
    assert bench.track.view.content_mg == pytest.approx(RATE * 60_000, abs=12_000)


def test_gap_is_credited_by_the_feeds_expectation_where_there_is_one() -> None:
    """The feed stopped in the gap, so nothing is credited for the rest of it."""
    bench = outlet()
    bench.play(200, lambda t: 1000 + product_g(t), expected_g_s=RATE)
    bench.play(5, lambda t: 0.0, expected_g_s=RATE)
    bench.play(40, lambda t: 0.0, expected_g_s=0.0)
    bench.play(20, lambda t: 1100.0, expected_g_s=0.0)
    assert bench.delivered_g == pytest.approx(RATE * 175, abs=10)


def test_quick_swap_without_a_flat_empty_scale() -> None:
    """Off and on within a second: the level falls to an empty container's, and the base moves."""
    bench = flowing(until=600)
    before = bench.delivered_g
    found = bench.play(40, lambda t: 0.0 if t < 600.8 else 1050 + RATE * (t - 600.8))
    assert kinds(found) == ["container-changed"]
    assert bench.delivered_g == pytest.approx(before + RATE * 40, abs=12)


def test_same_container_put_back_with_nothing_in_it_missing() -> None:
    """Lifted for a look while the product is lost: the gap is estimated, the content goes on."""
    bench = flowing()
    bench.play(30, lambda t: 0.0)
    found = bench.play(60, lambda t: 1000 + RATE * 170 + RATE * (t - 230))
    assert kinds(found) == ["container-back"]
    assert bench.delivered_g == pytest.approx(RATE * 260, abs=15)


def test_same_container_put_back_with_the_product_caught() -> None:
    """What was caught meanwhile is already in it: all is weighed."""
    bench = flowing()
    bench.play(30, lambda t: 0.0)
    found = bench.play(60, lambda t: 1000 + product_g(t))
    assert kinds(found) == ["container-back"]
    assert bench.delivered_g == pytest.approx(RATE * 260, abs=8)
    assert bench.track.view.estimated_mg == 0.0


def test_a_nearly_empty_container_is_taken_for_changed() -> None:
    """It can't be told from another one that is empty, so the gap is estimated and said to be."""
    bench = flowing(until=45)
    bench.play(15, lambda t: 0.0)
    found = bench.play(60, lambda t: 1060 + RATE * (t - 60))
    assert kinds(found) == ["container-changed"]
    assert found[0].credit_u_mg > 0.0


@pytest.mark.parametrize("over_s", [0.2, 2.0, 4.0])
def test_caught_product_replaces_the_estimate(over_s: float) -> None:
    """Poured in half a minute later, it is weighed instead of estimated, and counted once."""
    bench = flowing()
    bench.play(40, lambda t: 0.0)
    caught = RATE * 40 * 0.8  # the rate fell while nobody could see it

    def force(t: float) -> float:
        return 1100 + RATE * (t - 240) + caught * min(1.0, max(0.0, (t - 270) / over_s))

    found = bench.play(80, force)
    assert kinds(found) == ["container-changed", "caught-product"]
    assert found[1].credit_mg == pytest.approx(caught * 1000, abs=15_000)
    assert bench.delivered_g == pytest.approx(RATE * 250 + caught, abs=20)
    assert bench.track.view.estimated_mg == pytest.approx(0.0, abs=1.0)
    assert bench.at(239) - bench.at(200) == pytest.approx(caught, abs=20)


def test_tare_pressed_moves_the_base_and_mass_goes_on() -> None:
    """The scale shows 0 from one reading to the next, and product keeps coming."""
    bench = flowing()
    found = bench.play(60, lambda t: RATE * (t - 200))
    assert kinds(found)[-1] == "tare-pressed"
    assert steady(bench)
    assert bench.delivered_g == pytest.approx(RATE * 230, abs=15)


def test_tare_pressed_on_a_scale_that_shows_net() -> None:
    """There an empty scale would show less than nothing, so 0 is a tare at once."""
    bench = outlet(shows="net")
    bench.play(200, product_g)
    found = bench.play(10, lambda t: RATE * (t - 200))
    assert kinds(found) == ["tare-pressed"]


@pytest.mark.parametrize("taken_g", [45, 150, 400])
def test_sample_taken_is_still_delivered(taken_g: float) -> None:
    """Product never leaves an outlet's container in a step."""
    bench = flowing()
    found = bench.play(60, lambda t: 1000 + product_g(t) - (taken_g if t >= 220.4 else 0))
    assert kinds(found) == ["step-down"]
    assert bench.delivered_g == pytest.approx(RATE * 230, abs=12)


def test_surge_after_a_clog_is_product() -> None:
    """A kilogram within ten seconds comes fast but smoothly."""
    bench = flowing()
    held = 1000 + product_g(200)
    bench.play(100, lambda t: held)
    bench.play(60, lambda t: held + 1000 * min(1.0, (t - 300) / 8) + RATE * max(0.0, t - 308))
    assert steady(bench)
    assert bench.delivered_g == pytest.approx(RATE * 170 + 1000 + RATE * 52, abs=25)


def test_step_up_is_not_product_until_somebody_says_so() -> None:
    """Something was left on the scale; if it was product after all, a correction counts it."""
    bench = flowing()
    found = bench.play(60, lambda t: 1000 + product_g(t) + (900 if t >= 220 else 0))
    assert kinds(found) == ["step-up"]
    assert bench.delivered_g == pytest.approx(RATE * 230, abs=12)
    delta = bench.track.correct(found[0].number, "product")
    assert delta == pytest.approx(900_000, abs=15_000)
    assert bench.delivered_g == pytest.approx(RATE * 230 + 900, abs=15)
    assert bench.at(260) == pytest.approx(RATE * 230 + 900, abs=15)
    assert bench.at(215) == pytest.approx(RATE * 185, abs=15)


def test_object_laid_down_and_taken_away_again() -> None:
    """The base of before comes back, and all in between was weighed."""
    bench = flowing()
    bench.play(90, lambda t: 1000 + product_g(t) + (900 if 220 <= t < 250 else 0))
    assert bench.delivered_g == pytest.approx(RATE * 260, abs=8)
    assert bench.track.view.estimated_mg == 0.0


def test_mass_that_came_in_silence_is_counted() -> None:
    """The jump after it is real; meanwhile it is expected."""
    bench = flowing()
    bench.play(50, lambda t: None)
    assert bench.track.view.state is TrackState.SILENT
    assert bench.delivered_g == pytest.approx(RATE * 220, abs=15)
    bench.play(20, lambda t: 1000 + product_g(t) - 60)
    assert steady(bench)
    assert bench.delivered_g == pytest.approx(RATE * 240 - 60, abs=8)
    assert bench.track.view.estimated_mg == 0.0


def test_container_changed_in_silence_is_no_mass() -> None:
    """A step down after silence moves the base."""
    bench = flowing(until=400)
    bench.play(50, lambda t: None)
    found = bench.play(20, lambda t: 1040 + RATE * (t - 450))
    assert kinds(found) == ["step-down"]
    assert bench.delivered_g == pytest.approx(RATE * 440, abs=20)


def test_frozen_scale_is_told_from_a_still_one() -> None:
    """The flicker learned without flow stops while mass is expected; the jump afterwards is real."""
    bench = Bench(outlet().track, noise_g=4.0)
    bench.play(200, lambda t: 1000 + product_g(t - 70), expected_g_s=0.0)
    bench.play(60, lambda t: 1000 + product_g(t - 70), expected_g_s=RATE)
    bench.noise_g = 0.0
    bench.play(40, lambda t: 1480.0, expected_g_s=RATE)
    assert bench.track.view.state is TrackState.FROZEN
    bench.noise_g = 4.0
    bench.play(20, lambda t: 1000 + product_g(t - 70), expected_g_s=RATE)
    assert steady(bench)
    assert bench.delivered_g == pytest.approx(product_g(250), abs=12)


def test_operator_says_a_fresh_container_stands_there() -> None:
    """Nothing is counted for it, and the content starts anew."""
    bench = flowing()
    bench.track.container_set(1200, None)
    bench.play(20, lambda t: 1000 + product_g(t))
    assert bench.delivered_g == pytest.approx(RATE * 190, abs=8)
    assert bench.track.view.content_mg == pytest.approx(RATE * 20_000, abs=8_000)


def test_light_containers_are_known_by_their_told_tare() -> None:
    """A pail of 150 g is a container where its tare was told."""
    bench = flowing(tare_g=150, container=Container(tare_low_kg=0.13, tare_high_kg=0.17))
    bench.play(15, lambda t: 0.0)
    found = bench.play(30, lambda t: 160 + RATE * (t - 215))
    assert kinds(found) == ["container-changed"]
    assert bench.track.view.tare_mg == pytest.approx(160_000, abs=12_000)


def test_what_zero_tracking_may_have_swallowed_is_doubted() -> None:
    """A scale zeroed under its container stays at 0 while 1 g/s is expected: perhaps it came."""
    bench = outlet()
    bench.play(30, lambda t: 0.0, expected_g_s=0.0)
    bench.play(100, lambda t: 0.0, expected_g_s=1.0)
    mass, u, _ = bench.track.tally(1030, 1130)
    assert mass == pytest.approx(0.0, abs=5000)
    assert u == pytest.approx(100_000, rel=0.1)


def test_a_hand_that_comes_before_a_sample_is_no_pace_of_the_product() -> None:
    """A touch too light for the gate moves the level; what is then taken out is no bump weighed through."""
    bench = flowing()

    def force(t: float) -> float:
        hand = 200.0 if 200.4 <= t < 201.0 else 700.0 if 201.0 <= t < 201.5 else 0.0
        return 1000.0 + product_g(t) + hand - (50.0 if t >= 201.5 else 0.0)

    bench.play(60, force)
    assert kinds(bench.events) == ["step-down"]
    assert bench.delivered_g == pytest.approx(product_g(bench.t), abs=12.0)


def test_a_small_pour_with_a_jostle_is_no_bump() -> None:
    """What was caught in twenty seconds is hardly more than a bump may hide: it is a pour all the same."""
    bench = flowing()
    bench.until(220, lambda _: 0.0)

    def force(t: float) -> float:
        jostle = 600.0 if 260.0 <= t < 260.8 else 0.0
        poured = product_g(220) - product_g(200) if t >= 260.8 else 0.0
        return 1100.0 + product_g(t) - product_g(220) + poured + jostle

    bench.until(320, force)
    assert kinds(bench.events) == ["container-off", "container-changed", "caught-product"]
    assert bench.delivered_g == pytest.approx(product_g(320), abs=12.0)


def test_what_came_during_a_silence_is_no_flood_of_water() -> None:
    """Six minutes without a reading: the mass came evenly, with no more water than before."""
    bench = flowing(container=Container(ContainerKind.DRAINS))
    bench.play(360, lambda t: None)
    bench.play(5, lambda t: 1000 + product_g(t))
    mass, u, _ = bench.track.tally(bench.epoch_s + 150, bench.epoch_s + 565)
    assert mass / 1000 == pytest.approx(RATE * 415, abs=8)
    assert u / 1000 < 20
