"""Yields, recoveries and separation against published figures.

Wills, Mineral Processing Technology (two-product formula; lead-zinc by two assays; tin by Schulz's separation
efficiency, Schulz 1970). Where a figure's inputs are from memory, it says so.
"""

from __future__ import annotations

import numpy as np
import pytest

from logger.balance.derive import Derived, schulz, two_products
from logger.balance.network import connect
from logger.balance.reconcile import reconcile

SPLIT = connect(["feed", "concentrate", "tail"], {"run": (["feed"], ["concentrate", "tail"])})


def test_two_product_formula():
    """f 1.0, c 10.0, t 0.2 %: yield .0816327, recovery .816327, concentration 12.25, enrichment 10."""
    found = two_products(0.010, 0.100, 0.002)
    assert found.share == pytest.approx(0.0816327, abs=5e-8)
    assert found.recovery == pytest.approx(0.816327, abs=5e-7)
    assert found.concentration == pytest.approx(12.25, rel=1e-12)
    assert found.enrichment == pytest.approx(10.0, rel=1e-12)


def test_the_balance_gives_the_two_product_formula_from_assays_alone():
    """The same figures by the network, with no mass known at all: yields are determined, masses aren't."""
    measured = np.array([False] * 3 + [True] * 3)
    found = reconcile(np.array([0.010, 0.100, 0.002]), np.zeros((3, 3)), measured, SPLIT, 1, complete=False)
    derived = Derived(SPLIT, 1)
    assert derived.yields(found.x)[1] == pytest.approx(0.0816327, abs=5e-8)
    assert derived.recoveries(found.x)[1, 0] == pytest.approx(0.816327, abs=5e-7)
    assert list(found.known) == [False] * 3 + [True] * 3


def test_metal_in_a_concentrate():
    """100 t/h at 1 %, 4.5 t/h of concentrate at 20 %: 0.9 t/h of metal, recovery 90 %."""
    measured = np.array([True, True, False, True, True, False])
    found = reconcile(
        np.array([100.0, 4.5, 0.01, 0.20]), np.zeros((4, 4)), measured, SPLIT, 1, complete=False
    )
    derived = Derived(SPLIT, 1)
    assert derived.amounts(found.x)[1, 0] == pytest.approx(0.9, rel=1e-12)
    assert derived.recoveries(found.x)[1, 0] == pytest.approx(0.90, rel=1e-12)


def test_three_products_by_two_assays():
    """Lead-zinc: feed 3/6 %, products 50/8, 2/55, .2/.5 -> yields 5.28401, 9.36459, 85.3514 %."""
    net = connect("flzt", {"run": ("f", "lzt")})
    assays = [0.03, 0.06, 0.50, 0.08, 0.02, 0.55, 0.002, 0.005]
    measured = np.array([True] + [False] * 3 + [True] * 8)
    found = reconcile(np.array([1.0, *assays]), np.zeros((9, 9)), measured, net, 2, complete=False)
    derived = Derived(net, 2)
    assert derived.yields(found.x)[1:] == pytest.approx([0.0528401, 0.0936459, 0.853514], rel=2e-6)
    assert derived.recoveries(found.x)[1, 0] == pytest.approx(0.880668, rel=1e-6)
    assert derived.recoveries(found.x)[2, 1] == pytest.approx(0.85842, rel=1e-5)


@pytest.mark.parametrize(
    ("grade", "recovery", "efficiency"), [(0.63, 0.62, 0.618), (0.42, 0.72, 0.712), (0.21, 0.78, 0.752)]
)
def test_tin_concentrates_by_their_separation_efficiency(grade, recovery, efficiency):
    """Feed 1 % Sn, cassiterite 78.6 % Sn (inputs from memory): 61.8, 71.2, 75.2 %."""
    held = np.array(recovery * 0.01)
    found = schulz(held, held / grade, np.array(0.01), np.array(1.0), pure=0.786)
    assert float(found) == pytest.approx(efficiency, abs=5e-4)


def test_weighed_outlets():
    """yield m/Σm, recovery m·g/Σ m·g, head Σ m·g/Σ m, where only the products are known."""
    masses, grades = np.array([2.0, 3.0]), np.array([0.8, 0.1])
    measured = np.array([False, True, True, False, True, True])
    found = reconcile(
        np.concatenate([masses, grades]), np.diag([0.1, 0.1, 0.01, 0.01]), measured, SPLIT, 1, complete=False
    )
    derived = Derived(SPLIT, 1)
    assert derived.yields(found.x)[1:] == pytest.approx([0.4, 0.6], rel=1e-14)
    assert derived.recoveries(found.x)[1:, 0] == pytest.approx([1.6 / 1.9, 0.3 / 1.9], rel=1e-14)
    assert derived.head(found.x)[0] == pytest.approx(1.9 / 5.0, rel=1e-14)
