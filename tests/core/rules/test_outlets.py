"""Outlets that stop, slow down, or only seem to."""

from __future__ import annotations

import pytest

from logger.core.description import FeedKind, ZeroTracking
from logger.core.rules.book import station_rules
from logger.core.rules.notice import noise_density, noticed_in_s
from logger.core.rules.outlet_slow import OutletSlow
from logger.core.track.view import TrackState
from tests.core.rules.fakes import KG_H, T0, Play

STOPPED = "outlet-not-delivering"


def stops(outlet: int, start: int, end: int, part: float = 0.0):  # type: ignore[no-untyped-def]
    return lambda number, s: part if number == outlet and start <= s < end else 1.0


def played(play: Play, seconds: int) -> Play:
    play.run(station_rules(play.station, play.expected), seconds)
    return play


@pytest.mark.parametrize("seed", [1, 2, 3, 4])
@pytest.mark.parametrize("outlet", [0, 1, 3])
def test_a_full_stop_is_noticed_within_two_and_a_half_times_the_stated_time(outlet: int, seed: int) -> None:
    """6, 12 and 24 kg/h in lumps of 5 g."""
    play = played(Play(open_part=stops(outlet, 900, 1100), seed=seed), 1100)
    (raised,) = play.raised(STOPPED)
    noise = noise_density(5_000.0, 5_000.0, 0.2)
    stated = noticed_in_s(60.0 * play.shares[outlet] * KG_H, 10_000.0, noise)
    assert stated is not None
    assert raised[1].subject == f"outlet{outlet}"
    assert 0 < raised[0] - 900 <= 2.5 * stated + 5.0


def test_ten_kilograms_an_hour_are_noticed_within_a_minute() -> None:
    play = played(Play(shares=(0.17, 0.83), open_part=stops(0, 900, 1100)), 1000)
    assert play.raised(STOPPED)[0][0] <= 960


def test_it_says_when_it_began() -> None:
    play = played(Play(open_part=stops(3, 900, 1100)), 1000)
    assert play.raised(STOPPED)[0][1].since_s - T0 == pytest.approx(900, abs=8)


def test_it_clears_soon_after_product_comes_again_and_not_before() -> None:
    play = played(Play(open_part=stops(2, 900, 1200)), 1300)
    (cleared,) = [s for s, j in play.said if j.kind == STOPPED and not j.active]
    assert 1200 < cleared <= 1240


def test_a_gradual_stop_is_noticed_before_it_is_complete() -> None:
    def closing(number: int, s: int) -> float:
        return 1.0 if number != 3 or s < 900 else max(0.0, 1.0 - (s - 900) / 120.0)

    play = played(Play(open_part=closing), 1100)
    assert play.raised(STOPPED)[0][0] <= 900 + 120


def test_a_partial_stop_of_seventy_percent_is_noticed() -> None:
    play = played(Play(open_part=stops(3, 900, 1500, 0.3)), 1500)
    assert [j.subject for _, j in play.raised(STOPPED)] == ["outlet3"]
    assert play.raised(STOPPED)[0][0] <= 1030


def test_a_stop_is_noticed_without_told_shares_too() -> None:
    play = played(Play(told=False, open_part=stops(2, 900, 1100)), 1100)
    assert [j.subject for _, j in play.raised(STOPPED)] == ["outlet2"]


def test_wrongly_told_shares_raise_nothing() -> None:
    """Twice what is true: the outlet's own product corrects it before anything is said."""
    play = Play(shares=(0.1, 0.2, 0.3, 0.4))
    for past, wrong in zip(play.expected.outlets, (0.2, 0.4, 0.5, 0.6), strict=True):
        assert past is not None
        past.share = wrong
    played(play, 1500)
    assert play.raised(STOPPED) == []


def test_when_the_feed_stops_no_outlet_is_blamed() -> None:
    play = played(Play(feed_kg_h=lambda s: 60.0 if 30 <= s < 900 else 0.0), 1500)
    assert play.raised(STOPPED) == []
    assert play.raised("outlet-slow") == []


def test_when_the_feed_halves_no_outlet_is_blamed() -> None:
    play = played(Play(feed_kg_h=lambda s: 0.0 if s < 30 else 60.0 if s < 900 else 30.0), 1800)
    assert play.raised(STOPPED) == []


def test_where_the_feed_is_not_weighed_a_common_stop_blames_no_outlet() -> None:
    play = Play(feed_kind=FeedKind.UNWEIGHED, feed_kg_h=lambda s: 60.0 if 30 <= s < 900 else 0.0)
    played(play, 1200)
    assert play.raised(STOPPED) == []
    assert play.raised("outlet-slow") == []


def test_where_the_feed_is_not_weighed_one_outlet_that_stops_is_noticed() -> None:
    play = Play(feed_kind=FeedKind.UNWEIGHED, open_part=stops(1, 900, 1200))
    played(play, 1200)
    assert [j.subject for _, j in play.raised(STOPPED)] == ["outlet1"]


