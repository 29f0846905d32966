"""Reconciliation: the smallest change of the measured figures, weighed by their uncertainty, that closes all.

Weighted least squares over masses and grades together. The equations are bilinear; they are linearised at
the current point, always adjusting the original figures, until nothing moves any more. For linear balances
the result is x = y - V Aᵀ (A V Aᵀ)⁻¹ A y with covariance V - V Aᵀ (A V Aᵀ)⁻¹ A V (Narasimhan & Jordache,
"Data Reconciliation and Gross Error Detection", 2000). Unmeasured variables are taken out by a projection
matrix (Crowe, García Campos & Hrymak 1983, from memory) and solved for afterwards; what the equations leave
open is told apart by the null space of the unmeasured variables' columns at the solution.

V may be singular: figures without uncertainty, a scale that two figures share, grades that sum to one by
themselves. It is used in factors (V = L Lᵀ), never inverted.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from logger.balance.balances import Balances
from logger.balance.network import Network
from logger.balance.start import check, root
from logger.balance.start import start as start_at
from logger.core.gamma import below

Array = NDArray[Any]
ROUNDS = 300
GENTLE = 12
STILL = 1e-13  # a step this small, in scaled variables, is rounding
CLOSED = 1e-9  # worse than this after the last step: the exact figures contradict each other
RANK = 1e-10  # singular values below this part of the largest count as 0
FREE = 1e-7  # a variable with less than this part in what is left open is determined


class Contradiction(ValueError):
    """Figures without uncertainty contradict each other, or no solution was found."""


@dataclass(frozen=True, slots=True)
class Reconciled:
    """A reconciled balance. n variables (S masses in kg, then S·C grades), m of them measured.

    Variables that are not ``known`` carry a number that is only one of many possible ones. A figure made of
    them may still be determined (a yield where no mass was weighed): see `determined`.
    """

    x: Array  # (n,) the variables
    cov: Array  # (n, n) their covariance
    known: NDArray[np.bool_]  # (n,) measured, or determined by the equations
    by_y: Array  # (n, m) ∂x/∂y
    free: Array  # (n, k) the directions that the equations leave open, orthonormal in scaled variables
    scale: Array  # (n,) the unit of each scaled variable
    adjustments: Array  # (m,) reconciled - measured
    adjustment_u: Array  # (m,) standard deviation of the adjustment; 0 where nothing checks the figure
    adjustment_z: Array  # (m,) adjustment / its standard deviation; 0 where nothing checks it
    statistic: float  # the sum of squared adjustments, weighed; chi-square if all is well
    degrees: int
    p: float  # the chance of a statistic this large, if all is well; 1 where nothing is checked
    closure: float  # the worst balance, relative to the sum of its terms
    rounds: int
    impossible: tuple[int, ...]  # known variables below 0, or grades above 1: left as they are

    def determined(self, gradient: Array) -> bool:
        """Whether a figure with this gradient (n,) is the same for all solutions."""
        if not np.isfinite(gradient).all():
            return False
        scaled = gradient * self.scale
        size = float(np.abs(scaled).max(initial=0.0))
        return bool(np.abs(scaled @ self.free).max(initial=0.0) <= FREE * size)

    def variance(self, gradient: Array) -> float:
        """Variance of a figure with this gradient (n,), by linear propagation."""
        return max(float(gradient @ self.cov @ gradient), 0.0)


def reconcile(
    y: Array,
    v: Array,
    measured: Array,
    network: Network,
    components: int,
    *,
    complete: bool,
    names: Sequence[str] = (),
    start: Array | None = None,
) -> Reconciled:
    """Reconcile the figures ``y`` (m,) with covariance ``v`` (m, m).

    ``measured`` (n,), bool, tells which variables they are, in the order of the variables: dry masses (kg)
    of all streams, then the grades stream by stream. ``complete``: the components sum to one in each stream.
    ``names`` of the components, for messages; ``start`` (n,): where a solution is expected. ValueError where
    shapes or ``v`` make no sense; Contradiction where figures without uncertainty can't all be true.
    """
    problem, first = prepare(y, v, measured, network, components, complete=complete)
    x, rounds = settle(problem, first if start is None else start / problem.scale)
    last = problem.step(x)
    problem.accept(x, last, names or tuple(f"component {c + 1}" for c in range(components)))
    return _told(problem, x, last, rounds)


@dataclass(frozen=True, slots=True)
class Step:
    """One linearised reconciliation, in scaled variables."""

    x: Array
    white: Array  # the residuals of the balances, each of variance 1
    factor: Array  # (m, rank) measured change = -factor @ white
    rank: int
    by_y: Array | None  # (n, m)
    free: Array  # (n, k)


class Problem:
    """The figures and the equations, scaled."""

    def __init__(self, balances: Balances, y: Array, v: Array, measured: NDArray[np.bool_]) -> None:
        self.balances = balances
        self.measured = measured
        self.scale = balances.scaling.of(balances.streams)
        unit = self.scale[measured]
        self.y = y / unit
        self.v = v / np.outer(unit, unit)
        self.root = root(self.v)
        network = balances.network
        self.loose = [
            [s for s in network.sources if s in part]
            for part in network.parts()
            if not any(measured[s] for s in part)
        ]

    def step(self, x: Array, derive: bool = True) -> Step:
        """Linearise at ``x``; adjust the original figures, then solve for the unmeasured ones."""
        table, at = self.balances.slopes(x), self.balances.values(x)
        by_m, by_u = table[:, self.measured], table[:, ~self.measured]
        wanted = table @ x - at
        by_u, still = self._pinned(by_u)
        wanted = np.concatenate([wanted, still @ x[~self.measured]])
        by_m = np.concatenate([by_m, np.zeros((len(still), by_m.shape[1]))])
        unmeasured = x[~self.measured]
        own = np.maximum(np.abs(unmeasured), 0.01)  # what is left open moves by parts of itself
        left, sizes, right = np.linalg.svd(by_u * own, full_matrices=True)
        rank = _rank(sizes)
        project = left[:, rank:].T
        a = project @ by_m
        residual = a @ self.y - project @ wanted
        rows = np.linalg.norm(a, axis=1)
        rows = np.where(rows > 0.0, rows, 1.0)[:, None]
        p, sigma, z = np.linalg.svd((a / rows) @ self.root, full_matrices=False)
        usual = np.abs(a / rows) @ np.sqrt(np.diag(self.v))  # if nothing cancelled
        k = _rank(sigma, float(usual.max(initial=0.0)))
        white = (p[:, :k].T @ (residual / rows[:, 0])) / sigma[:k]
        factor = self.root @ z[:k].T
        new = np.empty_like(x)
        new[self.measured] = self.y - factor @ white
        back = (own[:, None] * right[:rank].T / sizes[:rank]) @ left[:, :rank].T
        new[~self.measured] = unmeasured + back @ (wanted - by_m @ new[self.measured] - by_u @ unmeasured)
        free, by_y = np.zeros((len(x), 0)), None
        if derive:
            free = self._free(table[:, ~self.measured])
            by_y = np.empty((len(x), len(self.y)))
            by_y[self.measured] = np.eye(len(self.y)) - factor @ ((p[:, :k].T @ (a / rows)) / sigma[:k, None])
            by_y[~self.measured] = -back @ by_m @ by_y[self.measured]
        return Step(new, white, factor, k, by_y, free)

    def _pinned(self, by_u: Array) -> tuple[Array, Array]:
        """The unmeasured columns and a row for each part of the network in which no mass was measured.

        Nothing says how large such a part is; that row keeps its feed as large as it is, lest it shrink away.
        """
        pins = np.zeros((len(self.loose), len(self.measured)))
        for row, streams in zip(pins, self.loose, strict=True):
            row[streams] = 1.0
        still = pins[:, ~self.measured]
        return np.concatenate([by_u, still]), still

    def _free(self, by_u: Array) -> Array:
        """The directions of unmeasured variables that change no balance, shape (n, k)."""
        _, sizes, right = np.linalg.svd(by_u, full_matrices=True)
        rank = _rank(sizes)
        free = np.zeros((len(self.measured), by_u.shape[1] - rank))
        free[~self.measured] = right[rank:].T
        return free

    def accept(self, x: Array, last: Step, names: Sequence[str]) -> None:
        """Contradiction where the balances aren't closed at the end."""
        off = np.abs(self.balances.values(x)) / np.maximum(self.balances.sizes(x), 1e-300)
        if off.max(initial=0.0) > CLOSED:
            rows = np.array(self.balances.names(names))
            worst = [str(rows[r]) for r in np.argsort(-off)[:3] if off[r] > 1e-3 * off.max()]
            why = (
                "figures in it contradict each other and have no uncertainty; give them one, or correct them"
                if (np.diag(self.v) == 0.0).any()
                else "the figures are too few, or too far from any balance; look for a grossly wrong one"
            )
            raise Contradiction(
                f"{', '.join(worst)} can't be closed (off by {off.max():.2g} of what is in it): {why}"
            )


