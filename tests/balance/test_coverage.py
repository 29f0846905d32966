"""The stated 95 % intervals hold the truth about as often as they say. Whole table: `balance_bench`."""

from __future__ import annotations

import pytest

from tests.bench.balance_bench import SCENARIOS, coverage, linear_coverage

FEW = tuple(name for name in SCENARIOS if name.startswith("few"))
MANY = tuple(name for name in SCENARIOS if not name.startswith("few"))


def _error(runs: int) -> float:
    """One standard error of a coverage of 95 % (binomial)."""
    return (0.95 * 0.05 / runs) ** 0.5


@pytest.mark.parametrize("name", ["shared scale and tares", "two passes"])
def test_recoveries_lie_in_their_intervals_as_often_as_said(name):
    """300 runs; 95 % within four standard errors."""
    held = linear_coverage(SCENARIOS[name], 300)
    recoveries = [held[figure] for figure in held if figure.startswith("recovery")]
    assert recoveries == pytest.approx([0.95] * len(recoveries), abs=4 * _error(300))


@pytest.mark.parametrize("name", ["few counts, near 1 (3 in the tail)", "few counts, near 0 (2 in it)"])
def test_few_counts_are_covered_at_least_as_often_as_said(name):
    """200 runs; at least 94 % less three standard errors."""
    held = coverage(SCENARIOS[name], 200, draws=800)["draws"]
    assert held["recovery c"] >= 0.94 - 3 * _error(200)


@pytest.mark.full
@pytest.mark.timeout(1800)
@pytest.mark.parametrize("name", MANY)
def test_every_figure_is_covered_between_94_and_96_percent(name):
    held = coverage(SCENARIOS[name], 10_000)["auto"]
    assert all(0.94 <= part <= 0.96 for part in held.values()), held


@pytest.mark.full
@pytest.mark.timeout(1800)
@pytest.mark.parametrize("name", FEW)
def test_recoveries_near_0_and_1_are_covered_at_least_in_94_percent(name):
    held = coverage(SCENARIOS[name], 10_000)["auto"]
    assert all(part >= 0.94 for part in held.values()), held
