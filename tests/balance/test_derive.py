"""Figures that follow from a balance: exact derivatives, and an outside oracle for their uncertainty."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from uncertainties import ufloat

from logger.balance.derive import Derived, gradient, gradients, two_products
from tests.balance.made import NETWORKS, truth

TRUE = truth("two passes", 2, 4)
DERIVED = Derived(TRUE.network, 2)
FIRST, AGAIN = TRUE.network.nodes
ALL = {
    "yields": DERIVED.yields,
    "recoveries": DERIVED.recoveries,
    "enrichment": DERIVED.enrichment,
    "efficiency": lambda x: DERIVED.efficiency(x, 0),
    "pass_yields": lambda x: DERIVED.pass_yields(x, AGAIN),
    "pass_recoveries": lambda x: DERIVED.pass_recoveries(x, AGAIN),
    "pass_efficiency": lambda x: DERIVED.pass_efficiency(x, FIRST, 1),
}


@pytest.mark.parametrize("name", sorted(ALL))
def test_derivatives_agree_with_differences(name):
    found, step = gradients(ALL[name], TRUE.x), 1e-6
    ends = TRUE.x + step * np.eye(len(TRUE.x)), TRUE.x - step * np.eye(len(TRUE.x))
    slopes = (ALL[name](ends[0]) - ALL[name](ends[1])) / (2 * step)
    assert found == pytest.approx(np.moveaxis(slopes, 0, -1), rel=1e-6, abs=1e-8)


def test_overall_recovery_is_the_product_over_passes():
    """Into the middling, and from it into the second pass's concentrate."""
    overall = DERIVED.recoveries(TRUE.x)[4]
    into, out = DERIVED.pass_recoveries(TRUE.x, FIRST)[1], DERIVED.pass_recoveries(TRUE.x, AGAIN)[0]
    assert overall == pytest.approx(into * out, rel=1e-12)


def test_efficiency_of_a_stream_like_the_feed_is_none():
    """A mere division of the feed separates nothing: Schulz's efficiency is 0."""
    net = NETWORKS["one"]
    x = np.array([10.0, 4.0, 6.0, 0.3, 0.3, 0.3])
    assert Derived(net, 1).efficiency(x, 0)[1:] == pytest.approx([0.0, 0.0], abs=1e-15)


def test_a_component_that_is_nowhere_has_no_recovery():
    x = np.array([10.0, 4.0, 6.0, 0.0, 0.0, 0.0])
    assert np.isnan(Derived(NETWORKS["one"], 1).recoveries(x)).all()


def test_uncertainty_of_the_two_product_formula_is_that_of_an_outside_oracle():
    """The package `uncertainties`, by its own differentiation."""
    u = (0.0004, 0.003, 0.0002)
    f, c, t = (ufloat(v, s) for v, s in zip((0.01, 0.1, 0.002), u, strict=True))
    share = (f - t) / (c - t)
    found = two_products(0.01, 0.1, 0.002, u)
    assert found.u_share == pytest.approx(share.std_dev, rel=1e-9)
    assert found.u_recovery == pytest.approx((c * share / f).std_dev, rel=1e-9)


def test_uncertainty_of_a_recovery_is_that_of_an_outside_oracle():
    masses, grades = [ufloat(4.0, 0.03), ufloat(6.0, 0.05)], [ufloat(0.8, 0.02), ufloat(0.1, 0.01)]
    held = [m * g for m, g in zip(masses, grades, strict=True)]
    expected = held[0] / (held[0] + held[1])
    x = np.array([10.0, 4.0, 6.0, 0.38, 0.8, 0.1])
    slope = gradient(lambda z: Derived(NETWORKS["one"], 1).recoveries(z)[..., 1, 0], x)
    u = np.array([0.0, 0.03, 0.05, 0.0, 0.02, 0.01])
    assert np.linalg.norm(slope * u) == pytest.approx(expected.std_dev, rel=1e-9)


def test_its_error_grows_without_bound_as_the_products_become_alike():
    spread = [
        two_products(0.01, 0.01 + d, 0.01 - d, (1e-4, 1e-4, 1e-4)).u_share for d in (1e-2, 1e-3, 1e-4, 1e-5)
    ]
    assert all(b > 9 * a for a, b in pairwise(spread))


@pytest.mark.parametrize(
    ("grades", "words"),
    [((0.1, 0.2, 0.2), "tells nothing of the yield"), ((0.0, 0.2, 0.1), "nothing to recover")],
)
def test_the_two_product_formula_refuses_what_it_can_not_tell(grades, words):
    with pytest.raises(ValueError, match=words):
        two_products(*grades)
