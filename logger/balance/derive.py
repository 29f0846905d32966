"""What follows from masses and grades: yields, recoveries, enrichment, separation efficiency, closures, head.

Every function takes the variables ``x`` (…, n) of a balance (dry masses in kg of all streams, then grades
stream by stream) and uses only analytic operations, so that `gradient` is exact to rounding (complex step).
A figure without sense at a point (a share of nothing) comes out as NaN or infinite, without a warning.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import NDArray

from logger.balance.inputs import STEP
from logger.balance.network import Network, Node

Array = NDArray[Any]
Figure: TypeAlias = Callable[[Array], Array]
"""Variables (…, n) -> one figure (…)."""


def gradient(figure: Figure, x: Array) -> Array:
    """∂figure/∂x at ``x`` (n,), shape (n,)."""
    shifted = np.broadcast_to(x.astype(complex), (len(x), len(x))).copy()
    shifted[np.diag_indices(len(x))] += 1j * STEP
    return np.asarray(np.imag(figure(shifted)) / STEP, dtype=float)


def gradients(figures: Callable[[Array], Array], x: Array) -> Array:
    """∂/∂x of figures of any shape (…, *k), shape (*k, n)."""
    shifted = np.broadcast_to(x.astype(complex), (len(x), len(x))).copy()
    shifted[np.diag_indices(len(x))] += 1j * STEP
    return np.moveaxis(np.imag(figures(shifted)) / STEP, 0, -1)


@dataclass(frozen=True, slots=True)
class Derived:
    """The figures of one network with ``components`` components."""

    network: Network
    components: int

    def masses(self, x: Array) -> Array:
        """Dry masses in kg, (…, S)."""
        return x[..., : len(self.network.streams)]

    def grades(self, x: Array) -> Array:
        """Mass fractions of the dry solids, (…, S, C)."""
        count = len(self.network.streams)
        return x[..., count:].reshape(*x.shape[:-1], count, self.components)

    def amounts(self, x: Array) -> Array:
        """What each stream holds of each component, in kg, (…, S, C)."""
        return self.masses(x)[..., None] * self.grades(x)

    def yields(self, x: Array) -> Array:
        """Mass of each stream / of the lot's feed, (…, S)."""
        masses = self.masses(x)
        return ratio(masses, masses[..., list(self.network.sources)].sum(axis=-1)[..., None])

    def recoveries(self, x: Array) -> Array:
        """What each stream holds of each component, (…, S, C).

        Of a final product: as a part of all final products, so that they sum to one. Of any other stream:
        as a part of the lot's feed. In a closed balance both are the same.
        """
        held = self.amounts(x)
        sinks = list(self.network.sinks)
        fed = held[..., list(self.network.sources), :].sum(axis=-2)[..., None, :]
        found = ratio(held, np.broadcast_to(fed, held.shape))
        found[..., sinks, :] = ratio(held[..., sinks, :], held[..., sinks, :].sum(axis=-2)[..., None, :])
        return found

    def head(self, x: Array) -> Array:
        """Grade of the lot's feed, (…, C)."""
        sources = list(self.network.sources)
        return ratio(
            self.amounts(x)[..., sources, :].sum(axis=-2),
            self.masses(x)[..., sources].sum(axis=-1)[..., None],
        )

    def enrichment(self, x: Array) -> Array:
        """Grade / grade of the lot's feed, (…, S, C)."""
        return ratio(self.grades(x), self.head(x)[..., None, :])

    def concentration(self, x: Array) -> Array:
        """Ratio of concentration: mass of the lot's feed / of each stream, (…, S)."""
        return ratio(1.0, self.yields(x))

    def efficiency(self, x: Array, wanted: int, pure: float = 1.0) -> Array:
        """Schulz's separation efficiency of each stream, over the whole lot, (…, S). See `schulz`."""
        sources = list(self.network.sources)
        held, masses = self.amounts(x)[..., wanted], self.masses(x)
        return schulz(
            held,
            masses,
            held[..., sources].sum(axis=-1)[..., None],
            masses[..., sources].sum(-1)[..., None],
            pure,
        )

    def pass_yields(self, x: Array, node: Node) -> Array:
        """Mass of each product / of all feed of the pass, (…, products)."""
        masses = self.masses(x)
        return ratio(masses[..., list(node.outs)], masses[..., list(node.ins)].sum(axis=-1)[..., None])

    def pass_recoveries(self, x: Array, node: Node) -> Array:
        """What each product holds / what all feed of the pass held, (…, products, C)."""
        held = self.amounts(x)
        return ratio(held[..., list(node.outs), :], held[..., list(node.ins), :].sum(axis=-2)[..., None, :])

    def pass_efficiency(self, x: Array, node: Node, wanted: int, pure: float = 1.0) -> Array:
        """Schulz's separation efficiency of each product of the pass, (…, products). See `schulz`."""
        held, masses, ins, outs = (
            self.amounts(x)[..., wanted],
            self.masses(x),
            list(node.ins),
            list(node.outs),
        )
        return schulz(
            held[..., outs],
            masses[..., outs],
            held[..., ins].sum(axis=-1)[..., None],
            masses[..., ins].sum(axis=-1)[..., None],
            pure,
        )


def ratio(upper: Array | float, lower: Array) -> Array:
    """upper / lower, quietly NaN or infinite where lower is 0."""
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(upper / lower)


def schulz(held: Array, mass: Array, fed: Array, feed_mass: Array, pure: float = 1.0) -> Array:
    """Separation efficiency: recovery of the wanted component - recovery of all else (Schulz 1970).

    ``held``, ``fed``: the wanted component in product and feed, kg; ``pure``: its grade in its pure mineral
    (0.786 for tin in cassiterite), 1 for a metal; all else is what is no such mineral.
    """
    rest, fed_rest = pure * mass - held, pure * feed_mass - fed
    return ratio(held, fed) - ratio(rest, fed_rest)


@dataclass(frozen=True, slots=True)
class TwoProducts:
    """A separation into two products, from assays alone. ``u_…``: standard uncertainties."""

    share: float  # yield of the concentrate
    u_share: float
    recovery: float  # to the concentrate
    u_recovery: float
    concentration: float  # ratio of concentration: feed / concentrate
    enrichment: float


def two_products(
    feed: float, concentrate: float, tail: float, u: tuple[float, float, float] = (0.0, 0.0, 0.0)
) -> TwoProducts:
    """The two-product formula: yield (f-t)/(c-t), recovery c(f-t)/(f(c-t)) (Wills, Mineral Processing
    Technology), with independent standard uncertainties ``u`` of the three grades (fractions).

    ValueError where concentrate and tail are equal (nothing was separated: any yield would do) or the feed
    holds nothing. A feed outside of the two gives an impossible yield, which is left as it is.
    """
    if concentrate == tail:
        raise ValueError(
            f"concentrate and tail both have the grade {tail:g}: that tells nothing of the yield"
        )
    if feed == 0.0:
        raise ValueError("the feed's grade is 0: there is nothing to recover")

    def figures(x: Array) -> Array:
        f, c, t = x[..., 0], x[..., 1], x[..., 2]
        share = (f - t) / (c - t)
        return np.stack([share, c * share / f], axis=-1)

    at = np.array([feed, concentrate, tail])
    share, recovery = (float(one) for one in figures(at))
    u_share, u_recovery = (float(one) for one in np.linalg.norm(gradients(figures, at) * np.array(u), axis=1))
    return TwoProducts(
        share, u_share, recovery, u_recovery, 1.0 / share if share else np.inf, concentrate / feed
    )
