"""Slow wander of a quantity around its mean."""

from __future__ import annotations

from math import exp, sqrt
from random import Random


class Wander:
    """An Ornstein-Uhlenbeck process of standard deviation ``sd`` and memory ``memory_s``.

    It moves once a second, which is often enough for memories of a minute and more.
    """

    __slots__ = ("_keep", "_kick", "_next_s", "_rng", "_value")

    def __init__(self, sd: float, memory_s: float, rng: Random) -> None:
        self._keep = exp(-1.0 / memory_s)
        self._kick = sd * sqrt(1.0 - self._keep**2)
        self._rng = rng
        self._value = rng.gauss(0.0, sd)
        self._next_s = 1.0

    def at(self, at_s: float) -> float:
        """The value at a time; times may only go forward."""
        while at_s >= self._next_s:
            self._value = self._keep * self._value + self._rng.gauss(0.0, self._kick)
            self._next_s += 1.0
        return self._value
