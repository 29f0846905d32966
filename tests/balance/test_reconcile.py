"""Reconciliation: what must hold of every balance, what can't be determined, what contradicts itself."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import optimize, stats

from logger.balance.derive import Derived, gradient
from logger.balance.network import Network, Node, connect
from logger.balance.reconcile import Contradiction, reconcile
from tests.balance.made import NETWORKS, measure, truth

NAMES = st.sampled_from(sorted(NETWORKS))
SEEDS = st.integers(0, 10_000)
ONE = NETWORKS["one"]


@given(NAMES, st.integers(1, 5), SEEDS, st.integers(0, 4), st.booleans())
def test_a_reconciled_balance_closes(name, components, seed, hidden, complete):
    true = truth(name, components, seed)
    y, v, measured = measure(true, seed, hide=hidden)
    found = reconcile(y, v, measured, true.network, components, complete=complete)
    assert found.closure < 1e-12


@given(NAMES, st.integers(1, 4), SEEDS)
def test_recoveries_sum_to_one(name, components, seed):
    true = truth(name, components, seed)
    y, v, measured = measure(true, seed, hide=2)
    found = reconcile(y, v, measured, true.network, components, complete=True)
    total = Derived(true.network, components).recoveries(found.x)[list(true.network.sinks)].sum(axis=0)
    assert total == pytest.approx(np.ones(components), abs=1e-12)


@given(NAMES, SEEDS, st.floats(1e-6, 1e6))
def test_scaling_all_masses_changes_nothing_but_the_masses(name, seed, factor):
    true = truth(name, 3, seed)
    y, v, measured = measure(true, seed, hide=2)
    unit = np.where(np.arange(len(true.x)) < len(true.network.streams), factor, 1.0)
    mine = unit[measured]
    plain = reconcile(y, v, measured, true.network, 3, complete=True)
    scaled = reconcile(y * mine, v * np.outer(mine, mine), measured, true.network, 3, complete=True)
    assert scaled.x / unit == pytest.approx(plain.x, rel=1e-8, abs=1e-10)
    assert scaled.statistic == pytest.approx(plain.statistic, rel=1e-7, abs=1e-9)
    assert np.array_equal(scaled.known, plain.known)


@given(SEEDS, st.floats(1e-4, 1e2))
def test_the_unit_of_grade_changes_nothing(seed, factor):
    """Percent, fractions or grams a tonne give the same balance."""
    true = truth("three", 2, seed)
    y, v, measured = measure(true, seed)
    unit = np.where(np.arange(len(true.x)) < len(true.network.streams), 1.0, factor)
    plain = reconcile(y, v, measured, true.network, 2, complete=False)
    other = reconcile(y * unit, v * np.outer(unit, unit), measured, true.network, 2, complete=False)
    assert other.x / unit == pytest.approx(plain.x, rel=1e-8, abs=1e-10)


@given(NAMES, SEEDS)
def test_a_stream_of_zero_mass_changes_nothing(name, seed):
    true = truth(name, 2, seed)
    y, v, measured = measure(true, seed, hide=1)
    net, s = true.network, len(true.network.streams)
    first = net.nodes[0]
    more = Network((*net.streams, "none"), (Node(first.name, first.ins, (*first.outs, s)), *net.nodes[1:]))
    plain = reconcile(y, v, measured, net, 2, complete=True)
    masses = int(measured[:s].sum())
    wide = np.insert(np.append(measured, [False, False]), s, True)
    put = np.insert(np.arange(len(y)), masses, -1)
    v_more = np.where(np.outer(put >= 0, put >= 0), v[np.ix_(put, put)], 0.0)
    found = reconcile(np.where(put >= 0, y[put], 0.0), v_more, wide, more, 2, complete=True)
    kept = np.delete(np.arange(len(found.x)), [s, len(found.x) - 2, len(found.x) - 1])
    assert found.x[kept] == pytest.approx(plain.x, rel=1e-9)
    assert found.statistic == pytest.approx(plain.statistic, rel=1e-8, abs=1e-10)
    assert list(found.known[[s, -2, -1]]) == [True, False, False]


@pytest.mark.parametrize("seed", range(4))
def test_it_is_the_least_squares_optimum(seed):
    """scipy's general optimiser (SLSQP) finds the same point."""
    true = truth("three", 2, seed)
    y, v, measured = measure(true, seed, relative=0.05)
    found = reconcile(y, v, measured, true.network, 2, complete=True)
    sd = np.sqrt(np.diag(v))

    def closes(t):
        x = t * sd
        m, g = x[:4], x[4:].reshape(4, 2)
        held = m[:, None] * g
        return np.concatenate([held[0] - held[1:].sum(axis=0), 100 * (g.sum(axis=1) - 1.0)])

    best = optimize.minimize(
        lambda t: float(((t - y / sd) ** 2).sum()),
        found.x / sd * 1.001,
        jac=lambda t: 2 * (t - y / sd),
        constraints={"type": "eq", "fun": closes},
        options={"ftol": 1e-14, "maxiter": 500},
    )
    assert found.statistic == pytest.approx(best.fun, rel=1e-4)
    assert found.x / sd == pytest.approx(best.x, rel=1e-3, abs=0.02)


