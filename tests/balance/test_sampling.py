"""How large a sample must be: helpers that the published examples do not cover."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from logger.balance.sampling import (
    Grains,
    effective,
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
    ],
)
def test_what_makes_no_sense_is_refused_with_what_was_expected(call):
    with pytest.raises(ValueError, match="must"):
        call()