def test_a_neighbour_that_gains_is_named() -> None:
    def astray(number: int, s: int) -> float:
        return {2: 0.0, 3: 1.75}.get(number, 1.0) if s >= 900 else 1.0

    play = played(Play(open_part=astray), 1000)
    (raised,) = play.raised(STOPPED)
    assert raised[1].evidence["astray_to"] == ["outlet3"]
    assert "going astray" in raised[1].what


@pytest.mark.parametrize(
    "state", [TrackState.OFF, TrackState.DISTURBED, TrackState.SILENT, TrackState.FROZEN]
)
def test_a_scale_that_cannot_be_believed_is_never_a_stop(state: TrackState) -> None:
    def spoil(s: int, play: Play) -> None:
        view = play.tracks["outlet3"].view
        view.state = state if 900 <= s < 1100 else TrackState.STEADY
        if 900 <= s <= 1100:
            view.changed_s = view.steady_since_s = T0 + s

    play = played(Play(open_part=stops(3, 900, 1100), spoil=spoil), 1200)
    assert play.raised(STOPPED) == []


def test_an_oddly_still_scale_holds_the_alarm() -> None:
    """Forty readings the same where two in five repeat: more likely frozen than plugged."""

    def spoil(s: int, play: Play) -> None:
        if s >= 900:
            play.tracks["outlet3"].view.same_count = 5 * (s - 899)
            play.tracks["outlet3"].view.p_same = 0.4

    play = Play(open_part=stops(3, 900, 1100), spoil=spoil)
    for track in play.tracks.values():
        track.error_mg = 0.0
    for channel in play.channels.values():
        assert channel.track is not None
    played(play, 1000)
    frozen = [j for _, j in play.raised(STOPPED)]
    assert frozen == []


def test_near_zero_a_scale_that_may_track_its_zero_is_not_believed() -> None:
    def spoil(s: int, play: Play) -> None:
        play.tracks["outlet1"].view.level_mg = 0.0 if s >= 880 else 1e6

    play = played(Play(open_part=stops(1, 900, 1300), spoil=spoil), 1300)
    assert play.raised(STOPPED) == []
    assert [j.evidence["suppressed_by"] for _, j in play.said if j.suppressed] == [
        "near zero the scale may track its zero and swallow a trickle"
    ]


def test_near_zero_a_scale_known_not_to_track_is_believed() -> None:
    def spoil(s: int, play: Play) -> None:
        play.tracks["outlet1"].view.level_mg = 0.0 if s >= 880 else 1e6

    play = Play(open_part=stops(1, 900, 1100), spoil=spoil, zero_tracking=ZeroTracking.OFF)
    assert [j.subject for _, j in played(play, 1100).raised(STOPPED)] == ["outlet1"]


def test_nothing_is_said_after_the_run() -> None:
    play = Play(open_part=stops(3, 900, 2000))
    rules = station_rules(play.station, play.expected)
    play.run(rules, 890)
    play.now.run_since_s = None
    play.run(rules, 300)
    assert play.raised(STOPPED) == []


def test_a_station_without_runs_is_watched_from_its_first_feed() -> None:
    play = Play(open_part=stops(3, 900, 1100))
    play.now.run_since_s = None
    assert [j.subject for _, j in played(play, 1100).raised(STOPPED)] == ["outlet3"]


def test_an_outlet_at_two_thirds_is_called_slow() -> None:
    play = Play(shares=(0.2, 0.8), open_part=stops(1, 900, 1800, 0.66))
    play.run([OutletSlow(play.station, play.expected)], 1800)
    assert [j.subject for _, j in play.raised("outlet-slow")] == ["outlet1"]


def test_an_outlet_at_ninety_percent_is_left_alone() -> None:
    play = played(Play(open_part=stops(3, 900, 1800, 0.9)), 1800)
    assert play.said == []


@pytest.mark.full
@pytest.mark.parametrize("seed", range(20))
def test_an_hour_without_events_is_silent(seed: int) -> None:
    assert played(Play(seed=1000 + seed), 3600).said == []


def test_a_stop_from_before_the_share_was_known_is_noticed_as_soon_as_it_is() -> None:
    """What was due is worked out backwards then; the alarm does not begin with what comes from there on."""
    play = Play(told=False, open_part=stops(3, 250, 900))
    known = None
    rules = station_rules(play.station, play.expected)
    for second in range(900):
        play.run(rules, 1)
        past = play.expected.outlets[3]
        if known is None and past is not None and past.learned:
            known = second
    assert known is not None
    assert known > 280
    (raised,) = play.raised(STOPPED)
    assert raised[0] <= known + 15
    assert raised[1].since_s - T0 == pytest.approx(250, abs=20)
