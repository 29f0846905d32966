"""An outlet's lip: where it plugs, piles up, and lets go again."""

from __future__ import annotations

from random import Random

from logger.simulator.troubles import Clog

_REST_KG = 2e-4


class Lip:
    """Passes lumps, or holds some of them back. ``piled_kg`` is what stands behind the plug."""

    __slots__ = ("_clog", "_rng", "_surge_s", "held", "piled_kg")

    def __init__(self, rng: Random) -> None:
        self._rng = rng
        self._clog: Clog | None = None
        self._surge_s = 4.0
        self.piled_kg = 0.0
        self.held = False  # anything to do here at all

    def plug(self, clog: Clog) -> None:
        self._clog = clog
        self.held = True

    def clear(self) -> None:
        if self._clog is not None:
            self._surge_s = self._clog.surge_s
        self._clog = None

    def step(self, at_s: float, arrived_kg: float, dt_s: float) -> tuple[float, float, float]:
        """(what comes out, what flows over to the neighbours, what strays) in a step, in kg."""
        clog = self._clog
        if clog is None:
            out_kg = arrived_kg + self._let_go(dt_s)
            return out_kg, 0.0, 0.0
        if arrived_kg <= 0.0:
            return 0.0, 0.0, 0.0
        grown = 1.0 if clog.ramp_s <= 0.0 else min(1.0, (at_s - clog.at_s) / clog.ramp_s)
        if self._rng.random() >= clog.blocked * grown:
            return arrived_kg, 0.0, 0.0
        strayed_kg = arrived_kg * clog.strays
        piled_kg = min((arrived_kg - strayed_kg) * clog.piles, max(0.0, clog.pile_limit_kg - self.piled_kg))
        self.piled_kg += piled_kg
        return 0.0, arrived_kg - strayed_kg - piled_kg, strayed_kg

    def _let_go(self, dt_s: float) -> float:
        out_kg = self.piled_kg * min(1.0, dt_s / self._surge_s)
        if self.piled_kg < _REST_KG:
            out_kg, self.held = self.piled_kg, False
        self.piled_kg -= out_kg
        return out_kg
