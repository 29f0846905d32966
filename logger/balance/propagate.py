"""From inputs to told figures: value, uncertainty, interval and budget of anything a balance gives.

A figure is a function of the balance's variables x, or of the inputs themselves. Linear propagation
(JCGM 100, 5.1 and 5.2): u² = Σ (∂f/∂z_k · u_k)², the derivatives exact, through the
reconciliation by its own ∂x/∂y.
Propagation of distributions (JCGM 101): the same functions at draws of the inputs, each draw reconciled; u is
the standard deviation of what comes out, the interval its 2.5 % and 97.5 % quantiles. The value is the one at
the inputs themselves in both cases.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np

from logger.balance.conformity import NORMAL_95
from logger.balance.derive import gradients
from logger.balance.few import widened
from logger.balance.inputs import Array, Inputs, Term, jacobian
from logger.balance.reconcile import Reconciled
from logger.balance.result import Contribution, Estimate, How

Function: TypeAlias = Callable[[Array], Array]
"""Variables of the balance, shape (…, n), float or complex -> figures, shape (…, *k). Analytic."""

ESTIMATED_FROM = 0.01
"""A figure of which inputs that nobody measured make more than this part of the variance is an estimate."""


@dataclass(frozen=True, slots=True)
class Figure:
    """A figure before it is told: value, ∂/∂input of shape (inputs,), and its draws where there are any."""

    value: float
    slopes: Array
    drawn: Array | None
    at_corners: Array | None = None


@dataclass(frozen=True, slots=True)
class Family:
    """Figures of one kind: values of shape k, ∂/∂x of shape (*k, n), draws of shape (count, *k)."""

    value: Array
    by_x: Array
    drawn: Array | None
    at_corners: Array | None = None


@dataclass(frozen=True, slots=True)
class Draws:
    """Draws of the inputs, shape (count, inputs), and of the balance's variables, shape (count, n).

    The same at the corners of few counts (see `few`), where there are any.
    """

    z: Array
    x: Array
    corners_z: Array | None = None
    corners_x: Array | None = None


class Propagation:
    """Tells figures of one reconciled balance. ``y``: the terms of the measured figures, in order."""

    def __init__(
        self, inputs: Inputs, y: list[Term], reconciled: Reconciled, draws: Draws | None = None
    ) -> None:
        self._values, self._u, self._estimated = inputs.values, inputs.u, inputs.estimated
        self._names = [one.name for one in inputs]
        self._reconciled = reconciled
        self.by_z = reconciled.by_y @ jacobian(y, self._values)
        self.draws = draws

    def of_x(self, function: Function) -> Family:
        """Figures of the balance's variables, all at once."""
        x = self._reconciled.x
        with np.errstate(all="ignore"):
            value, by_x = function(x), gradients(function, x)
            drawn = None if self.draws is None else function(self.draws.x)
            few = None if self.draws is None or self.draws.corners_x is None else self.draws.corners_x
            return Family(value, by_x, drawn, None if few is None else function(few))

    def pick(self, family: Family, *at: int) -> Figure | None:
        """One figure of a family; None where the balance leaves it open."""
        value, gradient = float(family.value[at]), family.by_x[at]
        if not np.isfinite(value) or not self._reconciled.determined(gradient):
            return None
        drawn = None if family.drawn is None else np.moveaxis(family.drawn, 0, -1)[at]
        few = None if family.at_corners is None else np.moveaxis(family.at_corners, 0, -1)[at]
        return Figure(value, gradient @ self.by_z, drawn, few)

    def of_inputs(self, term: Term) -> Figure:
        """A figure of the inputs themselves, such as a mass before the balance."""
        slopes = jacobian([term], self._values)[0]
        drawn, few = (None, None) if self.draws is None else (self.draws.z, self.draws.corners_z)
        return Figure(
            float(term(self._values)),
            slopes,
            None if drawn is None else term(drawn),
            None if few is None else term(few),
        )

    def tell(self, figure: Figure | None, how: How = How.CALCULATED) -> Estimate | None:
        """The figure with its uncertainty and 95 % interval; "estimated" where it rests on what is."""
        if figure is None:
            return None
        parts = (figure.slopes * self._u) ** 2
        variance = float(parts.sum())
        if float(parts[self._estimated].sum()) > ESTIMATED_FROM * variance:
            how = How.ESTIMATED
        u = variance**0.5
        if figure.drawn is None:
            return Estimate(figure.value, u, figure.value - NORMAL_95 * u, figure.value + NORMAL_95 * u, how)
        drawn = figure.drawn[np.isfinite(figure.drawn)]  # a draw without a solution says nothing
        if not len(drawn):
            return None
        low, high = np.quantile(drawn, (0.025, 0.975))
        if figure.at_corners is not None:
            low, high = widened(figure.value, float(low), float(high), drawn, figure.at_corners)
        return Estimate(figure.value, float(drawn.std()), float(low), float(high), how)

    def budget(self, figure: Figure, most: int = 8) -> tuple[Contribution, ...]:
        """What each input adds to the variance, greatest first (linear propagation)."""
        parts = (figure.slopes * self._u) ** 2
        whole = float(parts.sum())
        if whole <= 0.0:
            return ()
        order = np.argsort(-parts, kind="stable")[:most]
        return tuple(Contribution(self._names[k], float(parts[k] / whole)) for k in order if parts[k] > 0.0)
