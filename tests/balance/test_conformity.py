"""The rule of decision: its tails, its order, and how much more sample would settle it."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from logger.balance.conformity import Sample, Verdict, at_least, at_most, cut_interval, settle, verdict

SHARES = st.floats(0.0, 1.0)
SPREADS = st.floats(1e-6, 0.5)
ORDER = [Verdict.FAILS, Verdict.OPEN, Verdict.MEETS]


@given(SHARES, SHARES, SPREADS, st.floats(0.0, 1.0))
def test_a_better_value_never_gets_a_worse_verdict(a, b, u, limit):
    low, high = sorted((a, b))
    found = [ORDER.index(verdict(at_least(value, u, limit))) for value in (low, high)]
    assert found == sorted(found)


@given(SHARES, st.floats(0.0, 1.0), SPREADS, SPREADS)
def test_a_smaller_uncertainty_never_turns_the_verdict_round(value, limit, u, other):
    """From meets to fails only a value on the other side of the limit leads."""
    found = {verdict(at_least(value, one, limit)) for one in (u, other, 0.0)}
    assert not {Verdict.MEETS, Verdict.FAILS} <= found


@given(SHARES, SPREADS, st.floats(0.0, 1.0))
def test_at_most_mirrors_at_least(value, u, limit):
    assert at_most(value, u, limit) == pytest.approx(at_least(1 - value, u, 1 - limit), abs=1e-12)


@pytest.mark.parametrize(
    "share", [(0.995, 0.01, 0.97), (0.01, 0.01, 0.002), (0.5, 0.3, 0.4), (0.99, 0.02, 0.95)]
)
def test_near_the_ends_the_more_doubtful_of_two_distributions_counts(share):
    """scipy.stats.norm and truncnorm as oracles."""
    value, u, limit = share
    plain = stats.norm.sf(limit, value, u)
    cut = stats.truncnorm.sf(limit, -value / u, (1 - value) / u, value, u)
    assert at_least(value, u, limit) == pytest.approx(min(plain, cut, key=lambda p: abs(p - 0.5)), abs=1e-9)


@pytest.mark.parametrize(
    ("value", "u"), [(0.5, 0.1), (0.995, 0.01), (0.0, 0.02), (-0.01, 0.02), (0.97, 1e-4)]
)
def test_the_interval_of_a_share_is_cut_at_0_and_1(value, u):
    expected = stats.truncnorm.ppf([0.025, 0.975], -value / u, (1 - value) / u, value, u)
    assert cut_interval(value, u) == pytest.approx(tuple(expected), abs=1e-8)


def test_by_draws_the_probability_is_their_share():
    assert at_least(0.5, 0.1, 0.45, np.array([0.4, 0.45, 0.5, 0.6])) == 0.75


@pytest.mark.parametrize(
    ("value", "u", "limit"), [(0.95, 0.02, 0.92), (0.9, 0.02, 0.92), (0.5, 0.05, 0.55), (0.6, 0.2, 0.55)]
)
def test_the_sample_that_is_named_settles_it_and_a_hundredth_less_does_not(value, u, limit):
    found = settle(value, u, u, limit, minimum=True, sample=Sample(100.0, "pieces"))
    assert found.amount is not None
    decided = [
        verdict(at_least(value, u * (100.0 / amount) ** 0.5, limit)) is not Verdict.OPEN
        for amount in (1.0001 * found.amount, 0.99 * found.amount)
    ]
    assert decided == [True, False]


def test_a_sample_four_times_as_large_halves_the_uncertainty():
    """u 0.02 at 0.02 below needs 1.645 u' = 0.02: (0.02/0.01216)² = 2.706 times the sample."""
    found = settle(0.70, 0.02, 0.02, 0.72, minimum=True, sample=Sample(200.0, "pieces"))
    assert found.amount == pytest.approx(200 * 1.6448536**2, rel=1e-4)
    assert "542 counted pieces" in found.says


@pytest.mark.parametrize("u_sample", [0.02, 0.0])
def test_no_sample_settles_what_lies_on_the_limit(u_sample):
    found = settle(0.7, 0.02, u_sample, 0.7, minimum=True, sample=Sample(200.0, "pieces"))
    assert (found.amount, found.says) == (None, "no sample can settle it: the value lies on the limit")


def test_no_sample_helps_where_something_else_is_uncertain():
    found = settle(0.71, 0.0206, 0.005, 0.7, minimum=True, sample=Sample(3.0, "assays"))
    assert found.amount is None
    assert "other sources than the sample" in found.says
