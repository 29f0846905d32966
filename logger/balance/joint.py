"""What is known of a balance as a whole: its variables, and the independent sources of their uncertainty.

Anything computed from several of them (the copper in a product, the worth of a lot) is told with the
correlations that shared scales, tares and the balance itself bring: linear propagation with exact
derivatives (JCGM 100, 5.2), or by the same draws that the balance was propagated with (JCGM 101).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from logger.balance.conformity import NORMAL_95, cut_interval
from logger.balance.few import judged_at, widened
from logger.balance.inputs import STEP, Array, Input, Inputs, Term, evaluate, jacobian
from logger.balance.propagate import ESTIMATED_FROM, Draws
from logger.balance.result import Estimate, How

Key: TypeAlias = tuple[str, ...]
""" ("mass", stream) kg dry, ("wet", stream) kg, ("moisture", stream) of the wet mass, ("grade", stream,
component), ("content", component, element), and others by whoever adds them with `Joint.plus`."""
Function: TypeAlias = Callable[[Array], Array]
"""Variables, shape (…, k), float or complex -> a figure, shape (…). Analytic but for kinks."""


@dataclass(frozen=True, slots=True)
class Told:
    """A figure of a joint: value, and what each source adds to it (∂figure/∂source · u, signed)."""

    value: float
    spread: Array
    drawn: Array | None
    estimated: bool
    at_corners: Array | None = None  # the figure where its few counts could be (see `few`)

    def judged_at(self, limit: float) -> float:
        """The limit to judge the draws by: nearer to the value, where few counts are behind it."""
        if self.drawn is None or self.at_corners is None:
            return limit
        return judged_at(self.value, limit, self.drawn, self.at_corners)

    @property
    def u(self) -> float:
        """Standard uncertainty."""
        return float(np.std(self.drawn)) if self.drawn is not None else float(np.linalg.norm(self.spread))

    def estimate(self, *, share: bool = False) -> Estimate:
        """With its 95 % interval. ``share``: it lies between 0 and 1, and so does its interval."""
        how = How.ESTIMATED if self.estimated else How.CALCULATED
        if self.drawn is not None:
            low, high = (float(q) for q in np.quantile(self.drawn, (0.025, 0.975)))
            if self.at_corners is not None:
                low, high = widened(self.value, low, high, self.drawn, self.at_corners)
        elif share:
            low, high = cut_interval(self.value, self.u)
        else:
            low, high = self.value - NORMAL_95 * self.u, self.value + NORMAL_95 * self.u
        return Estimate(self.value, self.u, low, high, how)


@dataclass(frozen=True, slots=True)
class Joint:
    """k variables that depend on n independent sources. ``drawn``: (count, k), where draws were made.

    A draw without a solution is NaN, and left out of what is told. ``corners`` (4 f, k): the variables where
    few counts could be (`few.corners`).
    """

    keys: tuple[Key, ...]
    values: Array  # (k,)
    slopes: Array  # (k, n) ∂variable/∂source
    sources: tuple[Input, ...]
    known: NDArray[np.bool_]  # (k,) measured, or determined by the balance
    drawn: Array | None = None
    corners: Array | None = None

    def __post_init__(self) -> None:
        k, n = len(self.keys), len(self.sources)
        shapes = (self.values.shape, self.slopes.shape, self.known.shape)
        if shapes != ((k,), (k, n), (k,)) or (self.drawn is not None and self.drawn.shape[1:] != (k,)):
            raise ValueError(f"{k} variables of {n} sources don't have the shapes {shapes}")

    def has(self, *key: str) -> bool:
        """Whether there is such a variable, and it is known."""
        return key in self.keys and bool(self.known[self.keys.index(key)])

    def get(self, *key: str) -> Function:
        """The function that gives one variable. KeyError where there is none of that name."""
        if key not in self.keys:
            raise KeyError(" ".join(key))
        at = self.keys.index(key)
        return lambda x: x[..., at]

    def components(self, stream: str) -> tuple[str, ...]:
        """Those that this stream has a grade of, known or not, in their order."""
        return tuple(key[2] for key in self.keys if key[:2] == ("grade", stream))

    def tell(self, function: Function) -> Told | None:
        """A figure with its uncertainty; None where it makes no sense or rests on what is not known."""
        x = self.values
        shifted = np.broadcast_to(x.astype(complex), (len(x), len(x))).copy()
        shifted[np.diag_indices(len(x))] += 1j * STEP
        with np.errstate(all="ignore"):
            value = float(function(x))
            found = np.broadcast_to(function(shifted), (len(x),))
            gradient = np.asarray(np.imag(found) / STEP, dtype=float)
            drawn = None if self.drawn is None else self._drawn(function)
            few = None if self.corners is None else np.broadcast_to(function(self.corners), len(self.corners))
        if not (np.isfinite(value) and np.isfinite(gradient).all()) or gradient[~self.known].any():
            return None
        by_source = gradient @ self.slopes
        spread = by_source * np.array([one.u for one in self.sources])
        guessed = np.array([one.estimated for one in self.sources], dtype=bool)
        exact = np.array([one.u == 0.0 for one in self.sources], dtype=bool)
        part = float((spread[guessed] ** 2).sum())
        estimated = part > ESTIMATED_FROM * float((spread**2).sum()) or bool(by_source[guessed & exact].any())
        return Told(value, spread, drawn, estimated, few)

    def _drawn(self, function: Function) -> Array | None:
        """Without the draws that no balance was found for."""
        assert self.drawn is not None  # noqa: S101 - for the types
        found = np.broadcast_to(function(self.drawn), len(self.drawn))
        found = found[np.isfinite(found)]
        return found if len(found) else None

    def plus(self, more: Mapping[Key, Input], seed: int = 2) -> Joint:
        """Together with further variables that depend on nothing else (each its own source)."""
        if not more:
            return self
        inputs = Inputs()
        terms = [inputs.add(one) for one in more.values()]
        add, n = len(more), len(self.sources)
        slopes = np.zeros((len(self.keys) + add, n + len(inputs)))
        slopes[: len(self.keys), :n] = self.slopes
        slopes[len(self.keys) :, n:] = jacobian(terms, inputs.values)
        drawn, corners, values = None, None, evaluate(terms, inputs.values)
        if self.corners is not None:
            corners = np.hstack([self.corners, np.tile(values, (len(self.corners), 1))])
        if self.drawn is not None:
            drawn = np.hstack([self.drawn, evaluate(terms, inputs.draw(len(self.drawn), seed))])
        return Joint(
            (*self.keys, *more),
            np.concatenate([self.values, values]),
            slopes,
            (*self.sources, *inputs),
            np.concatenate([self.known, np.ones(add, dtype=bool)]),
            drawn,
            corners,
        )


def joint_of_balance(
    streams: Sequence[str],
    components: Sequence[str],
    *,
    x: Array,
    by_z: Array,
    known: Array,
    inputs: Inputs,
    more: Mapping[Key, Term],
    draws: Draws | None = None,
) -> Joint:
    """The joint of a reconciled balance.

    ``x`` (n,): dry masses in kg of all streams, then the grades stream by stream; ``by_z`` (n, inputs) their
    derivatives; ``known`` (n,). ``more``: what depends on the inputs directly, such as ("wet", stream) and
    ("moisture", stream).
    """
    keys = [("mass", s) for s in streams] + [("grade", s, c) for s in streams for c in components]
    terms, z = list(more.values()), inputs.values

    def both(of_z: Array | None, of_x: Array | None) -> Array | None:
        return None if of_z is None or of_x is None else np.hstack([of_x, evaluate(terms, of_z)])

    return Joint(
        (*keys, *more),
        np.concatenate([x, evaluate(terms, z)]),
        np.vstack([by_z, jacobian(terms, z)]),
        tuple(inputs),
        np.concatenate([np.asarray(known, dtype=bool), np.ones(len(terms), dtype=bool)]),
        None if draws is None else both(draws.z, draws.x),
        None if draws is None else both(draws.corners_z, draws.corners_x),
    )
