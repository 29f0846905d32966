"""The joint of a balance: correlations are in what is told, what is not known is not told."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from uncertainties import ufloat

from logger.balance.inputs import Input
from logger.balance.joint import Joint
from tests.balance.joints import lot

IN_CONCENTRATE = ("grade", "concentrate", "bronze")


def test_what_depends_on_one_source_twice_is_correlated():
    """Bronze and sand sum to one without uncertainty; their difference has twice that of one of them."""
    joint = lot(u_grade=0.01)
    bronze, sand = (joint.get("grade", "concentrate", c) for c in ("bronze", "sand"))
    assert joint.tell(lambda x: bronze(x) + sand(x)).u == pytest.approx(0.0, abs=1e-15)
    assert joint.tell(lambda x: bronze(x) - sand(x)).u == pytest.approx(0.02)


def test_a_ratio_is_told_as_uncertainties_does():
    joint = lot()
    mass, feed = joint.get("mass", "concentrate"), joint.get("mass", "feed")
    found, expected = joint.tell(lambda x: mass(x) / feed(x)), ufloat(20.0, 0.1) / ufloat(100.0, 0.1)
    assert (found.value, found.u) == pytest.approx((expected.n, expected.s))


def test_what_rests_on_an_unknown_variable_is_not_told():
    joint = lot()
    known = joint.known.copy()
    known[joint.keys.index(IN_CONCENTRATE)] = False
    joint = replace(joint, known=known)
    assert joint.tell(joint.get(*IN_CONCENTRATE)) is None
    assert joint.tell(joint.get("mass", "concentrate")).value == 20.0


def test_what_makes_no_sense_is_not_told():
    joint = lot()
    mass = joint.get("mass", "concentrate")
    assert joint.tell(lambda x: mass(x) / (mass(x) - 20.0)) is None


@pytest.mark.parametrize("u", [0.0, 0.02])
def test_what_rests_on_an_estimate_is_one_even_without_an_uncertainty(u):
    joint = lot().plus({("guess",): Input("guess", 0.5, u, estimated=True)})
    guess, mass = joint.get("guess"), joint.get("mass", "concentrate")
    assert joint.tell(lambda x: guess(x) * mass(x)).estimated is True
    assert joint.tell(mass).estimated is False


def test_draws_without_a_solution_are_left_out():
    joint = lot(draws=1000)
    drawn = joint.drawn.copy()
    drawn[:10] = np.nan
    told = replace(joint, drawn=drawn).tell(joint.get("mass", "concentrate"))
    assert len(told.drawn) == 990
    assert told.u == pytest.approx(0.1, rel=0.1)


def test_what_is_added_is_drawn_too():
    joint = lot(draws=20_000).plus({("more",): Input("more", 2.0, 0.5)})
    assert joint.tell(joint.get("more")).u == pytest.approx(0.5, rel=0.03)


def test_shapes_that_do_not_fit_are_refused():
    with pytest.raises(ValueError, match="don't have the shapes"):
        Joint((("mass", "a"),), np.ones(2), np.ones((1, 1)), (Input("a", 1.0, 0.1),), np.ones(1, dtype=bool))
