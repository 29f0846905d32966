"""What outlets are expected to deliver: shares, lags, lumps, and what teaches nothing."""

from __future__ import annotations

from itertools import pairwise

import pytest

from logger.core.description import FeedKind
from logger.core.rules.book import station_rules
from logger.core.rules.lags import MODELS, TAUS, Spread
from logger.core.rules.past import Lumps, OutletPast
from logger.core.rules.surplus import most_between
from logger.core.track.view import TrackState
from tests.core.rules.fakes import KG_H, T0, Play


def ticked(play: Play, seconds: int) -> Play:
    play.run([], seconds)
    return play


def past(play: Play, number: int) -> OutletPast:
    found = play.expected.outlets[number]
    assert found is not None
    return found


def test_shares_are_learned_without_being_told() -> None:
    play = ticked(Play(told=False), 1800)
    learned = [now.share for now in play.now.outlets]
    assert learned == [pytest.approx(share, rel=0.08) for share in play.shares]


def test_a_share_is_not_known_before_there_was_product() -> None:
    play = ticked(Play(told=False), 60)
    assert [now.share for now in play.now.outlets] == [None] * 4
    assert [now.expected_mg_s for now in play.now.outlets] == [None] * 4


def test_a_told_share_counts_from_the_start() -> None:
    play = ticked(Play(), 100)
    assert play.now.outlets[3].share == pytest.approx(0.4, rel=0.05)
    assert play.now.outlets[3].expected_mg_s == pytest.approx(0.4 * 60 * KG_H, rel=0.5)


@pytest.mark.parametrize("lag_s", [10, 30, 60])
def test_the_lag_is_learned_from_start_and_changes(lag_s: int) -> None:
    def fed(s: int) -> float:
        return 0.0 if s < 30 or s % 400 > 300 else 60.0

    play = ticked(Play(lag_s=lag_s, feed_kg_h=fed), 1500)
    assert play.now.outlets[3].lag_s == pytest.approx(lag_s, abs=8)


def test_the_rate_expected_is_share_times_feed() -> None:
    play = ticked(Play(), 1500)
    assert [now.expected_mg_s for now in play.now.outlets] == [
        pytest.approx(share * 60 * KG_H, rel=0.15) for share in play.shares
    ]


def test_the_lumpiness_is_learned() -> None:
    """Lumps of exponential mass, mean 12 g: phi 24 g; a few percent of it are still what was assumed."""
    play = ticked(Play(lump_mg=12_000.0), 3600)
    assert past(play, 3).lumps.phi_mg == pytest.approx(24_000.0, rel=0.35)


def test_lumps_of_an_even_stream_are_small() -> None:
    lumps = Lumps()
    for _ in range(500):
        lumps.learn(0, 100_000.0, 0.0, 0.0)
    assert lumps.phi_mg < 2_000.0


def test_lumps_lost_in_noise_stay_what_was_assumed() -> None:
    """Noise that is overstated hides them; what is left after taking it off says nothing."""
    lumps = Lumps()
    for _ in range(300):
        lumps.learn(0, 40_000.0, 15_000.0, 670e6)
    assert lumps.phi_mg > 6_000.0
    assert lumps.windows < 100.0


def test_a_small_sample_that_the_track_did_not_see_is_no_missing_product() -> None:
    """70 g leave in a second: those seconds are left out of what came and of what was due."""

    def spoil(s: int, play: Play) -> None:
        play.tracks["outlet3"].true_mg -= 70_000.0 if s == 900 else 0.0

    play = ticked(Play(spoil=spoil), 920)
    now_s = play.now.now_s
    assert not past(play, 3).whole(now_s - 100, now_s)
    delivered, expected, _ = play.expected.watched(3, now_s - 100, now_s)
    assert delivered == pytest.approx(expected, rel=0.2)
    assert expected > 0.7 * 100 * 0.4 * 60 * KG_H


@pytest.mark.parametrize("whole", [True, False])
def test_a_feed_put_right_downwards_leaves_nothing_due_and_not_less(whole: bool) -> None:
    """Less than nothing due once ended a fold, under a root, while a neighbour's alarm stood."""

    def spoil(s: int, play: Play) -> None:
        play.tracks["outlet3"].true_mg -= 0.0 if whole or s != 900 else 70_000.0

    play = ticked(Play(spoil=spoil), 920)
    now_s = play.now.now_s
    for ring in play.expected.spread.lagged:
        for second, mg in enumerate(ring):
            ring[second] = -mg
    assert play.expected.spread.passed(past(play, 3).scores.best, now_s - 100, now_s) < 0.0
    assert past(play, 3).whole(now_s - 100, now_s) == whole
    assert play.expected.watched(3, now_s - 100, now_s)[1] == 0.0
    assert most_between(play.expected, 3, now_s - 100, now_s) == 0.0


