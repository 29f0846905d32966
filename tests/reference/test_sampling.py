"""Gy's formula, Wilson's interval and shares by mass, against published figures."""

from math import sqrt

import numpy as np
import pytest
from scipy import stats

from logger.balance.sampling import (
    Grains,
    effective,
    liberation,
    mineral_factor,
    sample_needed_kg,
    spread,
    wilson,
)


@pytest.mark.parametrize(("size_cm", "needed_kg"), [(2.5, 178.3), (0.5, 3.189), (0.1, 0.0570)])
def test_a_lead_ore_by_gys_formula(size_cm, needed_kg):
    """Wills, Mineral Processing Technology: 5 % Pb as galena (86.6 % Pb), densities 7.5 and 2.65 g/cm³,
    liberation at 0.015 cm, relative standard deviation 1 %. Inputs from memory (the book prints 177.5 kg for
    2.5 cm); results recomputed."""
    factor = mineral_factor(0.05 / 0.866, 7.5, 2.65)
    grains = Grains(size_cm / 100, liberation=liberation(0.015, size_cm))
    assert sample_needed_kg(grains, factor, 0.01) == pytest.approx(needed_kg, rel=1e-3)


def test_the_book_itself():
    """Wills prints 177.5 kg, with rounded factors (memory): within half a percent."""
    grains = Grains(0.025, liberation=liberation(0.015, 2.5))
    found = sample_needed_kg(grains, mineral_factor(0.05 / 0.866, 7.5, 2.65), 0.01)
    assert found == pytest.approx(177.5, rel=0.005)


@pytest.mark.parametrize(
    ("size_cm", "grams", "half_digit"),
    [(2.5, 1_369_632, 0.5), (0.5, 24_501, 0.5), (0.1, 438, 0.5), (0.004, 0.07, 0.005)],
)
def test_the_same_ore_in_four_stages(size_cm, grams, half_digit):
    """The case of Wills 1982 as a published spreadsheet of the book's modules has it (seen, recomputed).

    2 % relative error at 95 % confidence over four stages of equal variance, and twice the mass for safety.
    """
    factor = mineral_factor(0.05 / 0.866, 7.5, 2.65)
    grains = Grains(size_cm / 100, spread=spread(5), liberation=liberation(0.015, size_cm))
    needed_kg = 2 * sample_needed_kg(grains, factor, 0.02 / 1.96 / sqrt(4))
    assert 1000 * needed_kg == pytest.approx(grams, abs=half_digit)


@pytest.mark.parametrize(("ratio", "factor"), [(1, 1.0), (1.5, 0.75), (3, 0.5), (4.1, 0.25), (100, 0.25)])
def test_the_spread_of_sizes(ratio, factor):
    """Gy's granulometric factor by d95/d5 (seen in public course notes)."""
    assert spread(ratio) == factor


def test_a_smallest_grain_above_the_largest_is_refused():
    with pytest.raises(ValueError, match="must be at least 1"):
        spread(0.5)


def test_grains_finer_than_what_sets_free_are_liberated():
    """The liberation factor is capped at 1 (seen)."""
    assert liberation(0.015, 0.01) == 1.0


@pytest.mark.parametrize(
    ("found", "of", "low", "high"),
    [(81, 263, 0.2553, 0.3662), (15, 148, 0.0624, 0.1605), (0, 20, 0.0, 0.1611), (1, 29, 0.0061, 0.1718)],
)
def test_wilsons_interval(found, of, low, high):
    """Newcombe 1998, Statistics in Medicine 17, 857, table I, method 3 (memory; recomputed)."""
    assert wilson(found, of) == pytest.approx((low, high), abs=5e-5)


def test_a_share_by_mass_varies_by_one_and_cv_squared_over_n():
    """Relative variance (1 + CV²)/n (derived): 5,000 samples of 400 grains whose masses have CV 0.8."""
    random = np.random.default_rng(4)
    cv, n, p = 0.8, 400, 0.1
    shape = 1 / cv**2
    heavy = random.random((5_000, n)) < p
    masses = random.gamma(shape, 1 / shape, (5_000, n))
    shares = (masses * heavy).sum(axis=1) / masses.sum(axis=1)
    assert shares.std() == pytest.approx(sqrt(p * (1 - p) / effective(n, cv)), rel=0.04)


def test_wilsons_ends_solve_the_score_equation():
    """(p̂ - p)² = z²p(1-p)/n at both ends (Wilson 1927)."""
    z = stats.norm.ppf(0.975)
    for end in wilson(7, 40):
        assert (7 / 40 - end) ** 2 == pytest.approx(z**2 * end * (1 - end) / 40)
