"""Average run lengths of charts on independent Gaussian samples of unit variance, by the integral equation.

A chart whose state z moves by z' = next(z, x) signals after L(z) samples on average, with
L(z) = 1 + sum over states of L(z') p(z'|z): a Fredholm equation of the second kind, solved at the nodes of a
Gauss-Legendre rule (Nystroem). Page 1954 (CUSUM) and Crowder 1987 (EWMA) set these equations up; from memory.
"""

from __future__ import annotations

from collections.abc import Callable
from math import exp, log, sqrt

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

Array = NDArray[np.float64]
NODES = 96


def _density(x: Array) -> Array:
    return np.asarray(np.exp(-0.5 * x * x) / sqrt(2.0 * np.pi))


def _nodes(low: float, high: float) -> tuple[Array, Array]:
    x, w = np.polynomial.legendre.leggauss(NODES)
    return 0.5 * (high - low) * (x + 1.0) + low, 0.5 * (high - low) * w


def cusum_arl(k: float, h: float, shift: float = 0.0, start: float = 0.0) -> float:
    """Samples to the signal of a one-sided tabular CUSUM: S = max(0, S + x - k), x ~ N(shift, 1), S > h."""
    y, w = _nodes(0.0, h)
    points = np.append(y, (0.0, start))  # the barrier at 0 holds a probability of its own
    to_nodes = _density(y[None, :] - points[:, None] + k - shift) * w
    to_zero = ndtr(k - shift - points)
    kernel = np.zeros((len(points), len(points)))
    kernel[:, :NODES] = to_nodes
    kernel[:, NODES] = to_zero
    return float(np.linalg.solve(np.eye(len(points)) - kernel, np.ones(len(points)))[-1])


def two_sided(one_sided: Callable[[float], float], shift: float) -> float:
    """1 / L = 1 / L_up + 1 / L_down: exact for CUSUMs from zero, alike in k and h (Kemp 1961, memory)."""
    return 1.0 / (1.0 / one_sided(shift) + 1.0 / one_sided(-shift))


def two_sided_cusum_arl(k: float, h: float, shift: float = 0.0) -> float:
    return two_sided(lambda s: cusum_arl(k, h, s), shift)


def siegmund_arl(k: float, h: float, shift: float = 0.0) -> float:
    """Siegmund's approximation: (exp(-2 D b) + 2 D b - 1) / 2 D^2, b = h + 1.166, D = shift - k."""
    b, d = h + 1.166, shift - k
    if abs(d) < 1e-9:
        return b * b
    return (exp(-2.0 * d * b) + 2.0 * d * b - 1.0) / (2.0 * d * d)


def ewma_edge(weight: float, limit: float) -> float:
    """How far from its mean an EWMA may stray, in sigmas of a sample: ``limit`` of its own, settled."""
    return limit * sqrt(weight / (2.0 - weight))


def ewma_arl(weight: float, limit: float, shift: float = 0.0) -> float:
    """z = (1 - weight) z + weight x from 0, signal beyond ``limit`` steady-state sigmas to either side."""
    h = ewma_edge(weight, limit)
    y, w = _nodes(-h, h)
    points = np.append(y, 0.0)
    kernel = np.zeros((NODES + 1, NODES + 1))
    x = (y[None, :] - (1.0 - weight) * points[:, None]) / weight
    kernel[:, :NODES] = _density(x - shift) * w / weight
    return float(np.linalg.solve(np.eye(NODES + 1) - kernel, np.ones(NODES + 1))[-1])


def first_order_delay(arl0: float, shift: float) -> float:
    """log(ARL0) / (shift^2 / 2): no procedure can do better in the worst case, to first order (Lorden 1971).

    CUSUM is the best exactly (Moustakides 1986). It is an asymptote and no floor: at practical ARL0 the exact
    delay of a CUSUM started at zero lies some samples below it.
    """
    return log(arl0) / (0.5 * shift * shift)


def threshold_for(arl: Callable[[float], float], wanted: float, low: float, high: float) -> float:
    """The threshold at which ``arl`` (increasing in it) reaches ``wanted``."""
    while high - low > 1e-6:
        middle = 0.5 * (low + high)
        low, high = (middle, high) if arl(middle) < wanted else (low, middle)
    return high
