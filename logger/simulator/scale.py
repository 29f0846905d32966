"""What a scale shows of the force on it: resolution, noise, vibration, zero tracking, keys, faults."""

from __future__ import annotations

from collections import deque
from math import ceil, exp, log10, pi, sin
from random import Random
from typing import NamedTuple

from logger.simulator.scenario import Scale

_KG = {"kg": 1.0, "g": 1e-3, "lb": 0.45359237}
_STEADY_S = 0.8


class Shown(NamedTuple):
    """One reading as shown. ``status`` is ``ok``, ``zero``, ``over`` or ``under``; ``net`` after a tare."""

    value: str
    unit: str
    stable: bool | None
    status: str = "ok"
    net: bool = False


def division(resolution_kg: float, unit: str) -> float:
    """The scale's division in another unit: the next 1, 2 or 5 times a power of ten."""
    if unit == "kg":
        return resolution_kg
    least = resolution_kg / _KG[unit] * (1 - 1e-9)
    power = 10.0 ** ceil(log10(least) - 1)
    return next(step * power for step in (1.0, 2.0, 5.0, 10.0) if step * power >= least)


def decimals(step: float) -> int:
    """Decimals that a number in steps of ``step`` needs."""
    return max(0, next(n for n in range(9) if abs(step * 10**n - round(step * 10**n)) < 1e-6))


class ScaleModel:
    """A scale with its memory. `read` must be called with rising times."""

    def __init__(self, scale: Scale, rng: Random) -> None:
        self.scale = scale
        self._rng = rng
        self._phase = rng.uniform(0.0, 2.0 * pi)
        self._smooth_kg: float | None = None
        self._zero_kg = 0.0
        self._tare_kg = 0.0
        self._last_s = 0.0
        self._recent: deque[tuple[float, int]] = deque()
        self._last: Shown | None = None
        self.frozen = self.silent = self.unplugged = False
        self.garbled = 0.0
        self._bumps: list[tuple[float, float, float]] = []  # (at s, kg, for s)
        self.set_unit(scale.unit)

    def set_unit(self, unit: str) -> None:
        self.unit = unit
        self._step = division(self.scale.resolution_kg, unit)
        self._decimals = decimals(self._step)
        self._recent.clear()

    def press_zero(self) -> None:
        """The zero key: what stands on it now is zero."""
        self._zero_kg = self._smooth_kg or 0.0
        self._tare_kg = 0.0

    def clear_tare(self) -> None:
        """Back to gross."""
        self._tare_kg = 0.0

    def press_tare(self) -> None:
        """The tare key: net from here on; with an empty scale back to gross."""
        seen_kg = (self._smooth_kg or 0.0) - self._zero_kg
        self._tare_kg = 0.0 if abs(seen_kg) < 2 * self.scale.resolution_kg else seen_kg

    def bump(self, at_s: float, force_kg: float, for_s: float) -> None:
        """Somebody leans on it from now on."""
        self._bumps = [b for b in self._bumps if b[0] + b[2] > at_s]
        self._bumps.append((at_s, force_kg, for_s))

    def _bump_kg(self, at_s: float) -> float:
        """The elbow comes quickly, is a little unsteady, and goes."""
        total_kg = 0.0
        for begin_s, force_kg, for_s in self._bumps:
            x = (at_s - begin_s) / for_s
            if 0.0 <= x < 1.0:
                edge = min(1.0, 8.0 * x, 8.0 * (1.0 - x))
                total_kg += force_kg * edge * (1.0 + 0.05 * self._rng.gauss(0.0, 1.0))
        return total_kg

    def read(self, at_s: float, force_kg: float) -> Shown:
        """What it shows at a time (s) under a force (kg)."""
        scale, rng = self.scale, self._rng
        passed_s = at_s - self._last_s
        if self._bumps:
            force_kg += self._bump_kg(at_s)
        self._last_s = at_s
        if self._smooth_kg is None:
            self._smooth_kg = force_kg
            if scale.zeroed_on_tare:
                self._zero_kg = force_kg
        elif scale.filter_s > 0.0:
            self._smooth_kg += (force_kg - self._smooth_kg) * (1.0 - exp(-passed_s / scale.filter_s))
        else:
            self._smooth_kg = force_kg
        if self.frozen and self._last is not None:
            return self._last
        shaken_kg = scale.vibration_kg * sin(2.0 * pi * scale.vibration_hz * at_s + self._phase)
        gross_kg = self._smooth_kg - self._zero_kg + shaken_kg + rng.gauss(0.0, scale.noise_kg)
        if scale.zero_tracking:
            self._track_zero(gross_kg, passed_s)
        self._last = self._show(at_s, gross_kg)
        return self._last

    def _track_zero(self, gross_kg: float, passed_s: float) -> None:
        if abs(gross_kg) < 1.5 * self.scale.resolution_kg:
            most_kg = 0.5 * self.scale.resolution_kg * passed_s
            self._zero_kg += min(max(gross_kg, -most_kg), most_kg)

    def _show(self, at_s: float, gross_kg: float) -> Shown:
        step_kg = _KG[self.unit] * self._step
        count = round((gross_kg - self._tare_kg) / step_kg)
        recent = self._recent  # of the load, so that keys and zero tracking are no motion
        load = round((gross_kg + self._zero_kg) / step_kg)
        recent.append((at_s, load))
        while recent[0][0] < at_s - _STEADY_S:
            recent.popleft()
        stable = None
        if self.scale.says_stable:
            stable = len(recent) > 1 and all(abs(load - other) <= 1 for _, other in recent)
        over_kg = self.scale.capacity_kg + 9 * self.scale.resolution_kg
        status = "ok"
        if gross_kg > over_kg:
            status = "over"
        elif gross_kg < -20 * self.scale.resolution_kg:
            status = "under"
        elif abs(gross_kg) <= 0.25 * self.scale.resolution_kg:
            status = "zero"
        value = f"{count * self._step:.{self._decimals}f}"
        return Shown(value, self.unit, stable, status, self._tare_kg != 0.0)
