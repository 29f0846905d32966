"""The feed comes in pulses as it did not before."""

from __future__ import annotations

from math import pi, sin
from random import Random

import pytest

from logger.core.description import FeedKind
from logger.core.rules.book import station_rules
from logger.core.rules.feed_pulsing import FeedPulsing
from logger.core.rules.feed_scatter import ratio_nats
from tests.core.rules.fakes import Play

KIND = "feed-pulsing"
DICE = Random(7)
GUSTS = [DICE.choice((0.2, 0.6, 1.4, 1.8)) for _ in range(400)]


def beating(s: int) -> float:
    """From second 1200 to 2400 the feed swings by half of its mean every 20 s."""
    if s < 30:
        return 0.0
    return 60.0 * (1.0 + (0.5 * sin(2.0 * pi * s / 20.0) if 1200 <= s < 2400 else 0.0))


def gusty(s: int) -> float:
    """From second 1200 on it comes now faster, now slower, without any rhythm."""
    return 0.0 if s < 30 else 60.0 * (GUSTS[s // 9 % len(GUSTS)] if s >= 1200 else 1.0)


def played(play: Play, seconds: int) -> Play:
    play.run([rule for rule in station_rules(play.station, play.expected) if rule.kind == KIND], seconds)
    return play


def test_a_beat_that_the_feed_did_not_have_is_told_with_its_period() -> None:
    said = played(Play(feed_kg_h=beating), 1800).raised(KIND)
    judgement = said[-1][1]
    assert 1200 < said[0][0] < 1500
    assert 16 <= judgement.evidence["period_s"] <= 24
    assert "swings by" in judgement.what


def test_pulses_without_a_rhythm_are_told_too() -> None:
    second, _ = played(Play(feed_kg_h=gusty), 2000).raised(KIND)[0]
    assert 1200 < second < 1700


def test_it_is_over_once_the_feed_comes_evenly_again() -> None:
    said = [(s, j.active) for s, j in played(Play(feed_kg_h=beating), 3300).said]
    assert [active for _, active in said] == [True, True, False]
    assert 2400 < said[-1][0] < 3000


def test_a_feed_that_always_pulsated_is_left_alone() -> None:
    play = Play(feed_kg_h=lambda s: 60.0 * (1.0 + 0.5 * sin(2.0 * pi * s / 20.0)) if s >= 30 else 0.0)
    assert played(play, 3000).said == []


def test_a_feed_that_only_runs_faster_does_not_pulsate() -> None:
    assert played(Play(feed_kg_h=lambda s: 0.0 if s < 30 else 60.0 if s < 1500 else 78.0), 3000).said == []


def test_a_stop_is_no_pulse() -> None:
    play = Play(feed_kg_h=lambda s: 0.0 if s < 30 or 1500 <= s < 1560 else 60.0)
    play.run(station_rules(play.station, play.expected), 2400)
    assert [j.kind for _, j in play.said if j.active] == ["feed-stopped"]


def test_a_feed_by_scoop_has_no_such_rule() -> None:
    play = Play(feed_kind=FeedKind.TUB)
    assert KIND not in {rule.kind for rule in station_rules(play.station, play.expected)}


def test_a_hopper_that_turns_out_to_be_fed_by_scoop_is_not_judged_and_says_why() -> None:
    play = Play(feed_kg_h=beating, spoil=lambda s, p: setattr(p.tracks["feed"].view, "by_scoop", True))
    rule = FeedPulsing(play.station, play.expected)
    play.run([rule], 1800)
    assert play.said == []
    evidence = rule.evidence("feed", play.now)
    assert evidence is not None
    assert "by scoop" in evidence.quiet_because


def test_it_tells_its_figures_when_asked_and_nothing_of_an_outlet() -> None:
    play = Play(feed_kg_h=beating)
    rule = FeedPulsing(play.station, play.expected)
    play.run([rule], 1500)
    evidence = rule.evidence("feed", play.now)
    assert evidence is not None
    assert evidence.statistic is not None
    assert evidence.statistic > rule.threshold
    assert evidence.extra["usual_percent"] < 15.0
    assert evidence.extra["nats"] == round(evidence.statistic, 2)
    assert rule.evidence("outlet0", play.now) is None


def test_before_its_own_past_is_known_it_says_that() -> None:
    play = Play()
    rule = FeedPulsing(play.station, play.expected)
    play.run([rule], 120)
    evidence = rule.evidence("feed", play.now)
    assert evidence is not None
    assert evidence.statistic is None
    assert "not known yet" in evidence.quiet_because


@pytest.mark.parametrize(("f1", "v1", "f2", "v2", "nats"), [(10, 4, 10, 1, 2.2314), (10, 1, 10, 1, 0.0)])
def test_the_likelihood_ratio_of_two_variances(
    f1: float, v1: float, f2: float, v2: float, nats: float
) -> None:
    """By hand: 10 ln 2.5 - 5 ln 4 = 2.2314."""
    assert ratio_nats(f1, v1, f2, v2) == pytest.approx(nats, abs=1e-4)
