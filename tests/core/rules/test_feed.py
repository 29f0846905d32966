"""A feed that stops or drifts, from a hopper and by hand."""

from __future__ import annotations

from random import Random

import pytest

from logger.core.description import FeedKind
from logger.core.rules.book import station_rules
from logger.core.rules.contract import StationRule
from logger.core.rules.feed_drift import FeedDrift
from logger.core.rules.feed_stopped import FeedStopped
from logger.core.track.view import TrackState
from tests.core.rules.fakes import T0, Play


def feed_rules(play: Play) -> list[StationRule]:
    return [FeedStopped(play.station, play.expected), FeedDrift(play.station, play.expected)]


def played(play: Play, seconds: int) -> Play:
    play.run(feed_rules(play), seconds)
    return play


def scoops(
    until: int, seed: int = 1, *, pause: tuple[int, int] = (0, 0), kg_h: float = 60.0
) -> dict[int, float]:
    """kg/h in each second: a scoop of 0.1 to 0.3 kg every 9 to 15 s, none in the pause."""
    dice = Random(seed)
    fed, at = {}, 40
    while at < until:
        if not pause[0] <= at < pause[1]:
            fed[at] = 3600.0 * kg_h / 60.0 * dice.uniform(0.1, 0.3)
        at += dice.randint(9, 15)
    return fed


def by_hand(fed: dict[int, float], target_kg_h: float | None = 60.0) -> Play:
    return Play(feed_kind=FeedKind.TUB, target_kg_h=target_kg_h, feed_kg_h=lambda s: fed.get(s, 0.0))


def test_a_hopper_that_stops_is_noticed_within_ten_seconds() -> None:
    play = played(Play(feed_kg_h=lambda s: 60.0 if 30 <= s < 900 else 0.0), 1000)
    (raised,) = play.raised("feed-stopped")
    assert 900 < raised[0] <= 910
    assert raised[1].since_s - T0 == pytest.approx(900, abs=4)


def test_a_stop_clears_within_ten_seconds_of_feed_and_does_not_chatter() -> None:
    play = played(Play(feed_kg_h=lambda s: 60.0 if 30 <= s < 900 or s >= 1100 else 0.0), 1500)
    said = [(s, j.active) for s, j in play.said if j.kind == "feed-stopped"]
    assert [active for _, active in said] == [True, False]
    assert 1100 < said[1][0] <= 1110


def test_a_hopper_without_a_told_target_is_watched_by_its_own_rate() -> None:
    play = played(Play(target_kg_h=None, feed_kg_h=lambda s: 40.0 if 30 <= s < 900 else 0.0), 1000)
    assert len(play.raised("feed-stopped")) == 1


def test_a_refill_is_no_stop() -> None:
    def spoil(s: int, play: Play) -> None:
        view = play.tracks["feed"].view
        view.state = TrackState.DISTURBED if 900 <= s < 940 else TrackState.STEADY
        if 900 <= s <= 940:
            view.changed_s = view.steady_since_s = T0 + s

    play = Play(feed_kg_h=lambda s: 0.0 if s < 30 or 900 <= s < 940 else 60.0, spoil=spoil)
    assert played(play, 1200).said == []


def test_scoops_every_dozen_seconds_are_no_stop() -> None:
    assert played(by_hand(scoops(3600)), 3600).raised("feed-stopped") == []


def test_a_pause_of_twenty_seconds_by_hand_is_no_stop() -> None:
    play = played(by_hand(scoops(1500, pause=(900, 920))), 1400)
    assert play.raised("feed-stopped") == []


def test_nobody_feeding_is_noticed_within_seventy_seconds() -> None:
    play = played(by_hand(scoops(900)), 1100)
    assert [s for s, _ in play.raised("feed-stopped")] == [pytest.approx(930, abs=40)]


def test_nothing_stops_before_it_began() -> None:
    assert played(Play(feed_kg_h=lambda s: 0.0), 900).said == []


def test_an_oddly_still_feed_scale_holds_the_alarm() -> None:
    def spoil(s: int, play: Play) -> None:
        if s >= 900:
            play.tracks["feed"].view.same_count = 5 * (s - 899)

    play = Play(feed_kg_h=lambda s: 60.0 if 30 <= s < 900 else 0.0, spoil=spoil)
    assert played(play, 960).raised("feed-stopped") == []


@pytest.mark.parametrize(
    ("factor", "way"), [(1.2, "above"), (0.8, "below"), (1.12, "above"), (0.88, "below")]
)
def test_a_drift_beyond_the_band_is_noticed_and_told(factor: float, way: str) -> None:
    def fed(s: int) -> float:
        return 0.0 if s < 30 else 60.0 * (1.0 + (factor - 1.0) * min(max(s - 900, 0) / 120.0, 1.0))

    play = played(Play(feed_kg_h=fed), 1500)
    (raised,) = play.raised("feed-drift")
    assert way in raised[1].what
    assert 900 < raised[0] <= 1200


def test_within_half_the_band_is_no_drift() -> None:
    assert played(Play(feed_kg_h=lambda s: 0.0 if s < 30 else 62.5), 3000).said == []


def test_a_drift_that_was_set_right_clears() -> None:
    play = played(Play(feed_kg_h=lambda s: 0.0 if s < 30 else 75.0 if 900 <= s < 1500 else 60.0), 2400)
    assert [j.active for _, j in play.said if j.kind == "feed-drift"] == [True, False]


def test_without_a_target_the_first_ten_minutes_are_the_measure() -> None:
    play = Play(target_kg_h=None, feed_kg_h=lambda s: 0.0 if s < 30 else 40.0 if s < 1500 else 50.0)
    (raised,) = played(play, 2400).raised("feed-drift")
    assert raised[0] > 1500


def test_a_stop_is_not_called_a_drift() -> None:
    play = Play(feed_kg_h=lambda s: 60.0 if 30 <= s < 900 or s > 1200 else 0.0)
    assert played(play, 2400).raised("feed-drift") == []


def test_all_rules_together_keep_quiet_about_hand_feeding() -> None:
    play = by_hand(scoops(3600, seed=4))
    play.run(station_rules(play.station, play.expected), 3500)
    assert [j.what for _, j in play.said if j.active and not j.suppressed] == []
