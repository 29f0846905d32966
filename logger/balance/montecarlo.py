"""Propagation of distributions (JCGM 101): each draw of the figures is reconciled, and quantiles are taken.

Every draw is reconciled with the weights of the measured figures, like these. That would be a factorisation
for each draw; instead all draws share the one of the measured figures and take more, cheap steps (a chord
method on the conditions of the optimum), until each is still. The few that don't settle are done singly.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from logger.balance.few import corners
from logger.balance.inputs import Inputs, Term, evaluate
from logger.balance.network import Network
from logger.balance.propagate import Draws
from logger.balance.reconcile import Contradiction, Problem, prepare, reconcile, settle
from logger.balance.result import Estimate
from logger.balance.start import unroot
from logger.balance.suspects import Given

Array = NDArray[Any]
FIRST_LOOK = 10_000
TOLERANCE = 0.1
CHUNK = 4096
STEPS = 60
STILL = 1e-8  # of the largest mass or grade; far below what draws can tell
SINGLY = 500  # at most so many draws are done one by one


def draw(inputs: Inputs, y: Sequence[Term], given: Given, count: int, seed: int = 1) -> Draws:
    """``count`` draws of the inputs, reconciled; and what `few` needs. ``y``: the measured figures' terms."""
    z, ends = inputs.draw(count, seed), corners(inputs)
    both = np.concatenate([z, ends])
    x = reconcile_draws(
        evaluate(y, both),
        given.y,
        given.v,
        given.measured,
        given.network,
        components=len(given.components),
        complete=given.complete,
    )
    return Draws(z, x[:count], ends, x[count:]) if len(ends) else Draws(z, x)


def enough(linear: Estimate, drawn: Estimate) -> str | None:
    """Why linear propagation isn't good enough for a figure, to follow its name; None where it is.

    As JCGM 101, clause 8, compares the ends of the two intervals. The tolerance is a tenth of u: the chance
    on the side of an end that is off by that is 3.1 % instead of 2.5 %. ``drawn`` needs `FIRST_LOOK` draws:
    the ends then have a standard error of 0.027 u.
    """
    off = max(abs(linear.low - drawn.low), abs(linear.high - drawn.high))
    if off <= TOLERANCE * max(linear.u, 1e-12 * abs(linear.value)):
        return None
    return (
        f"lies between {_points(drawn.low)} and {_points(drawn.high)} % by its draws, where linear "
        f"propagation would say {_points(linear.low)} to {_points(linear.high)} %"
    )


def _points(share: float) -> str:
    """Of a hundred, to three digits; what is nothing but rounding is 0."""
    return f"{round(100.0 * share, 6) + 0.0:.3g}"


@np.errstate(over="ignore", invalid="ignore")  # of draws that run away: they come out as NaN
def reconcile_draws(
    draws: Array,
    y: Array,
    v: Array,
    measured: Array,
    network: Network,
    *,
    components: int,
    complete: bool,
) -> Array:
    """Variables (N, n) of the reconciled draws (N, m); y, v and the rest as in `reconcile`.

    A draw for which there is no solution comes out as NaN. Memory is bounded: chunks of 4096 draws.
    """
    measured = np.asarray(measured, dtype=bool)
    problem, start = prepare(y, v, measured, network, components, complete=complete)
    x, _ = settle(problem, start)
    chord = Chord(problem, x)
    found = np.empty((len(draws), len(x)))
    for at in range(0, len(draws), CHUNK):
        part = draws[at : at + CHUNK]
        found[at : at + CHUNK] = chord.solve(part / problem.scale[measured]) * problem.scale
    lost = np.flatnonzero(~np.isfinite(found[:, 0]))
    for k in lost[:SINGLY]:
        try:
            found[k] = reconcile(draws[k], v, measured, network, components, complete=complete).x
        except (Contradiction, np.linalg.LinAlgError):
            continue
    return found


