"""The feed's scale says one thing, all outlets together another."""

from __future__ import annotations

import pytest

from logger.core.description import FeedKind
from logger.core.rules.book import station_rules
from logger.core.track.view import TrackState
from tests.core.rules.fakes import T0, Play

KIND = "feed-contradicted"


class Blind(Play):
    """A play whose feed scale does not see what is fed from second 900 on."""

    def advance(self) -> None:
        track = self.tracks["feed"]
        if self.second == 900:
            close = track.close
            track.close = lambda now_s, added_mg: close(now_s, 0.0)  # type: ignore[method-assign]
        super().advance()


def played(play: Play, seconds: int) -> Play:
    play.run(station_rules(play.station, play.expected), seconds)
    return play


def first(play: Play) -> tuple[int, str]:
    second, judgement = play.raised(KIND)[0]
    return second, judgement.what


@pytest.mark.parametrize("kind", [FeedKind.HOPPER, FeedKind.TUB])
def test_outlets_that_go_on_delivering_contradict_a_feed_that_stopped(kind: FeedKind) -> None:
    play = played(Blind(feed_kind=kind), 1300)
    second, what = first(play)
    assert 930 < second < 1150
    assert "yet the outlets delivered" in what


def test_the_feed_is_then_not_said_to_have_stopped() -> None:
    play = played(Blind(), 1300)
    stopped = [j for _, j in play.said if j.kind == "feed-stopped"]
    assert [(j.active, j.suppressed) for j in stopped] == [(True, False), (True, True)]
    assert stopped[-1].evidence["suppressed_by"] == KIND


def test_a_deck_that_runs_empty_is_no_contradiction() -> None:
    play = Play(feed_kg_h=lambda s: 60.0 if 30 <= s < 900 else 0.0)
    assert played(play, 1500).raised(KIND) == []


def test_feed_that_reaches_no_outlet_is_told_while_no_outlet_is_blamed() -> None:
    play = played(Play(open_part=lambda k, s: 0.0 if 900 <= s < 1200 else 1.0), 1400)
    second, what = first(play)
    assert 915 < second <= 960
    assert "shows feed, yet" in what
    assert play.raised("outlet-not-delivering") == []
    assert [j.active for _, j in play.said if j.kind == KIND] == [True, False]


def test_one_plugged_outlet_does_not_contradict_the_feed() -> None:
    play = Play(open_part=lambda k, s: 0.0 if k == 3 and s >= 900 else 1.0)
    assert played(play, 1500).raised(KIND) == []


@pytest.mark.parametrize("part", [0.7, 1.6])
def test_what_shares_and_lags_may_do_is_no_contradiction(part: float) -> None:
    play = Play(open_part=lambda k, s: part if s >= 900 else 1.0)
    assert played(play, 1500).raised(KIND) == []


def test_a_pause_that_was_said_is_not_judged() -> None:
    def spoil(s: int, play: Play) -> None:
        play.now.paused_since_s = T0 + 890 if s >= 890 else None

    assert played(Blind(spoil=spoil), 1300).raised(KIND) == []


def test_while_the_feed_scale_is_disturbed_nothing_is_judged() -> None:
    def spoil(s: int, play: Play) -> None:
        play.tracks["feed"].view.state = TrackState.DISTURBED if s >= 890 else TrackState.STEADY

    assert played(Blind(spoil=spoil), 1300).raised(KIND) == []


def test_a_feed_that_doubles_and_is_seen_is_no_contradiction() -> None:
    play = Play(feed_kg_h=lambda s: 0.0 if s < 30 else 150.0 if s >= 900 else 60.0)
    assert played(play, 1500).raised(KIND) == []
