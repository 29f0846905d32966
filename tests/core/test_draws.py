"""Draws that are the same at every call, against what they are draws of."""

from __future__ import annotations

from math import inf
from statistics import NormalDist, mean, stdev

import pytest
from scipy.stats import truncnorm

from logger.core.draws import POINTS, between, evenly, interval


def test_the_points_are_haltons() -> None:
    """Base 2: 21 is 10101, mirrored 0.10101 = 21/32; base 3: 21 is 210, mirrored 0.012 = 5/27."""
    assert evenly(0)[0] == 21 / 32
    assert evenly(1)[0] == pytest.approx(5 / 27)


@pytest.mark.parametrize("which", range(12))
def test_each_coordinate_fills_its_range_evenly(which: int) -> None:
    ranked = sorted(evenly(which))
    off = max(abs(value - (k + 0.5) / POINTS) for k, value in enumerate(ranked))
    assert off < 0.03


@pytest.mark.parametrize(
    ("centre", "sd", "low", "high"), [(5.0, 0.1, 0.0, inf), (0.02, 0.02, 0.0, 1.0), (0.95, 0.1, 0.0, 1.0)]
)
def test_a_normal_quantity_between_its_limits(centre: float, sd: float, low: float, high: float) -> None:
    """Mean, spread and 95 % interval of a truncated normal variable, by an independent program."""
    draws = between(3, centre, sd, low, high)
    exact = truncnorm((low - centre) / sd, (high - centre) / sd, centre, sd)
    assert mean(draws) == pytest.approx(float(exact.mean()), abs=0.02 * sd)
    assert stdev(draws) == pytest.approx(float(exact.std()), rel=0.02)
    assert interval(draws) == pytest.approx([float(exact.ppf(p)) for p in (0.025, 0.975)], abs=0.08 * sd)
    assert min(draws) >= low
    assert max(draws) <= high


def test_what_is_sure_has_no_spread_and_what_cannot_be_is_put_at_its_limit() -> None:
    assert set(between(0, 0.3, 0.0, 0.0, 1.0)) == {0.3}
    assert set(between(0, 9.0, 0.1, 0.0, 1.0)) == {1.0}


def test_an_interval_is_read_off_between_draws() -> None:
    """Of 1, 2, ..., 100 the central 95 % end midway between the ranks 2.5 and 97.5 (Hazen's places)."""
    assert interval([float(k) for k in range(1, 101)]) == pytest.approx((3.0, 98.0))
    assert interval([NormalDist().inv_cdf(0.5)]) == (0.0, 0.0)
