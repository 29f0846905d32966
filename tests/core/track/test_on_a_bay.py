"""Tracks on simulated bays that nobody tuned to: errors and whether the stated uncertainty is true."""

from __future__ import annotations

import pytest

from logger.simulator.draw import random_scenario
from logger.simulator.trace import make_trace
from tests.bench.track_bench import Result, results


def weighed(seeds: range, hours: float) -> list[Result]:
    found: list[Result] = []
    for seed in seeds:
        duration = hours * 3600
        trace = make_trace(random_scenario(seed, duration), seed, duration)
        found += results(seed, trace)[0]
    # A scale zeroed under its container that tracks its zero swallows a trickle: nothing can be weighed.
    return [r for r in found if not r.swallowed]


def check(found: list[Result], median: float, p90: float, within: float) -> None:
    errors = sorted(abs(r.error) for r in found)
    assert errors[len(errors) // 2] <= median
    assert errors[int(0.9 * len(errors))] <= p90
    assert sum(abs(r.mass_kg - r.true_kg) <= 2 * r.u_kg for r in found) >= within * len(found)


def test_mass_on_twelve_bays() -> None:
    """Half an hour each, with all troubles; drained water is the largest part of the error."""
    check(weighed(range(100, 112), 0.5), 0.006, 0.025, 0.85)


@pytest.mark.full
@pytest.mark.timeout(1800)
def test_mass_on_a_hundred_bays() -> None:
    """An hour each."""
    check(weighed(range(1000, 1100), 1.0), 0.004, 0.015, 0.88)
