"""The tally of a span, on tracks whose masses are given."""

from __future__ import annotations

from math import sqrt

import pytest

from logger.core.description import Channel, Container, ContainerKind, Feed, FeedKind, Outlet, Station
from logger.core.rules.contract import ChannelNow, OutletNow, StationNow
from logger.core.tally import Tally, tally
from logger.core.track.view import View


class StraightTrack:
    """Delivers at a constant rate from second 0; every end of a span is uncertain by ``end_u_mg``."""

    def __init__(self, rate_mg_s: float, end_u_mg: float = 0.0, splice_var_per_s: float = 0.0) -> None:
        self.view = View(level_var_mg2=end_u_mg**2)
        self._rate = rate_mg_s
        self._var = splice_var_per_s
        self.beside_mg = 0.0

    def tally(self, from_s: float, to_s: float) -> tuple[float, float, float]:
        variance = self._var * (to_s - from_s) + 2 * self.view.level_var_mg2
        return self._rate * (max(to_s, 0) - max(from_s, 0)), sqrt(variance), 0.0

    def not_caught(self, from_s: float, to_s: float) -> tuple[float, float]:
        return self.beside_mg, 0.0


def channel(name: str, track: StraightTrack) -> ChannelNow:
    return ChannelNow(Channel(name), track, readings=1)  # type: ignore[arg-type]


def station_now(
    feed: StraightTrack | None, outlets: dict[str, StraightTrack | None], lag_s: float | None = None
) -> StationNow:
    described = tuple(
        Outlet(n, None if t is None else n, Container(ContainerKind.DRAINS)) for n, t in outlets.items()
    )
    kind = FeedKind.UNWEIGHED if feed is None else FeedKind.HOPPER
    station = Station("table", Feed(kind, None if feed is None else "feed"), described)
    now = [
        OutletNow(o, None if t is None else channel(o.name, t), lag_s=lag_s)
        for o, t in zip(described, outlets.values(), strict=True)
    ]
    return StationNow(station, 0, None if feed is None else channel("feed", feed), now)


def outlet(result: Tally, name: str) -> object:
    return next(o for o in result.outlets if o.name == name)


def test_a_span_is_a_difference_of_cumulative_masses() -> None:
    now = station_now(StraightTrack(10_000), {"c": StraightTrack(2_000), "t": StraightTrack(8_000)})
    result = tally(now, 100, 1100)
    assert result.feed is not None
    assert result.feed.kg == pytest.approx(10.0)
    assert [o.delivered.kg for o in result.outlets if o.delivered] == pytest.approx([2.0, 8.0])
    assert [o.share for o in result.outlets] == pytest.approx([0.2, 0.8])


def test_both_ends_of_a_span_and_what_was_spliced_between_are_uncertain() -> None:
    now = station_now(None, {"c": StraightTrack(2_000, end_u_mg=3_000, splice_var_per_s=1e4)})
    mass = tally(now, 0, 1000).outlets[0].delivered
    assert mass is not None
    assert mass.u_kg == pytest.approx(sqrt(2 * 3_000**2 + 1e4 * 1000) / 1e6)


def test_the_one_outlet_without_a_scale_gets_the_difference() -> None:
    tracks = {"c": StraightTrack(2_000, 3_000), "t": StraightTrack(5_000, 4_000), "o": None}
    result = tally(station_now(StraightTrack(10_000, 5_000), tracks), 0, 1000)
    rest = result.outlets[2]
    assert rest.by_difference
    assert rest.delivered is not None
    assert rest.delivered.kg == pytest.approx(3.0)
    # JCGM 100 5.1.2: variances of independent terms of a sum add
    assert rest.delivered.u_kg == pytest.approx(sqrt(2 * (3_000**2 + 4_000**2 + 5_000**2)) / 1e6)


def test_two_outlets_without_a_scale_are_not_determinable() -> None:
    result = tally(station_now(StraightTrack(10_000), {"c": None, "t": None}), 0, 1000)
    assert [o.delivered for o in result.outlets] == [None, None]


def test_without_a_weighed_feed_an_unweighed_outlet_is_not_determinable() -> None:
    result = tally(station_now(None, {"c": StraightTrack(1), "t": None}), 0, 1000)
    assert result.outlets[1].delivered is None
    assert [o.share for o in result.outlets] == [None, None]


def test_yields_of_all_weighed_outlets_sum_to_one_without_a_feed() -> None:
    now = station_now(None, {"a": StraightTrack(123), "b": StraightTrack(456), "c": StraightTrack(789)})
    shares = [o.share for o in tally(now, 0, 5000).outlets]
    assert sum(s for s in shares if s is not None) == pytest.approx(1.0, abs=1e-12)


def test_a_share_of_a_sum_has_its_published_uncertainty() -> None:
    """p = m/(m+rest): u^2 = [(1-p)^2 u_m^2 + p^2 u_rest^2]/M^2 (JCGM 100 5.1.2, algebra)."""
    now = station_now(None, {"a": StraightTrack(1_000, 7_000), "b": StraightTrack(3_000, 11_000)})
    share = tally(now, 0, 1000).outlets[0]
    u_m, u_rest = sqrt(2) * 7_000, sqrt(2) * 11_000
    assert share.share == pytest.approx(0.25)
    assert share.u_share == pytest.approx(sqrt((0.75 * u_m) ** 2 + (0.25 * u_rest) ** 2) / 4e6)


def test_a_live_yield_leaves_out_the_feed_that_is_still_on_the_deck() -> None:
    """An outlet with a lag of 50 s got its 2 g/s from what was fed up to 50 s ago."""
    now = station_now(StraightTrack(10_000), {"c": StraightTrack(2_000)}, lag_s=50)
    result = tally(now, 0, 1000)
    assert result.outlets[0].share == pytest.approx(2.0 / 9.5)
    assert result.hold_up_kg == pytest.approx(0.5)


def test_nothing_is_told_by_difference_while_the_deck_is_filling() -> None:
    now = station_now(StraightTrack(10_000), {"c": StraightTrack(2_000), "o": None}, lag_s=50)
    assert tally(now, 0, 100).outlets[1].delivered is None
    assert tally(now, 0, 400).outlets[1].delivered is not None


def test_a_run_that_starts_on_a_loaded_deck_is_not_charged_with_what_lay_there() -> None:
    """Feed and outlets had been running for long: shares and difference are those of the steady state."""
    tracks = {"c": StraightTrack(2_000), "o": None}
    result = tally(station_now(StraightTrack(10_000), tracks, lag_s=50), 5_000, 6_000)
    assert result.outlets[0].share == pytest.approx(0.2)
    assert result.outlets[1].delivered is not None
    assert result.outlets[1].delivered.kg == pytest.approx(8.0)


def test_before_the_first_reading_nothing_is_known() -> None:
    now = station_now(StraightTrack(10_000), {"c": StraightTrack(2_000)})
    assert now.feed is not None
    now.feed.readings = 0
    result = tally(now, 0, 10)
    assert result.feed is None
    assert result.to_json()["feed_kg"] is None


def test_the_json_is_the_contract() -> None:
    data = tally(station_now(StraightTrack(10_000), {"c": StraightTrack(2_000)}), 0, 1000).to_json()
    assert data["feed_kg"] == 10.0
    assert data["outlets"]["c"]["delivered_kg"] == 2.0
    assert data["outlets"]["c"]["u_kg"] == 0.0
    assert data["outlets"]["c"]["says"] == "wet"
