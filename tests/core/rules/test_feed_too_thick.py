"""The feed's solids content against its limit: under 35 % for a table (Manser, Barley & Wills 1991)."""

from __future__ import annotations

from dataclasses import replace

import pytest

from logger.core.description import FeedKind, Water
from logger.core.rules.book import station_rules
from logger.core.rules.feed_stopped import FeedStopped
from logger.core.rules.feed_too_thick import FeedTooThick
from logger.core.solids import solids
from tests.core.rules.fakes import Play

LINES = (Water("feed-water", "meter", goes_to="feed"),)
KIND = "feed-too-thick"


def fed_with(l_min: float | None, from_s: int = 0, then: float | None = None, until_s: int = 10**6) -> Play:
    """60 kg/h of feed; the feed water runs at ``l_min``, and at ``then`` between two seconds."""

    def spoil(s: int, play: Play) -> None:
        play.flows("meter", then if from_s <= s < until_s and from_s else l_min)

    return Play(water=LINES, spoil=spoil)


def rule(play: Play) -> FeedTooThick:
    return FeedTooThick(play.station, play.expected)


@pytest.mark.parametrize(("l_min", "share"), [(4.0, 0.2), (2.0, 1 / 3), (1.0, 0.5)])
def test_the_share_is_solids_by_solids_and_water(l_min: float, share: float) -> None:
    """1 kg/min of feed with as many litres a minute: 1 / (1 + l_min), a litre taken as a kilogram."""
    play = fed_with(l_min)
    play.run([], 400)
    pulp = solids(play.now)
    assert pulp is not None
    assert pulp.share == pytest.approx(share, rel=0.02)
    assert pulp.u is not None
    assert 0.0 < pulp.u < 0.02


def test_slurry_density_and_solids_content_agree() -> None:
    """30 % of solids of 2500 kg/m3 make a slurry of 1219.5 kg/m3: 100/(Cw/rho_s + (100-Cw)/rho_l)."""
    kg, litres = 0.30, 0.70
    assert (kg + litres) / (kg / 2.5 + litres) == pytest.approx(1.219512, abs=1e-6)
    play = fed_with(7.0 / 3.0)
    play.run([], 400)
    pulp = solids(play.now)
    assert pulp is not None
    assert pulp.share == pytest.approx(0.30, rel=0.02)


@pytest.mark.parametrize("l_min", [4.0, 2.0, 1.9])
def test_below_the_limit_or_not_surely_above_it_nothing_is_said(l_min: float) -> None:
    play = fed_with(l_min)
    assert play.run([rule(play)], 900) == []


def test_too_little_feed_water_is_told_and_so_is_its_return() -> None:
    play = fed_with(3.0, 300, 1.0, 700)
    play.run([rule(play)], 1200)
    assert [(j.kind, j.active) for _, j in play.said] == [(KIND, True), (KIND, False)]
    (raised_s, raised), (cleared_s, _) = play.said
    assert 320 <= raised_s <= 430
    assert 700 < cleared_s <= 840
    assert raised.subject == raised.channel == "feed"
    assert raised.evidence["limit"] == 0.35
    assert raised.evidence["solids"] > 0.35
    assert "%" in raised.what


def test_another_limit_may_be_told() -> None:
    play = fed_with(3.0)
    play.station = replace(play.station, feed=replace(play.station.feed, most_solids=0.2))
    play.run([rule(play)], 400)
    assert [j.evidence["limit"] for _, j in play.raised(KIND)] == [0.2]


def test_it_is_silent_while_the_meter_is() -> None:
    play = fed_with(None)
    assert play.run([rule(play)], 600) == []
    pulp = solids(play.now)
    assert pulp is not None
    assert (pulp.share, pulp.why) == (None, "not all of its water was measured")


def test_a_stopped_feed_is_not_too_thick() -> None:
    """The water is shut off with the feed; what stands is not sounded, and clears when the feed is gone."""
    play = Play(
        water=LINES,
        feed_kg_h=lambda s: 60.0 if 30 <= s < 500 else 0.0,
        spoil=lambda s, p: p.flows("meter", 1.2 if 450 <= s < 500 else 0.0 if s >= 500 else 3.0),
    )
    play.run([FeedStopped(play.station, play.expected), rule(play)], 900)
    said = [(j.active, j.suppressed) for _, j in play.said if j.kind == KIND and j.active]
    assert said
    assert all(suppressed for _, suppressed in said)
    assert (KIND, "feed") not in play.now.active


@pytest.mark.parametrize(("lines", "kind"), [((), FeedKind.HOPPER), (LINES, FeedKind.UNWEIGHED)])
def test_without_feed_scale_or_feed_water_there_is_no_such_alarm(
    lines: tuple[Water, ...], kind: FeedKind
) -> None:
    play = Play(water=lines, feed_kind=kind)
    assert KIND not in {r.kind for r in station_rules(play.station, play.expected)}


def test_wash_water_makes_no_feed_thin() -> None:
    play = Play(water=(Water("wash", "meter"),))
    play.run([], 300)
    assert solids(play.now) is None