class Chord:
    """Newton steps towards the optimum of many draws, with the matrix of one point.

    Conditions of the optimum, for measured variables y + L a (V = L Lᵀ) and unmeasured u:
    a + Lᵀ Jmᵀ λ = 0,  Juᵀ λ = 0,  f(x) = 0.
    """

    def __init__(self, problem: Problem, x: Array) -> None:
        self.problem, self.x = problem, x
        balances, self.measured = problem.balances, problem.measured
        self.unroot = unroot(problem.v, problem.root)
        step = problem.step(x)
        assert step.by_y is not None  # noqa: S101 - for the types
        self.by_y = step.by_y
        table = balances.slopes(x)
        by_a, by_u = table[:, self.measured] @ problem.root, table[:, ~self.measured]
        usual = np.abs(table[:, self.measured]) @ np.sqrt(np.diag(problem.v))
        size = np.linalg.norm(by_a, axis=1)
        size = np.where(size > 1e-9 * usual, size, 0.0)
        rows = np.where(size > 0.0, size, np.linalg.norm(by_u, axis=1))
        self.rows = np.where(rows > 0.0, rows, 1.0)
        units = np.linalg.norm(by_u / self.rows[:, None], axis=0)
        self.units = 1.0 / np.where(units > 1e-9, units, 1.0)
        self.pull = self._multipliers(by_a, by_u)
        self.back = np.linalg.pinv(self._matrix(by_a, by_u), rcond=1e-11, hermitian=True)

    def _multipliers(self, by_a: Array, by_u: Array) -> Array:
        """λ at the point, from its conditions: least squares."""
        change = self.unroot @ (self.x[self.measured] - self.problem.y)
        table = np.concatenate([by_a.T, (by_u * self.units).T]) / self.rows
        right = np.concatenate([-change, np.zeros(by_u.shape[1])])
        return np.asarray(np.linalg.lstsq(table, right, rcond=1e-11)[0])

    def _matrix(self, by_a: Array, by_u: Array) -> Array:
        """The derivative of the conditions: symmetrical, with the curvature of the balances in it."""
        balances, n = self.problem.balances, len(self.x)
        pull = np.broadcast_to(self.pull / self.rows, (n, balances.rows))
        curve = balances.pulled(np.eye(n), pull) - balances.pulled(np.zeros((n, n)), pull)
        into = np.zeros((n, by_a.shape[1] + by_u.shape[1]))
        into[self.measured, : by_a.shape[1]] = self.problem.root
        into[~self.measured, by_a.shape[1] :] = np.diag(self.units)
        k, rows = into.shape[1], balances.rows
        whole = np.zeros((k + rows, k + rows))
        whole[:k, :k] = into.T @ curve @ into
        whole[: by_a.shape[1], : by_a.shape[1]] += np.eye(by_a.shape[1])
        sides = np.concatenate([by_a, by_u * self.units], axis=1) / self.rows[:, None]
        whole[k:, :k], whole[:k, k:] = sides, sides.T
        return whole

    def solve(self, draws: Array) -> Array:
        """Scaled variables (N, n) of scaled draws (N, m); NaN where a draw doesn't settle."""
        problem, measured = self.problem, self.measured
        many, r = len(draws), problem.root.shape[1]
        x = self.x + (draws - problem.y) @ self.by_y.T
        change = (x[:, measured] - draws) @ self.unroot.T
        pull = np.broadcast_to(self.pull, (many, problem.balances.rows)).copy()
        found = np.full_like(x, np.nan)
        active = np.arange(many)
        for _ in range(STEPS):
            x[:, measured] = draws[active] + change @ problem.root.T
            by = problem.balances.pulled(x, pull / self.rows)
            off = np.concatenate(
                [
                    change + by[:, measured] @ problem.root,
                    by[:, ~measured] * self.units,
                    problem.balances.values(x) / self.rows,
                ],
                axis=1,
            )
            move = off @ self.back
            change = change - move[:, :r]
            step = move[:, r : len(self.units) + r] * self.units
            x[:, ~measured] -= step
            pull = pull - move[:, r + len(self.units) :]
            size = np.abs(move[:, :r] @ problem.root.T).max(axis=1, initial=0.0)
            size = np.maximum(size, np.abs(step).max(axis=1, initial=0.0))
            still = size < STILL
            if still.any():
                x[:, measured] = draws[active] + change @ problem.root.T
                found[active[still]] = x[still]
                go = ~still & np.isfinite(size) & (size < 1e6)
                active, x, change, pull = active[go], x[go], change[go], pull[go]
            if not len(active):
                break
        return found
