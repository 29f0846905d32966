"""The gamma distribution against a printed table and an independent program."""

from __future__ import annotations

from random import Random

import pytest
from scipy import special, stats

from logger.core.gamma import below, quantile, rate_interval


@pytest.mark.parametrize("shape", [0.5, 1.0, 2.5, 12.0, 180.5])
def test_the_incomplete_gamma_function_agrees_with_another_program(shape: float) -> None:
    for part in (0.01, 0.3, 1.0, 1.7, 4.0):
        x = part * shape
        assert below(shape, x) == pytest.approx(float(special.gammainc(shape, x)), rel=1e-9, abs=1e-12)


@pytest.mark.parametrize(
    ("degrees", "part", "printed"), [(1, 0.95, 3.841), (10, 0.975, 20.483), (10, 0.025, 3.247)]
)
def test_quantiles_agree_with_the_printed_chi_square_table(degrees: int, part: float, printed: float) -> None:
    """Chi-square with n degrees is twice a gamma variable of shape n/2 (NIST/SEMATECH handbook 1.3.6.7.4)."""
    assert 2.0 * quantile(degrees / 2.0, part) == pytest.approx(printed, abs=6e-4)


def test_the_interval_of_a_count_is_that_of_jeffreys() -> None:
    """Five in two hours; the posterior is Gamma(5.5, 2 h)."""
    assert rate_interval(5, 2.0) == pytest.approx(tuple(stats.gamma(5.5, scale=0.5).ppf([0.025, 0.975])))
    assert rate_interval(0, 2.0)[0] == 0.0


def test_the_interval_of_a_rate_holds_the_truth_as_often_as_it_says() -> None:
    """Poisson counts of many rates; Jeffreys' interval holds 95 % on average over rates (2000 draws: +-1)."""
    dice = Random(5)
    held = 0
    for _ in range(2000):
        rate = dice.uniform(1.0, 12.0)
        count, waited = 0, dice.expovariate(rate)
        while waited < 1.0:
            count, waited = count + 1, waited + dice.expovariate(rate)
        low, high = rate_interval(count, 1.0)
        held += low <= rate <= high
    assert 0.935 <= held / 2000 <= 0.965


@pytest.mark.parametrize(
    "wrong", [lambda: below(0.0, 1.0), lambda: quantile(1.0, 1.0), lambda: rate_interval(1, 0.0)]
)
def test_what_makes_no_sense_is_refused(wrong) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(ValueError, match=r"must lie|needs a time"):
        wrong()