def test_the_statistic_is_chi_square():
    """Over 400 balances with true figures: mean and spread of p are uniform's, within 4 standard errors."""
    true = truth("two passes", 2, 5)
    found = [
        reconcile(*measure(true, seed)[:2], np.ones(len(true.x), bool), true.network, 2, complete=True)
        for seed in range(400)
    ]
    assert stats.kstest([one.p for one in found], "uniform").pvalue > 1e-4
    assert found[0].p == pytest.approx(stats.chi2.sf(found[0].statistic, found[0].degrees), abs=1e-12)


@given(SEEDS)
def test_derivatives_are_those_of_figures_that_agree(seed):
    """∂x/∂y against differences, at measured figures that close already."""
    true = truth("three", 2, seed)
    y, v, measured = measure(true, seed, hide=1)
    y = true.x[measured]
    found = reconcile(y, v, measured, true.network, 2, complete=True)
    step = 1e-5 * y[0]
    moved = [
        reconcile(y + sign * step * np.eye(len(y))[0], v, measured, true.network, 2, complete=True).x
        for sign in (1.0, -1.0)
    ]
    slope = (moved[0] - moved[1]) / (2 * step)
    assert found.by_y[:, 0] == pytest.approx(slope, rel=1e-4, abs=1e-6 * np.abs(slope).max())


def test_grades_of_one_sample_that_sum_to_one_need_no_care():
    """A singular covariance: the sum's own variance is 0."""
    share = np.array([0.3, 0.7])
    tied = 0.01 * np.array([[0.21, -0.21], [-0.21, 0.21]])
    y = np.concatenate([[10.0, 4.2, 5.9], share, [0.5, 0.5], [0.2, 0.8]])
    v = np.zeros((9, 9))
    v[:3, :3] = np.diag([0.01, 0.01, 0.01])
    for s in range(3):
        v[3 + 2 * s : 5 + 2 * s, 3 + 2 * s : 5 + 2 * s] = tied
    found = reconcile(y, v, np.ones(9, bool), ONE, 2, complete=True)
    assert found.closure < 1e-12
    assert found.degrees == 2  # mass, and one component


def test_masses_without_uncertainty_stay_as_they_are():
    y = np.array([10.0, 4.0, 6.0, 0.30, 0.62, 0.11])
    v = np.diag([0.0, 0.0, 0.0, 1e-4, 1e-4, 1e-4])
    found = reconcile(y, v, np.ones(6, bool), ONE, 1, complete=False)
    assert np.array_equal(found.x[:3], y[:3])
    assert found.degrees == 1


def test_exact_figures_that_contradict_each_other_are_named():
    with pytest.raises(Contradiction, match=r"^the mass balance of run can't be closed"):
        reconcile(np.array([10.0, 4.0, 5.0]), np.zeros((3, 3)), np.ones(3, bool), ONE, 0, complete=False)


def test_exact_grades_that_do_not_sum_are_named():
    y, v = np.array([10.0, 4.0, 6.0, 0.5, 0.3]), np.diag([1.0, 1.0, 1.0, 0.0, 0.0])
    measured = np.array([True] * 3 + [False] * 4 + [True] * 2)
    with pytest.raises(Contradiction, match="the sum of the components of t"):
        reconcile(y, v, measured, ONE, 2, complete=True)


