"""The balances as equations of all variables at once, with their derivatives.

Variables: the S dry masses, then the S·C grades, stream by stream. A component balance holds a product of a
mass and a grade, so the whole is bilinear. Where the components are everything, one component balance of
each node follows from its mass balance, the others and the grades' sums; it is left out, so that the
equations stay independent of each other.

Everything here is in scaled variables: masses in `Scaling.mass`, grades in `Scaling.grades`; the equations
are then of the order of 1, whatever the units and however poor the material.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from logger.balance.network import Network

Array = NDArray[Any]


@dataclass(frozen=True, slots=True)
class Scaling:
    """The unit of mass (kg) and each component's unit of grade, shape (C,)."""

    mass: float
    grades: Array

    def of(self, streams: int) -> Array:
        """The unit of each variable, shape (S + S·C,)."""
        return np.concatenate([np.full(streams, self.mass), np.tile(self.grades, streams)])


class Balances:
    """The equations f(x) = 0 of a network. Rows: masses, then components by node, then sums by stream."""

    def __init__(self, network: Network, components: int, complete: bool, scaling: Scaling) -> None:
        self.network = network
        self.streams = len(network.streams)
        self.components = components
        self.scaling = scaling
        self.variables = self.streams * (1 + components)
        self.sums = complete and components > 0
        left_out = int(np.argmax(scaling.grades)) if self.sums else -1
        self.kept = [c for c in range(components) if c != left_out]
        self.incidence = network.incidence
        nodes = len(network.nodes)
        self.rows = nodes * (1 + len(self.kept)) + (self.streams if self.sums else 0)

    def names(self, components: Sequence[str]) -> tuple[str, ...]:
        """What each row is, in words."""
        nodes = self.network.nodes
        found = [f"the mass balance of {node.name}" for node in nodes]
        found += [f"the balance of {components[c]} over {node.name}" for node in nodes for c in self.kept]
        if self.sums:
            found += [f"the sum of the components of {name}" for name in self.network.streams]
        return tuple(found)

    def split(self, x: Array) -> tuple[Array, Array]:
        """Masses (…, S) and grades (…, S, C) of variables (…, n)."""
        return x[..., : self.streams], x[..., self.streams :].reshape(
            *x.shape[:-1], self.streams, self.components
        )

    def values(self, x: Array) -> Array:
        """f(x), shape (…, rows), of scaled variables (…, n)."""
        masses, grades = self.split(x)
        held = masses[..., None] * grades[..., self.kept]
        parts = [masses @ self.incidence.T]
        through = np.swapaxes(np.swapaxes(held, -1, -2) @ self.incidence.T, -1, -2)
        parts.append(through.reshape(*x.shape[:-1], len(self.kept) * len(self.incidence)))
        if self.sums:
            parts.append(grades @ self.scaling.grades - 1.0)
        return np.concatenate(parts, axis=-1)

    def sizes(self, x: Array) -> Array:
        """What f(x) is to be compared with: the sum of its terms' magnitudes, shape (…, rows)."""
        masses, grades = np.abs(self.split(x)[0]), np.abs(self.split(x)[1])
        through = np.abs(self.incidence)
        held = masses[..., None] * grades[..., self.kept]
        parts = [masses @ through.T]
        parts.append(np.swapaxes(np.swapaxes(held, -1, -2) @ through.T, -1, -2).reshape(*x.shape[:-1], -1))
        if self.sums:
            parts.append(grades @ self.scaling.grades + 1.0)
        return np.concatenate(parts, axis=-1)

    def slopes(self, x: Array) -> Array:
        """∂f/∂x at one point (n,), shape (rows, n)."""
        masses, grades = self.split(x)
        nodes, kept = len(self.network.nodes), len(self.kept)
        table = np.zeros((self.rows, self.variables))
        table[:nodes, : self.streams] = self.incidence
        through = table[nodes : nodes * (1 + kept)].reshape(nodes, kept, self.variables)
        by_grade = through[:, :, self.streams :].reshape(nodes, kept, self.streams, self.components)
        for row, c in enumerate(self.kept):
            through[:, row, : self.streams] = self.incidence * grades[:, c]
            by_grade[:, row, :, c] = self.incidence * masses
        # `reshape` of a slice copies: write it back
        through[:, :, self.streams :] = by_grade.reshape(nodes, kept, self.variables - self.streams)
        if self.sums:
            for s in range(self.streams):
                at = self.streams + s * self.components
                table[nodes * (1 + kept) + s, at : at + self.components] = self.scaling.grades
        return table

    def pulled(self, x: Array, by: Array) -> Array:
        """(∂f/∂x)ᵀ·by at many points at once: x (…, n), by (…, rows) -> (…, n)."""
        masses, grades = self.split(x)
        nodes, kept = len(self.network.nodes), len(self.kept)
        ends = nodes * (1 + kept)
        through = by[..., nodes:ends].reshape(*by.shape[:-1], nodes, kept)
        on_streams = self.incidence.T @ through  # (…, S, kept)
        found = np.zeros((*by.shape[:-1], self.variables))
        found[..., : self.streams] = by[..., :nodes] @ self.incidence
        found[..., : self.streams] += (on_streams * grades[..., self.kept]).sum(axis=-1)
        on_grades = np.zeros((*by.shape[:-1], self.streams, self.components))
        on_grades[..., self.kept] = on_streams * masses[..., None]
        if self.sums:
            on_grades += by[..., ends:, None] * self.scaling.grades
        found[..., self.streams :] = on_grades.reshape(*by.shape[:-1], self.variables - self.streams)
        return found
