"""A feed's track: mass used, refills, scoops. Masses in g, times in s."""

from __future__ import annotations

import pytest

from logger.core.description import FeedKind
from logger.core.track.view import TrackState
from tests.core.track.scales import feed, kinds

USE = 14.0  # g/s, 50 kg/h


def test_hopper_uses_what_leaves_it() -> None:
    """The weight falls, the mass used grows."""
    bench = feed(FeedKind.HOPPER)
    bench.play(200, lambda t: 30_000 - USE * max(0.0, t - 30))
    assert bench.delivered_g == pytest.approx(USE * 170, abs=10)
    assert bench.track.view.rate_mg_s == pytest.approx(USE * 1000, rel=0.03)


@pytest.mark.parametrize("over_s", [2, 8, 20])
def test_refill_is_recognised_and_use_goes_on(over_s: int) -> None:
    """Twelve kilograms poured in: the use meanwhile is expected."""
    bench = feed(FeedKind.HOPPER)

    def force(t: float) -> float:
        return 30_000 - USE * max(0.0, t - 30) + 12_000 * min(1.0, max(0.0, (t - 200.4) / over_s))

    bench.play(200, force)
    found = bench.play(60, force)
    assert kinds(found) == ["refill"]
    assert bench.delivered_g == pytest.approx(USE * 230, abs=0.02 * USE * 230)
    assert 0 < bench.track.view.estimated_mg <= USE * 1000 * (over_s + 12)


def test_use_that_began_during_a_refill_is_found_half_a_minute_later() -> None:
    """The rates before and after it differ: the mean of both is counted, and the doubt stated."""
    bench = feed(FeedKind.HOPPER)

    def force(t: float) -> float:
        return 30_000 - USE * max(0.0, t - 200) + 12_000 * min(1.0, max(0.0, (t - 200.4) / 8))

    bench.play(300, force)
    mass, u, _ = bench.track.tally(1000 + 100, 1000 + 300)
    assert abs(mass / 1000 - USE * 100) <= 2 * u / 1000
    assert mass / 1000 == pytest.approx(USE * 100, abs=USE * 10)


def test_hopper_bump() -> None:
    """An elbow on the hopper is no use and no refill."""
    bench = feed(FeedKind.HOPPER)
    bench.play(260, lambda t: 30_000 - USE * max(0.0, t - 30) + (8000 if 200 <= t < 202 else 0))
    assert kinds(bench.events) == ["bump"]
    assert bench.delivered_g == pytest.approx(USE * 230, abs=12)


def scooping(t: float) -> float:
    """A scoop of 400 g every ten seconds from t = 40 on, with a hand in the tub for half a second."""
    count = max(0, int((t - 30) // 10))
    hand = 3000 if t > 40 and (t % 10) < 0.5 else 0
    return 25_000 - 400 * count + hand


def test_tub_counts_scoops() -> None:
    """Each scoop is use, the hand is not."""
    bench = feed(FeedKind.TUB)
    bench.play(346, scooping)
    assert bench.delivered_g == pytest.approx(400 * 31, abs=15)
    assert bench.track.view.rate_mg_s == pytest.approx(40_000, rel=0.15)
    assert bench.events == [] or set(kinds(bench.events)) == {"bump"}


def test_scoop_resting_on_the_tub_is_no_refill() -> None:
    """It lies there for half a minute and is taken up again."""
    bench = feed(FeedKind.TUB)
    bench.play(346, lambda t: scooping(min(t, 299.0)) + (350 if 305 <= t < 335 else 0))
    assert bench.delivered_g == pytest.approx(400 * 26, abs=15)
    assert "refill" not in kinds(bench.events)


def test_tub_is_refilled() -> None:
    """Eight kilograms at once are a refill."""
    bench = feed(FeedKind.TUB)
    bench.play(400, lambda t: scooping(min(t, 299.0)) + (8000 if t >= 320 else 0))
    assert kinds(bench.events)[-1] == "refill"
    assert bench.delivered_g == pytest.approx(400 * 26, abs=120)
    assert bench.track.view.state is TrackState.STEADY


def test_scoop_under_way_is_in_the_uncertainty() -> None:
    """Asked while a hand digs, the mass may lack a scoop; the stated uncertainty says so."""
    bench = feed(FeedKind.TUB)
    for until in range(200, 212):
        bench.until(until, scooping)
        mass, u, _ = bench.track.tally(1000 + 38, 1000 + until)
        true = 400 * max(0, int((until - 0.2 - 30) // 10))
        assert abs(mass / 1000 - true) <= 2.5 * u / 1000 + 15


def test_past_of_a_tub_is_sharp() -> None:
    """Once a scoop is weighed it counts from the second it was taken, not over the seconds around it."""
    bench = feed(FeedKind.TUB)
    bench.play(346, scooping)
    # out at 200.0, the hand is gone at 200.5
    assert bench.at(199) == pytest.approx(400 * 16, abs=15)
    assert bench.at(202) == pytest.approx(400 * 17, abs=15)


def test_scoops_beside_a_refill_are_weighed() -> None:
    """Refilled between two scoops: those before and after it count, and none is made up for the pouring."""
    bench = feed(FeedKind.TUB)
    bench.play(400, lambda t: scooping(t) + 9000 * min(1.0, max(0.0, (t - 301.8) / 5.0)))
    assert "refill" in kinds(bench.events)
    mass, u, _ = bench.track.tally(1000 + 255, 1000 + 355)
    assert mass / 1000 == pytest.approx(400 * 10, abs=40)
    assert abs(mass / 1000 - 4000) <= 2 * u / 1000
