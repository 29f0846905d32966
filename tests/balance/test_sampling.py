"""How large a sample must be: helpers that the published examples do not cover."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from logger.balance.sampling import (
    Grains,
    effective,
    more_needed,
    pieces_needed,
    relative_variance,
    sample_needed_kg,
    wilson,
)

GRAINS = Grains(0.002)


@given(st.floats(1e-3, 0.2), st.floats(0.1, 50), st.floats(1.0, 1e4))
def test_the_mass_needed_gives_the_error_asked_for(sd, factor, lot):
    mass = sample_needed_kg(GRAINS, factor, sd, lot)
    assert relative_variance(GRAINS, factor, mass, lot) == pytest.approx(sd**2, rel=1e-6)


def test_the_whole_lot_has_no_error_of_sampling():
    assert relative_variance(GRAINS, 10.0, 5.0, 5.0) == 0.0


@given(st.integers(0, 50), st.integers(1, 50))
def test_wilson_agrees_with_scipy(found, more):
    low, high = wilson(found, found + more)
    oracle = stats.binomtest(found, found + more).proportion_ci(method="wilson")
    assert (low, high) == pytest.approx((oracle.low, oracle.high), abs=1e-12)


def test_pieces_of_uneven_mass_count_for_less():
    assert effective(400, 1.0) == 200
    assert wilson(0.3 * 200, 200) == pytest.approx(stats.binomtest(60, 200).proportion_ci(method="wilson"))


def test_as_many_pieces_as_said_put_the_limit_on_wilsons_one_sided_bound():
    n = pieces_needed(0.97, 0.95)
    low, _ = wilson(0.97 * n, n, level=0.90)
    assert low == pytest.approx(0.95, abs=1e-9)


def test_uneven_pieces_need_more_and_the_limit_itself_is_never_decided():
    assert pieces_needed(0.97, 0.95, cv=1.0) == pytest.approx(2 * pieces_needed(0.97, 0.95))
    assert pieces_needed(0.95, 0.95) == np.inf


def test_more_sample_settles_it_where_sampling_is_what_is_uncertain():
    """0.97 ± 0.02 (sampling) ± 0.005 against 0.95: allowed is 0.02/1.645 = 0.01216."""
    found = more_needed(0.97, 0.02, 0.005, 0.95)
    allowed = 0.02 / stats.norm.ppf(0.95)
    assert found.times == pytest.approx(0.02**2 / (allowed**2 - 0.005**2))
    assert "3.3 times the sample" in found.says


def test_no_sample_settles_what_the_rest_leaves_open():
    found = more_needed(0.97, 0.001, 0.05, 0.95)
    assert (found.times, found.settled) == (np.inf, False)


def test_what_is_settled_needs_no_more():
    assert more_needed(0.99, 0.01, 0.001, 0.95).settled


def test_a_figure_on_the_limit_is_never_settled():
    assert more_needed(0.95, 0.01, 0.0, 0.95).times == np.inf


@pytest.mark.parametrize(
    "call",
    [
        lambda: Grains(0.0),
        lambda: Grains(0.01, shape=0.0),
        lambda: relative_variance(GRAINS, 1.0, 2.0, 1.0),
        lambda: relative_variance(GRAINS, 1.0, 0.0),
        lambda: sample_needed_kg(GRAINS, 1.0, 0.0),
        lambda: wilson(3, 2),
        lambda: wilson(0, 0),
        lambda: wilson(1, 2, level=1.0),
        lambda: effective(0, 1.0),
        lambda: pieces_needed(1.2, 0.5),
        lambda: more_needed(float("nan"), 0.1, 0.1, 0.5),
        lambda: more_needed(0.5, -0.1, 0.1, 0.5),
    ],
)
def test_what_makes_no_sense_is_refused_with_what_was_expected(call):
    with pytest.raises(ValueError, match="must"):
        call()