def chance(statistic: float, degrees: int) -> float:
    """The chance of a chi-square at least this large; 1 where nothing is tested."""
    return max(1.0 - below(0.5 * degrees, 0.5 * statistic), 0.0) if degrees else 1.0


def prepare(
    y: Array, v: Array, measured: Array, network: Network, components: int, *, complete: bool
) -> tuple[Problem, Array]:
    """The scaled problem, and a first point of it. Arguments and errors as in `reconcile`."""
    measured = np.asarray(measured, dtype=bool)
    check(y, v, measured, network, components)
    first, scaling = start_at(y, measured, network, components, complete)
    return Problem(Balances(network, components, complete, scaling), y, v, measured), first


def settle(problem: Problem, x: Array) -> tuple[Array, int]:
    """Steps until nothing moves; shorter where they grow, so that gross errors settle too.

    In the first rounds nothing unmeasured falls below a fifth of what it was: a balance in which everything
    is nothing closes as well, and must not be run into. After that it may fall below 0, if the figures say
    so.
    """
    part, before, size = 1.0, np.inf, np.inf
    for number in range(1, ROUNDS + 1):
        move = problem.step(x, derive=False).x - x
        size = float(np.abs(move).max(initial=0.0)) / (1.0 + float(np.abs(x).max(initial=0.0)))
        if size <= STILL or (size < 1e-11 and size > 0.5 * before):
            return x + move, number
        if number > GENTLE and size > 1e-9:
            shrunk = size < (1.0 - 0.5 * part) * before  # half as fast as steps of this length could
            part = min(1.5 * part, 1.0) if shrunk else max(0.5 * part, 0.02)
        new = x + part * move
        if number <= GENTLE:
            new = np.where(~problem.measured & (x > 0.0), np.maximum(new, 0.2 * x), new)
        x, before = new, size
    raise Contradiction(
        f"no solution after {ROUNDS} rounds (still moving by {size:.1g}): the figures are too far from any "
        "balance, or too few; look for one that is grossly wrong, such as a wrong unit"
    )


