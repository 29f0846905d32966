"""The table's deck: what is fed is split into lumps, each of which reaches its outlet in its own time.

A short bed under the feed holds what has not been split yet. Lumps leave it for outlet i as a compound
Poisson stream whose rate is the outlet's share of the bed's outflow. Each lump travels for the outlet's
dead time plus an exponential time, so that on average the outlet sees the feed through a dead time and
a first-order lag, while lumps stay whole (a randomly displaced Poisson stream is one again).

Because lumps take their mass from the bed, nothing is made or lost, and what one outlet gets by chance the
others do not. The first ``_FILL_S`` seconds of feed fill the bed, and stay there.
"""

from __future__ import annotations

from math import exp, pi, sin
from random import Random

from logger.simulator.scenario import Outlet
from logger.simulator.wander import Wander

_BED_S = 4.0  # time constant of the bed
_FILL_S = 6.0
_FILL_KG = 0.1
_TAIL = 8.0  # slowest lump, in time constants


class Deck:
    """Lumps under way to the outlets, in buckets of one step each."""

    def __init__(self, outlets: tuple[Outlet, ...], target_kg_h: float, dt_s: float, rng: Random) -> None:
        self._outlets = outlets
        self._dt_s = dt_s
        self._rng = rng
        self._fill_kg = min(_FILL_KG, _FILL_S * target_kg_h / 3600.0)
        self._wanders = [Wander(o.wander, o.wander_s, rng) for o in outlets]
        self._phases_s = [rng.uniform(0.0, o.surge_period_s) for o in outlets]
        self._rings = [[0.0] * (int((o.dead_s + _TAIL * o.spread_s) / dt_s) + 2) for o in outlets]
        self._due = [rng.expovariate(1.0) for _ in outlets]  # expected lumps until the next one
        self._mean_kg = [self._mean_lump_kg(o) for o in outlets]
        self._weights = [0.0] * len(outlets)
        self._next_s = 0.0
        self._step = 0
        self.bed_kg = 0.0
        self.travelling_kg = 0.0

    @staticmethod
    def _mean_lump_kg(outlet: Outlet) -> float:
        """Mean over lumps and wads, by number."""
        wad = outlet.wad_share
        return 1e-3 / ((1.0 - wad) / outlet.lump_g + wad / outlet.wad_g)

    @property
    def shares(self) -> list[float]:
        """The split as it stands now; sums to 1."""
        return [weight * mean for weight, mean in zip(self._weights, self._mean_kg, strict=True)]

    def _renew_split(self, at_s: float) -> None:
        parts = []
        for outlet, wander, phase_s in zip(self._outlets, self._wanders, self._phases_s, strict=True):
            surge = outlet.surge * sin(2.0 * pi * (at_s + phase_s) / outlet.surge_period_s)
            parts.append(outlet.share * exp(wander.at(at_s)) * (1.0 + surge))
        total = sum(parts)
        self._weights = [part / total / mean for part, mean in zip(parts, self._mean_kg, strict=True)]
        self._next_s = at_s + 1.0

    def _lump_kg(self, outlet: Outlet) -> float:
        wads = outlet.wad_share
        if wads > 0.0:
            by_number = wads / outlet.wad_g * self._mean_lump_kg(outlet) * 1e3
            if self._rng.random() < by_number:
                return self._rng.expovariate(1.0) * outlet.wad_g * 1e-3
        return self._rng.expovariate(1.0) * outlet.lump_g * 1e-3

    def step(self, at_s: float, fed_kg: float) -> list[float]:
        """Take what was fed in a step; give what reaches each outlet's lip in it (kg)."""
        self._step += 1
        if at_s >= self._next_s:
            self._renew_split(at_s)
        self.bed_kg += fed_kg
        flow_kg = (self.bed_kg - self._fill_kg) * self._dt_s / _BED_S
        due = self._due
        if flow_kg > 0.0:
            for i, weight in enumerate(self._weights):
                due[i] -= flow_kg * weight
                while due[i] <= 0.0:
                    due[i] += self._rng.expovariate(1.0)
                    self._send(i)
        arrived = []
        for ring in self._rings:
            slot = self._step % len(ring)
            arrived.append(ring[slot])
            ring[slot] = 0.0
        self.travelling_kg -= sum(arrived)
        return arrived

    def _send(self, i: int) -> None:
        outlet = self._outlets[i]
        mass_kg = min(self._lump_kg(outlet), self.bed_kg)
        self.bed_kg -= mass_kg
        self.travelling_kg += mass_kg
        delay_s = outlet.dead_s + self._rng.expovariate(1.0) * outlet.spread_s
        ring = self._rings[i]
        steps = min(max(1, round(delay_s / self._dt_s)), len(ring) - 1)
        ring[(self._step + steps) % len(ring)] += mass_kg

    def hold_up_kg(self) -> float:
        """What is on the deck, counted afresh."""
        return self.bed_kg + sum(map(sum, self._rings))
