"""Which figure is likely wrong: named where it can be told, and said where it can't."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from logger.balance.network import connect
from logger.balance.reconcile import reconcile
from logger.balance.suspects import Given, examine, grouped, limit
from tests.balance.made import NETWORKS, measure, truth


def _examined(y, v, measured, network, components, complete=True):
    given = Given(y, v, measured, network, tuple(components), complete)
    return examine(reconcile(y, v, measured, network, len(components), complete=complete), given)


def _right(name):
    """True figures, masses good to 1 % and grades to 0.1 %."""
    true = truth(name, 2, 3)
    part = np.where(np.arange(len(true.x)) < len(true.network.streams), 0.01, 0.001)
    return true, true.x.copy(), np.diag(np.square(part * true.x)), np.ones(len(true.x), bool)


def _wrong(name, *at, by=25.0):
    """True figures but for some, which are off by so many standard deviations."""
    true, y, v, measured = _right(name)
    y[list(at)] += by * np.sqrt(np.diag(v))[list(at)]
    return _examined(y, v, measured, true.network, true.names)


@pytest.mark.parametrize("at", range(6))
def test_a_mass_that_is_far_off_is_named_among_two_passes(at):
    found = _wrong("two passes", at)
    assert found.named == (f"dry mass of {'fcmtde'[at]}",)
    assert not found.passed
    assert found.says.endswith("that one is likely wrong.")


def test_one_equation_can_not_tell_which():
    """Rao & Narasimhan's splitter: all |z| are 3.58."""
    net = connect("123", {"split": ("1", "23")})
    v = np.diag(np.square([0.2766, 0.1449, 0.0966]))
    found = _examined(np.array([9.22, 4.83, 3.22]), v, np.ones(3, bool), net, (), complete=False)
    assert found.named == ("dry mass of 1", "dry mass of 2", "dry mass of 3")
    assert "one equation can't tell which: dry mass of 1, dry mass of 2 or dry mass of 3" in found.says
    assert all(one.suspicious for one in found.suspects)


def test_figures_that_would_settle_it_equally_well_are_all_named():
    """Grades that say little leave it open which of two masses of a pass is the wrong one."""
    true = truth("two passes", 2, 3)
    y, v, measured = measure(true, 1)
    y = true.x.copy()
    y[5] += 25.0 * np.sqrt(v[5, 5])
    found = _examined(y, v, measured, true.network, true.names)
    assert found.named == ("dry mass of e", "dry mass of d")
    assert "it can't be told which: dry mass of e or dry mass of d." in found.says


@pytest.mark.parametrize("at", [6, 8, 16])
def test_an_assay_that_is_far_off_is_named(at):
    stream, component = divmod(at - 6, 2)
    assert _wrong("two passes", at).named == (f"c{component} in {'fcmtde'[stream]}",)


def test_figures_that_agree_are_left_alone():
    found = _wrong("two passes", 0, by=0.0)
    assert (found.passed, found.named) == (True, ())
    assert found.says.startswith("The figures agree (chi-square 0.0, ")


def test_two_wrong_figures_are_not_blamed_on_one():
    found = _wrong("two passes", 0, 5)
    assert found.named == ()
    assert "more than one is wrong" in found.says


def test_nothing_is_tested_where_nothing_is_checked():
    measured = np.array([False, True, True])
    assert _examined(np.array([1.0, 2.0]), np.eye(2), measured, NETWORKS["one"], ()) is None


def test_an_exact_figure_can_be_the_wrong_one():
    """The feed's mass was said to be exact and isn't; nothing may adjust it, but it is looked at."""
    true, y, v, measured = _right("two passes")
    y[0] *= 1.5
    v[0] = v[:, 0] = 0.0
    assert _examined(y, v, measured, true.network, true.names).named == ("dry mass of f",)


def test_grades_of_one_sample_are_left_out_together():
    v = np.eye(9)
    v[3:5, 3:5] = [[1.0, -1.0], [-1.0, 1.0]]
    given = Given(np.ones(9), v, np.ones(9, bool), NETWORKS["one"], ("a", "b"), True)
    assert [name for name, _ in grouped(given)] == [
        *(f"dry mass of {s}" for s in "fct"),
        "the composition of f",
        *(f"{c} in {s}" for s in "ct" for c in "ab"),
    ]


def test_the_limit_is_sidaks():
    """Two-sided 5 % over 1 and over 10 figures; scipy as oracle, 1.96 for one."""
    assert limit(1) == pytest.approx(1.959964, abs=1e-6)
    assert limit(10) == pytest.approx(stats.norm.isf(0.5 * (1 - 0.95**0.1)), rel=1e-9)


def test_right_figures_are_rarely_called_suspicious():
    """Over 300 sound balances at 5 %: the global test fails in 5 %, within 3 standard errors (binomial)."""
    true = truth("three", 2, 5)
    failed = sum(not _examined(*measure(true, seed), true.network, true.names).passed for seed in range(300))
    assert abs(failed - 15) <= 3 * np.sqrt(300 * 0.05 * 0.95)
