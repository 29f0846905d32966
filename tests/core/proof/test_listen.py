"""Drift and scatter against an independent reckoning."""

from __future__ import annotations

from random import Random

import numpy as np
import pytest

from logger.core.proof.listen import trend
from logger.core.proof.window import Point


def test_the_trend_is_the_straight_line_that_numpy_fits() -> None:
    rng = Random(2)
    points = [Point(k * 0.2, 1.0 + 0.003 * k * 0.2 + rng.gauss(0.0, 0.002)) for k in range(100)]
    at_s, value = np.array(points).T
    slope, start = np.polyfit(at_s, value, 1)
    left = value - start - slope * at_s
    found = trend(points)
    assert found.change == pytest.approx(slope * (at_s[-1] - at_s[0]))
    assert found.sd == pytest.approx(np.sqrt((left**2).sum() / 98))


def test_the_drifts_uncertainty_covers_what_it_claims() -> None:
    """Over 300 still scales the drift lies within 2 u of nothing in 90 to 99 of 100."""
    rng = Random(3)
    inside = 0
    for _ in range(300):
        found = trend([Point(k * 0.2, rng.gauss(0.0, 0.002)) for k in range(100)])
        inside += abs(found.change) <= 2 * found.u
    assert 0.90 <= inside / 300 <= 0.99
