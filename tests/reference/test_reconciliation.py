"""Reconciliation against published, worked examples; linear, so the printed figures must come out."""

from __future__ import annotations

import numpy as np
import pytest

from logger.balance.network import connect
from logger.balance.reconcile import reconcile


def _masses(net, y, variance):
    return reconcile(
        np.array(y), np.diag(np.array(variance)), np.ones(len(y), dtype=bool), net, 0, complete=False
    )


def test_exchanger_with_bypass():
    """Narasimhan & Jordache, Data Reconciliation and Gross Error Detection (2000); statistic recomputed."""
    net = connect("123456", {"split": ("1", "23"), "hot": ("2", "4"), "by": ("3", "5"), "mix": ("45", "6")})
    found = _masses(net, [101.91, 64.45, 34.65, 64.20, 36.44, 98.88], [1.0] * 6)
    assert found.x == pytest.approx([100.22, 64.50, 35.72, 64.50, 35.72, 100.22], abs=5e-3)
    assert found.statistic == pytest.approx(6.4075, abs=5e-5)
    assert (found.degrees, found.p > 0.05) == (4, True)
    assert np.sqrt(np.diag(found.cov)) == pytest.approx([0.57735] * 6, abs=5e-6)


def test_splitter():
    """Rao & Narasimhan 1996: one equation, so that all |z| are equal; statistic and z recomputed."""
    net = connect("123", {"split": ("1", "23")})
    found = _masses(net, [9.22, 4.83, 3.22], np.square([0.2766, 0.1449, 0.0966]))
    assert found.x == pytest.approx([8.38213, 5.05994, 3.32219], abs=5e-6)
    assert found.statistic == pytest.approx(12.8132, abs=5e-5)
    assert np.abs(found.adjustment_z) == pytest.approx([3.5796] * 3, abs=5e-5)
    assert (found.degrees, found.p < 0.05) == (1, True)


def test_three_nodes():
    """Dovì & Solisio 2001."""
    net = connect("123456", {"a": ("12", "3"), "b": ("3", "24"), "c": ("4", "56")})
    found = _masses(net, [11, 9.9, 21.25, 11.1, 7, 3.8], [0.032, 0.026, 0.120, 0.033, 0.052, 0.015])
    assert found.x == pytest.approx(
        [11.029312, 9.9571089, 20.986421, 11.029312, 7.1779734, 3.8513385], rel=5e-8
    )
    assert found.statistic == pytest.approx(1.6675, abs=5e-5)
