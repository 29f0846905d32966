"""Few counts: a single one gets its exact interval; many counts keep theirs; no end leaves what was seen."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from logger.balance.few import FEW, corners, widened
from logger.balance.inputs import Input, Inputs


def _counts(*counts: int) -> Inputs:
    inputs = Inputs()
    for k, count in enumerate(counts):
        inputs.add(Input.counted(f"count {k}", count, 1.0))
    return inputs


@pytest.mark.parametrize("count", [0, 1, 2, 7, 30])
def test_one_count_by_itself_gets_the_exact_interval(count):
    """Garwood's 95 % interval of a Poisson mean, by scipy: 0 -> 0 to 3.69, 1 -> 0.025 to 5.57."""
    inputs = _counts(count)
    low, high = stats.gamma.ppf([0.025, 0.975], count + 0.5)
    drawn = stats.gamma.rvs(count + 0.5, size=200_000, random_state=1)
    found = widened(count, low, high, drawn, corners(inputs)[:, 0])
    exact = (
        0.5 * stats.chi2.ppf(0.025, 2 * count) if count else 0.0,
        0.5 * stats.chi2.ppf(0.975, 2 * count + 2),
    )
    assert found == pytest.approx(exact, abs=1e-6)


def test_many_counts_have_no_corners():
    assert corners(_counts(FEW + 1, 500)).shape == (0, 2)


def test_only_the_few_counts_have_corners_and_the_rest_stays():
    found = corners(_counts(500, 2))
    assert found.shape == (4, 2)
    assert np.array_equal(found[:, 0], [500.0] * 4)
    assert found[:, 1] == pytest.approx(stats.gamma.ppf([0.025, 0.975, 0.025, 0.975], [2.5, 2.5, 2, 3]))


def test_a_share_does_not_leave_its_range():
    """Both ends of a share of two few counts stay between 0 and 1."""
    inputs = _counts(1, 1)
    drawn = inputs.draw(10_000)
    share = drawn[:, 0] / drawn.sum(axis=1)
    ends = corners(inputs)
    low, high = widened(0.5, *np.quantile(share, [0.025, 0.975]), share, ends[:, 0] / ends.sum(axis=1))
    assert 0.0 <= low < 0.05
    assert 0.95 < high <= 1.0
