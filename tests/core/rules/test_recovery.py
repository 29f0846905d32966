"""Live recovery from masses and expected grades."""

from __future__ import annotations

import numpy as np
import pytest

from logger.core.description import Feed, FeedKind, Outlet, Station
from logger.core.holdup import HoldUp
from logger.core.rules.recovery import recovery
from logger.core.tally import Mass, OutletTally, Tally
from tests.bench.recovery_bench import CASES, Case, coverage


def station(grades: list[tuple[float | None, float | None]], feed_grade: float | None = None) -> Station:
    outlets = tuple(
        Outlet(f"o{k}", f"o{k}", expected_grade=g, expected_grade_u=u) for k, (g, u) in enumerate(grades)
    )
    return Station(
        "table",
        Feed(FeedKind.HOPPER, "feed"),
        outlets,
        component="bronze",
        feed_grade=feed_grade,
        feed_grade_u=0.01,
    )


def tally(masses: list[Mass | None], feed: Mass | None = None, difference: int | None = None) -> Tally:
    outlets = tuple(
        OutletTally(f"o{k}", f"o{k}", mass, k == difference, "wet", None, None)
        for k, mass in enumerate(masses)
    )
    return Tally(feed, outlets, 0.0)


def test_recovery_is_the_concentrates_share_of_the_component() -> None:
    """Wills: R = m g / sum(m g); 4.5 x 0.20 / (4.5 x 0.20 + 95.5 x 0.00104712) = 90 %."""
    found = recovery(
        station([(0.20, 0.0), (0.1 / 95.5, 0.0)]), tally([Mass(4.5, 0.0001), Mass(95.5, 0.0001)])
    )
    assert found is not None
    assert found["value"] == pytest.approx(0.90, abs=1e-6)
    assert found["estimated"] is True
    assert found["basis"] == "outlets"


def test_the_concentrate_is_the_outlet_of_the_highest_grade() -> None:
    found = recovery(station([(0.02, 0.0), (0.9, 0.0)]), tally([Mass(50.0, 0.01), Mass(1.0, 0.01)]))
    assert found is not None
    assert found["outlet"] == "o1"
    assert found["value"] == pytest.approx(0.9 / 1.9, abs=1e-6)


def test_the_uncertainty_agrees_with_monte_carlo() -> None:
    masses, us = [5.0, 10.0, 30.0], [0.05, 0.10, 0.3]
    grades, ugs = [0.85, 0.15, 0.02], [0.04, 0.03, 0.004]
    found = recovery(
        station(list(zip(grades, ugs, strict=True))),
        tally([Mass(m, u) for m, u in zip(masses, us, strict=True)]),
    )
    rng = np.random.default_rng(3)
    m = rng.normal(masses, us, (200_000, 3))
    g = rng.normal(grades, ugs, (200_000, 3))
    r = m[:, 0] * g[:, 0] / (m * g).sum(axis=1)
    assert found is not None
    assert found["u"] == pytest.approx(float(r.std()), rel=0.05)
    assert found["low"] == pytest.approx(float(np.quantile(r, 0.025)), abs=0.01)
    assert found["high"] == pytest.approx(float(np.quantile(r, 0.975)), abs=0.01)


def test_an_outlet_by_difference_shares_its_errors_with_the_others() -> None:
    """Against Monte Carlo: the rest is feed minus the others, so their errors move it the other way."""
    feed, m0, m1 = (45.0, 0.3), (5.0, 0.2), (10.0, 0.2)
    rest = Mass(30.0, float(np.sqrt(0.3**2 + 0.2**2 + 0.2**2)))
    grades = [0.85, 0.15, 0.06]
    found = recovery(
        station([(g, 0.0) for g in grades]), tally([Mass(*m0), Mass(*m1), rest], Mass(*feed), difference=2)
    )
    rng = np.random.default_rng(4)
    f, a, b = (rng.normal(*x, 200_000) for x in (feed, m0, m1))
    whole = a * grades[0] + b * grades[1] + (f - a - b) * grades[2]
    assert found is not None
    assert found["u"] == pytest.approx(float((a * grades[0] / whole).std()), rel=0.03)
    assert found["by_difference"] is True


def test_where_an_outlet_is_not_weighed_the_feeds_grade_stands_for_the_whole() -> None:
    found = recovery(
        station([(0.9, 0.0), (None, None)], 0.1), tally([Mass(8.0, 0.01), None], Mass(100.0, 0.1))
    )
    assert found is not None
    assert found["value"] == pytest.approx(0.72, abs=1e-6)
    assert found["basis"] == "feed"
    rng = np.random.default_rng(6)
    draws = 8.0 * 0.9 / (100.0 * rng.normal(0.1, 0.01, 200_000))
    possible = draws[(draws >= 0.0) & (draws <= 1.0)]
    assert found["u"] == pytest.approx(float(possible.std()), rel=0.02)
    assert found["low"] == pytest.approx(float(np.quantile(possible, 0.025)), abs=0.005)
    assert found["high"] == pytest.approx(float(np.quantile(possible, 0.975)), abs=0.005)


@pytest.mark.parametrize(
    "case",
    [
        (station([(None, None), (None, None)]), tally([Mass(1.0, 0.01), Mass(1.0, 0.01)])),
        (station([(0.9, None), (None, None)]), tally([Mass(1.0, 0.01), None])),
        (station([(0.9, None), (0.1, None)]), tally([Mass(0.01, 0.01), Mass(1.0, 0.01)])),
        (station([(0.9, None), (0.1, None)]), tally([None, Mass(1.0, 0.01)])),
    ],
)
def test_what_cannot_be_told_is_not_told(case: tuple[Station, Tally]) -> None:
    assert recovery(*case) is None


def test_a_grade_without_uncertainty_is_taken_as_ten_percent_uncertain() -> None:
    told = recovery(station([(0.9, 0.09), (0.1, 0.01)]), tally([Mass(5.0, 0.01), Mass(5.0, 0.01)]))
    untold = recovery(station([(0.9, None), (0.1, None)]), tally([Mass(5.0, 0.01), Mass(5.0, 0.01)]))
    assert told == untold


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_the_interval_holds_the_truth_as_often_as_it_says(case: Case) -> None:
    """95 %, of 40,000 truths that the stated uncertainties allow (sampling error 0.1 %)."""
    assert coverage(case, draws=40_000) == pytest.approx(0.95, abs=0.012)


def test_what_is_on_its_way_counts_as_recovered_where_it_goes() -> None:
    """While the deck fills, slow outlets have got less than their part of what was fed."""
    deck = HoldUp(1.0, 0.2, 0.6, 1.4, (0.8, 0.2))
    masses: list[Mass | None] = [Mass(4.2, 0.001), Mass(4.8, 0.001)]
    told = station([(0.9, 0.0), (0.1, 0.0)])
    plain = tally(masses)
    found = recovery(told, Tally(plain.feed, plain.outlets, deck.kg, deck=deck))
    bare = recovery(told, plain)
    assert found is not None
    assert bare is not None
    assert found["value"] == pytest.approx(5.0 * 0.9 / (5.0 * 0.9 + 5.0 * 0.1), abs=1e-6)
    assert found["high"] - found["low"] > bare["high"] - bare["low"]


def test_grades_and_masses_that_contradict_each_other_tell_nothing() -> None:
    """More of the component in the concentrate than there can have been in the feed."""
    told = station([(0.9, 0.01), (None, None)], 0.1)
    assert recovery(told, tally([Mass(20.0, 0.01), None], Mass(100.0, 0.1))) is None
