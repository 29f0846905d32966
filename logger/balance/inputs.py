"""The independent inputs of a weigh-up, each with its uncertainty, and how figures depend on them.

Everything that was read off (a gross, a tare, a count, a laboratory's percentage, the calibration error of a
scale) is one `Input`. What follows from them (a net dry mass, a grade) is a `Term`: a function of all inputs
at once. Two figures that share an input are correlated by that alone, as JCGM 100, 5.2.4 describes it, so
scales and tares in common need no further care. Linear propagation takes the terms' exact derivatives
(by a complex step); JCGM 101's propagation of distributions evaluates the same terms at many draws.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import sqrt
from typing import Any, Literal, TypeAlias

import numpy as np
from numpy.typing import NDArray

Array: TypeAlias = NDArray[Any]
Term: TypeAlias = Callable[[Array], Array]
"""Inputs, shape (…, n), float or complex -> one figure, shape (…).

Only analytic operations: no abs, no max, no comparison."""
Shape: TypeAlias = Literal["normal", "rectangular", "triangular", "gamma", "count"]
STEP = 1e-30


@dataclass(frozen=True, slots=True)
class Input:
    """One independent input: value, standard uncertainty, and the shape of its distribution.

    ``rectangular`` and ``triangular`` have the half widths u·√3 and u·√6 (JCGM 100, 4.3.7 and 4.3.9).
    ``gamma`` has the mean ``value`` and the standard deviation ``u``. ``count``: k things were found, each
    worth ``each``; see `counted`.
    ``estimated``: nobody measured it, so whatever depends on it is an estimate.
    """

    name: str
    value: float
    u: float
    shape: Shape = "normal"
    estimated: bool = False

    @classmethod
    def counted(cls, name: str, found: float, each: float) -> Input:
        """``found`` things (a count, or a mass / ``each``), each worth ``each``: value found·each.

        What it tells of the true number is gamma distributed with the shape found + 1/2 (Jeffreys' prior),
        so that nothing found does not mean that nothing is there; the uncertainty is √(found + 1/2)·each.
        Shares G_c / ΣG of such inputs are Dirichlet distributed, of value k/n. ValueError unless found >= 0
        and each > 0.
        """
        if not (found >= 0.0 and each > 0.0):
            raise ValueError(f"{name}: {found} found, each worth {each}; must be at least 0 and above 0")
        return cls(name, found * each, sqrt(found + 0.5) * each, "count")

    @property
    def gamma(self) -> tuple[float, float]:
        """Shape and unit of the distribution of a "gamma" or a "count"; of a count k + 1/2 and ``each``."""
        if self.shape == "gamma":
            return (self.value / self.u) ** 2, self.u**2 / self.value
        each = 2.0 * self.u**2 / (sqrt(self.value**2 + 2.0 * self.u**2) + self.value)  # u² = (k + 1/2)·each²
        return self.value / each + 0.5, each

    def __post_init__(self) -> None:
        if not (np.isfinite(self.value) and np.isfinite(self.u) and self.u >= 0.0):
            raise ValueError(
                f"{self.name}: value {self.value} and uncertainty {self.u} must be finite, u >= 0"
            )
        if self.shape == "count" and not (self.value >= 0.0 and self.u > 0.0):
            raise ValueError(f"{self.name}: a count needs a value of at least 0 and an uncertainty above 0")
        if self.shape == "gamma" and not (self.value > 0.0 and self.u > 0.0):
            raise ValueError(f"{self.name}: a gamma distribution needs a value and an uncertainty above 0")


class Inputs:
    """The inputs of one weigh-up, in the order they were met."""

    def __init__(self) -> None:
        self._all: list[Input] = []
        self._index: dict[str, int] = {}

    def __len__(self) -> int:
        return len(self._all)

    def __iter__(self) -> Any:
        return iter(self._all)

    def add(self, one: Input) -> Term:
        """Enter an input; the term that gives it. The same one twice is one: that is how figures share it.

        ValueError where another input has that name.
        """
        at = self._index.setdefault(one.name, len(self._all))
        if at == len(self._all):
            self._all.append(one)
        elif self._all[at] != one:
            raise ValueError(f"two different inputs are called {one.name}: {self._all[at]} and {one}")
        return lambda z: z[..., at]

    @property
    def values(self) -> Array:
        """Shape (n,)."""
        return np.array([one.value for one in self._all], dtype=float)

    @property
    def u(self) -> Array:
        """Standard uncertainties, shape (n,)."""
        return np.array([one.u for one in self._all], dtype=float)

    @property
    def estimated(self) -> Array:
        """Which of them nobody measured, shape (n,), bool."""
        return np.array([one.estimated for one in self._all], dtype=bool)

    def draw(self, count: int, seed: int = 1) -> Array:
        """``count`` independent draws of all inputs, shape (count, n); the same seed gives the same draws."""
        random = np.random.Generator(np.random.PCG64(seed))
        drawn = np.empty((count, len(self._all)))
        for k, one in enumerate(self._all):
            drawn[:, k] = _draw(random, one, count)
        return drawn


def _draw(random: np.random.Generator, one: Input, count: int) -> Array:
    if one.u == 0.0:
        return np.full(count, one.value)
    if one.shape == "rectangular":
        return random.uniform(one.value - sqrt(3) * one.u, one.value + sqrt(3) * one.u, count)
    if one.shape == "triangular":
        return random.triangular(one.value - sqrt(6) * one.u, one.value, one.value + sqrt(6) * one.u, count)
    if one.shape in ("gamma", "count"):
        shape, unit = one.gamma
        return random.gamma(shape, unit, count)
    return random.normal(one.value, one.u, count)


def evaluate(terms: Sequence[Term], z: Array) -> Array:
    """All terms at the inputs ``z`` of shape (…, n): shape (…, m)."""
    if not terms:
        return np.empty((*z.shape[:-1], 0), dtype=z.dtype)
    return np.stack([np.broadcast_to(term(z), z.shape[:-1]) for term in terms], axis=-1)


def jacobian(terms: Sequence[Term], z: Array) -> Array:
    """∂term/∂input at ``z`` (n,), shape (m, n), exact to rounding (complex step)."""
    n = len(z)
    if n == 0:
        return np.zeros((len(terms), 0))
    shifted = np.broadcast_to(z.astype(complex), (n, n)).copy()
    shifted[np.diag_indices(n)] += 1j * STEP
    return np.ascontiguousarray(evaluate(terms, shifted).imag.T / STEP)


def covariance(terms: Sequence[Term], inputs: Inputs) -> Array:
    """Covariance of the terms, shape (m, m), by linear propagation (JCGM 100, 5.2)."""
    spread = jacobian(terms, inputs.values) * inputs.u
    return np.asarray(spread @ spread.T)
