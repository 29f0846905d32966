"""Where a reconciliation starts: figures that make sense, factors of their covariance, a first point."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from logger.balance.balances import Scaling
from logger.balance.network import Network

Array = NDArray[Any]


def check(y: Array, v: Array, measured: NDArray[np.bool_], network: Network, components: int) -> None:
    """ValueError where shapes don't fit, a figure is no number, or ``v`` is no covariance."""
    n, m = len(network.streams) * (1 + components), int(measured.sum())
    if measured.shape != (n,) or y.shape != (m,) or v.shape != (m, m):
        raise ValueError(
            f"{len(network.streams)} streams with {components} components are {n} variables: measured has "
            f"the shape {measured.shape} ({n},), y {y.shape} ({m},), v {v.shape} ({m}, {m})"
        )
    if not (np.isfinite(y).all() and np.isfinite(v).all()):
        raise ValueError("a measured figure or its covariance is not a finite number")
    own = np.diag(v)
    if (own < 0.0).any() or not np.allclose(v, v.T, rtol=1e-9, atol=1e-12 * own.max(initial=0.0)):
        raise ValueError("v is no covariance: it must be symmetrical, with no variance below 0")
    safe = np.sqrt(np.where(own > 0.0, own, 1.0))
    if m and np.linalg.eigvalsh(v / np.outer(safe, safe))[0] < -1e-6:
        raise ValueError("v is no covariance: some combination of the figures has a variance below 0")


def start(
    y: Array, measured: NDArray[np.bool_], network: Network, components: int, complete: bool
) -> tuple[Array, Scaling]:
    """A first point, scaled: measured figures as they are, the others made up so that they are plausible."""
    count = len(network.streams)
    full = np.full(measured.shape, np.nan)
    full[measured] = y
    masses, grades = full[:count], full[count:].reshape(count, components)
    there = np.abs(masses[np.isfinite(masses)])
    unit = float(there.max(initial=0.0)) or 1.0
    masses = masses / unit
    open_ = ~np.isfinite(masses)
    guess = float(np.mean(there / unit)) if there.size else 1.0
    table = network.incidence
    masses[open_] = guess
    pull, *_ = np.linalg.lstsq(table[:, open_], -table @ masses, rcond=None)
    masses[open_] += pull
    masses[open_ & (masses < 0.01 * guess)] = 0.1 * guess
    usual = np.full(components, 1.0 / max(components, 1))
    for c in range(components):
        column = grades[:, c][np.isfinite(grades[:, c])]
        usual[c] = column.mean() if column.size and column.mean() > 0.0 else usual[c]
    for row in grades:
        gap = ~np.isfinite(row)
        row[gap] = usual[gap]
        if complete and gap.any():
            row[gap] *= max(1.0 - row[~gap].sum(), 0.01) / row[gap].sum()
    sizes = np.array([np.abs(grades[:, c]).max(initial=0.0) for c in range(components)])
    scaling = Scaling(unit, np.where(sizes > 1e-9, sizes, 1.0))
    return np.concatenate([masses, (grades / scaling.grades).ravel()]), scaling


def root(v: Array) -> Array:
    """L with L Lᵀ = v, from the eigenvalues of the correlations, so that small variances count in full."""
    own = np.sqrt(np.diag(v))
    safe = np.where(own > 0.0, own, 1.0)
    values, vectors = np.linalg.eigh(v / np.outer(safe, safe))
    kept = values > 1e-13 * max(float(values.max(initial=0.0)), 1e-300)
    return np.asarray(own[:, None] * vectors[:, kept] * np.sqrt(values[kept]))


def unroot(v: Array, factor: Array) -> Array:
    """The pseudo-inverse of a `root`: unroot @ root is the identity."""
    own = np.sqrt(np.diag(v))
    inner = factor / np.where(own > 0.0, own, 1.0)[:, None]
    return np.asarray((inner / (inner**2).sum(axis=0)).T / np.where(own > 0.0, own, np.inf))