def test_nothing_is_learned_from_what_an_alarm_covers() -> None:
    """Two outlets stay plugged and open for ten minutes: their shares stay what they were."""
    play = Play(open_part=lambda k, s: 0.0 if k == 1 and s >= 1200 else 1.5 if k == 2 and s >= 1200 else 1.0)
    rules = station_rules(play.station, play.expected)
    play.run(rules, 1240)
    before = [past(play, k).share for k in (1, 2)]
    play.run(rules, 700)
    assert [past(play, k).share for k in (1, 2)] == [pytest.approx(share, rel=0.03) for share in before]


def test_a_gap_counts_neither_as_delivered_nor_as_expected() -> None:
    def spoil(s: int, play: Play) -> None:
        view = play.tracks["outlet3"].view
        view.state = TrackState.OFF if 600 <= s < 640 else TrackState.STEADY
        if 600 <= s <= 640:
            view.changed_s = view.steady_since_s = T0 + s

    play = ticked(Play(spoil=spoil), 700)
    now_s = play.now.now_s
    delivered, expected, _ = play.expected.watched(3, now_s - 200, now_s)
    good = 200 - (643 - 598)
    assert expected == pytest.approx(good * 0.4 * 60 * KG_H, rel=0.1)
    assert delivered == pytest.approx(expected, rel=0.2)


def test_windows_may_reach_back_twelve_minutes() -> None:
    play = ticked(Play(), 1500)
    now_s = play.now.now_s
    assert play.expected.expected_between(3, now_s - 720, now_s) == pytest.approx(720 * 24 * KG_H, rel=0.08)


def test_what_a_refill_is_credited_with_while_the_feed_stands_is_no_feed() -> None:
    """A track counts its usual rate for the seconds of a refill; 1 kg here, at a feed that stopped."""

    def spoil(s: int, play: Play) -> None:
        feed = play.tracks["feed"]
        feed.view.state = TrackState.DISTURBED if 700 <= s < 710 else TrackState.STEADY
        if 700 <= s <= 710:
            feed.view.changed_s = feed.view.steady_since_s = T0 + s
            feed.true_mg += 1e5

    play = Play(feed_kg_h=lambda s: 60.0 if 30 <= s < 600 else 0.0, spoil=spoil)
    play.run(station_rules(play.station, play.expected), 850)
    now_s = play.now.now_s
    assert play.expected.expected_between(3, now_s - 130, now_s) < 0.05e6


def test_an_unweighed_feed_is_replaced_by_the_outlets_own_rate() -> None:
    play = ticked(Play(feed_kind=FeedKind.UNWEIGHED), 1200)
    assert play.now.outlets[3].share is None
    assert play.now.outlets[3].expected_mg_s == pytest.approx(24 * KG_H, rel=0.1)


def test_the_lagged_feed_keeps_all_mass() -> None:
    spread = Spread()
    for s in range(600):
        spread.add(s, 1000.0 * min(s, 100))
    assert [spread.passed(model, 0, 599) for model in range(len(MODELS))] == [
        pytest.approx(100_000.0, rel=2e-4)
    ] * len(MODELS)


def test_a_first_order_lag_on_paper() -> None:
    """An impulse through tau = 25 s: 1 - exp(-25/25) = 63.2 % of it passed 25 s after the dead time."""
    spread = Spread()
    for s in range(200):
        spread.add(s, 1000.0 if s >= 1 else 0.0)
    model = MODELS.index((20, TAUS.index(25.0)))
    assert spread.passed(model, 20, 20 + 25) == pytest.approx(632.12, abs=0.01)


def test_a_feed_unseen_for_a_while_is_spread_evenly_over_it() -> None:
    spread = Spread()
    for s in range(100):
        spread.add(s, 0.0 if s < 50 else 500.0 if s > 70 else 0.0)
    spread.bridge(50, 500.0)
    steps = {round(b - a, 9) for a, b in pairwise(spread.feed[51:100])}
    assert steps == {round(500.0 / 49.0, 9)}


def test_time_that_jumps_is_bridged() -> None:
    spread = Spread()
    spread.add(1000, 0.0)
    spread.add(1500, 500.0)
    assert spread.passed(0, 1400, 1500) == pytest.approx(100.0, rel=1e-3)


def test_after_a_hole_longer_than_is_remembered_the_feed_begins_anew() -> None:
    spread = Spread()
    spread.add(1000, 0.0)
    spread.add(9000, 8000.0)
    assert spread.passed(0, 8900, 9000) == 0.0
