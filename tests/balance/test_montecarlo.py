"""Draws are reconciled as single balances are; memory is bounded."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from logger.balance.inputs import Input, Inputs, covariance, evaluate
from logger.balance.montecarlo import draw, enough, reconcile_draws
from logger.balance.reconcile import reconcile
from logger.balance.result import Estimate, How
from logger.balance.suspects import Given
from tests.balance.made import NETWORKS, measure, truth


@pytest.mark.parametrize("name", sorted(NETWORKS))
@pytest.mark.parametrize("complete", [True, False])
def test_each_draw_comes_out_as_if_reconciled_by_itself(name, complete):
    true = truth(name, 3, 7)
    y, v, measured = measure(true, 7, hide=3)
    draws = y + np.random.default_rng(1).standard_normal((30, len(y))) * np.sqrt(np.diag(v))
    found = reconcile_draws(draws, y, v, measured, true.network, components=3, complete=complete)
    one_by_one = [reconcile(d, v, measured, true.network, 3, complete=complete) for d in draws]
    known = one_by_one[0].known
    assert found[:, known] == pytest.approx(
        np.array([one.x[known] for one in one_by_one]), rel=1e-6, abs=1e-8
    )


def test_spread_of_the_draws_is_the_linear_one_where_errors_are_small():
    true = truth("two passes", 3, 7)
    y, v, measured = measure(true, 7, relative=0.002, hide=2)
    draws = y + np.random.default_rng(1).standard_normal((20_000, len(y))) * np.sqrt(np.diag(v))
    found = reconcile_draws(draws, y, v, measured, true.network, components=3, complete=True)
    linear = np.sqrt(np.diag(reconcile(y, v, measured, true.network, 3, complete=True).cov))
    assert found.std(axis=0) == pytest.approx(linear, rel=0.03)


def test_linear_is_good_enough_where_both_intervals_agree():
    linear = Estimate(0.5, 0.1, 0.304, 0.696, How.CALCULATED)
    assert enough(linear, replace(linear, low=0.310, high=0.700)) is None


def test_a_lopsided_interval_is_a_reason():
    linear = Estimate(0.95, 0.04, 0.872, 1.028, How.CALCULATED)
    reason = enough(linear, replace(linear, low=0.84, high=0.99))
    assert reason == "lies between 84 and 99 % by its draws, where linear propagation would say 87.2 to 103 %"


def _counted(pieces):
    """Masses of feed and two products, and pieces of two components counted in each: inputs, terms."""
    inputs = Inputs()
    terms = [inputs.add(Input(f"mass {s}", m, 0.005 * m)) for s, m in enumerate((100.0, 20.0, 80.5))]
    for s, counts in enumerate(pieces):
        found = [inputs.add(Input.counted(f"{s}.{k}", n, 1.0)) for k, n in enumerate(counts)]
        terms += [lambda z, one=one, all_=tuple(found): one(z) / sum(o(z) for o in all_) for one in found]
    return inputs, terms


def test_draws_of_counts_that_sum_to_one_by_themselves():
    """A singular covariance, reconciled with the feed: as singly, and every draw closes."""
    inputs, terms = _counted([(40, 160), (150, 50), (10, 190)])
    y, v = evaluate(terms, inputs.values), covariance(terms, inputs)
    given = Given(y, v, np.ones(9, bool), NETWORKS["one"], ("a", "b"), True)
    drawn = draw(inputs, terms, given, 40, seed=2)
    singly = [
        reconcile(one, v, given.measured, given.network, 2, complete=True).x
        for one in evaluate(terms, drawn.z)
    ]
    assert drawn.x == pytest.approx(np.array(singly), rel=1e-6)
    assert drawn.x[:, 3::2] + drawn.x[:, 4::2] == pytest.approx(np.ones((40, 3)), abs=1e-12)
    assert drawn.corners_x is not None
    assert drawn.corners_x.shape == (4, 9)


def test_a_count_of_none_is_no_trouble():
    inputs, terms = _counted([(40, 160), (150, 50), (0, 200)])
    y, v = evaluate(terms, inputs.values), covariance(terms, inputs)
    given = Given(y, v, np.ones(9, bool), NETWORKS["one"], ("a", "b"), True)
    drawn = draw(inputs, terms, given, 2000, seed=2)
    assert np.isfinite(drawn.x).all()
    assert np.isfinite(drawn.corners_x).all()


def test_the_same_seed_gives_the_same_draws():
    inputs, terms = _counted([(40, 160), (150, 50), (10, 190)])
    y, v = evaluate(terms, inputs.values), covariance(terms, inputs)
    given = Given(y, v, np.ones(9, bool), NETWORKS["one"], ("a", "b"), True)
    assert np.array_equal(draw(inputs, terms, given, 50, 3).x, draw(inputs, terms, given, 50, 3).x)


def test_a_draw_that_runs_away_is_given_up_without_a_warning():
    """Warnings are errors here; the other draws come out as ever."""
    true = truth("two passes", 3, 7)
    y, v, measured = measure(true, 7, hide=3)
    draws = np.stack([y, y * np.where(np.arange(len(y)) % 2, 1e155, -1e155)])
    found = reconcile_draws(draws, y, v, measured, true.network, components=3, complete=True)
    assert np.isfinite(found[0]).all()