def _told(problem: Problem, x: Array, last: Step, rounds: int) -> Reconciled:
    balances, unit = problem.balances, problem.scale
    assert last.by_y is not None  # noqa: S101 - for the types
    by_y = last.by_y * unit[:, None] / unit[problem.measured]
    spread = last.by_y @ problem.root * unit[:, None]
    changed = np.sqrt((last.factor**2).sum(axis=1))
    own = np.sqrt(np.diag(problem.v))
    change = -last.factor @ last.white
    checked = changed > 1e-7 * own
    z = np.divide(change, changed, out=np.zeros_like(change), where=checked)
    statistic = float(last.white @ last.white)
    known = problem.measured | (np.abs(last.free).max(axis=1, initial=0.0) <= FREE)
    off = np.abs(balances.values(x)) / np.maximum(balances.sizes(x), 1e-300)
    scaled_back = x * unit
    grades = np.arange(len(x)) >= balances.streams
    odd = known & ((x < -1e-9) | (grades & (scaled_back > 1.0 + 1e-9)))
    mine = unit[problem.measured]
    return Reconciled(
        x=scaled_back,
        cov=spread @ spread.T,
        known=known,
        by_y=by_y,
        free=last.free,
        scale=unit,
        adjustments=change * mine,
        adjustment_u=np.where(checked, changed, 0.0) * mine,
        adjustment_z=z,
        statistic=statistic,
        degrees=last.rank,
        p=chance(statistic, last.rank),
        closure=float(off.max(initial=0.0)),
        rounds=rounds,
        impossible=tuple(int(k) for k in np.flatnonzero(odd)),
    )


def _rank(sizes: Array, usual: float = 0.0) -> int:
    """How many are more than rounding, beside the largest and the ``usual`` one: all may be rounding."""
    most = max(float(sizes.max(initial=0.0)), usual)
    return int((sizes > RANK * most).sum()) if most > 0.0 else 0