def test_a_grade_missing_in_several_streams_is_not_determinable():
    y, v = np.array([10.0, 4.0, 6.1, 0.3]), np.diag([0.1, 0.1, 0.1, 0.01]) ** 2
    found = reconcile(y, v, np.array([True] * 4 + [False] * 2), ONE, 1, complete=False)
    assert list(found.known) == [True] * 4 + [False] * 2
    assert found.degrees == 1


@given(NAMES, st.integers(1, 4), SEEDS, st.booleans())
def test_what_is_called_determined_is_the_truth(name, components, seed, complete):
    """True figures with many streams unmeasured: all that is called known comes out true."""
    true = truth(name, components, seed)
    random, streams = np.random.default_rng(seed), len(true.network.streams)
    measured = np.concatenate(
        [random.random(streams) > 0.3, np.repeat(random.random(streams) > 0.3, components)]
    )
    y = true.x[measured]
    found = reconcile(y, np.diag(0.01 * y) ** 2, measured, true.network, components, complete=complete)
    assert found.x[found.known] == pytest.approx(true.x[found.known], rel=1e-6, abs=1e-9)
    assert found.statistic < 1e-12


def test_a_part_without_any_mass_does_not_shrink_away():
    """All masses unknown: nothing weighing nothing would close as well, and would lose the yields."""
    true = truth("two passes", 3, 2)
    measured = np.arange(len(true.x)) >= 6
    y = true.x[measured]
    found = reconcile(y, np.diag(0.01 * y) ** 2, measured, true.network, 3, complete=True)
    derived = Derived(true.network, 3)
    assert derived.yields(found.x) == pytest.approx(derived.yields(true.x), rel=1e-6)
    assert not found.known[:6].any()


def test_equal_assays_leave_the_masses_open():
    """Two-product formula with c = t = f: any yield would do."""
    y, v = np.array([10.0, 0.3, 0.3, 0.3]), np.diag([0.1, 0.01, 0.01, 0.01]) ** 2
    found = reconcile(y, v, np.array([True, False, False, True, True, True]), ONE, 1, complete=False)
    assert list(found.known[:3]) == [True, False, False]


def test_without_any_mass_yields_are_determined_and_masses_are_not():
    y, v = np.array([0.1, 0.5, 0.02]), np.diag([0.01, 0.01, 0.01]) ** 2
    found = reconcile(y, v, np.array([False] * 3 + [True] * 3), ONE, 1, complete=False)
    derived = Derived(ONE, 1)
    by_yield = gradient(lambda x: derived.yields(x)[..., 1], found.x)
    by_mass = gradient(lambda x: derived.masses(x)[..., 1], found.x)
    assert (found.determined(by_yield), found.determined(by_mass)) == (True, False)


def test_a_solved_mass_below_zero_is_left_and_told():
    """A feed poorer than both products: impossible, but what the figures say."""
    y, v = np.array([10.0, 0.1, 0.5, 0.2]), np.diag([0.1, 0.01, 0.01, 0.01]) ** 2
    found = reconcile(y, v, np.array([True, False, False, True, True, True]), ONE, 1, complete=False)
    assert found.x[1] == pytest.approx(10 * (0.1 - 0.2) / (0.5 - 0.2))
    assert found.impossible == (1,)


@pytest.mark.parametrize(
    ("y", "v", "words"),
    [
        ([1.0, 2.0], np.eye(3), "have|has the shape|measured has"),
        ([1.0, 2.0, np.nan], np.eye(3), "not a finite number"),
        ([1.0, 2.0, 3.0], np.diag([1.0, 1.0, -1.0]), "no variance below 0"),
        ([1.0, 2.0, 3.0], np.eye(3) + 5.0 * (1.0 - np.eye(3)), "some combination of the figures"),
    ],
)
def test_arrays_that_make_no_sense_are_refused(y, v, words):
    with pytest.raises(ValueError, match=words):
        reconcile(np.array(y), v, np.ones(3, bool), ONE, 0, complete=False)


def test_trace_grades_are_as_good_as_rich_ones():
    """0.2 g/t in the feed: the two-product formula still comes out."""
    net = connect("fct", {"run": ("f", "ct")})
    y = np.array([100.0, 2e-7, 5e-5, 5e-8])
    v = np.diag(1e-3 * y) ** 2
    found = reconcile(y, v, np.array([True, False, False, True, True, True]), net, 1, complete=False)
    assert found.x[1] == pytest.approx(100 * (2e-7 - 5e-8) / (5e-5 - 5e-8), rel=1e-9)
