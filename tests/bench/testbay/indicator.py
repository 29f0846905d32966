"""What the indicator shows, line by line: noise, vibration, rounding, time of each line, and its faults."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

from tests.bench.testbay.physics import DT_S, Array, wandering
from tests.bench.testbay.plan import Plan, ScaleSpec, rng_of

UNITS = ("kg", "g", "lb")
STATUSES = ("ok", "over", "under")
LB_KG = 0.45359237


@dataclass(frozen=True)
class Lines:
    """What one channel sent: times (ns after the epoch), and ``number * 10**exp`` in ``UNITS[unit]``."""

    at_ns: NDArray[np.int64]
    number: NDArray[np.int64]
    exp: NDArray[np.int64]
    unit: NDArray[np.int64]
    stable: NDArray[np.bool_]
    status: NDArray[np.int64]  # index in STATUSES

    def __len__(self) -> int:
        return len(self.at_ns)

    def kg(self) -> Array:
        """What was shown, in kg whatever the unit."""
        factor = np.array([1.0, 1e-3, LB_KG])[self.unit]
        return np.asarray(self.number * 10.0**self.exp * factor)


def lines(plan: Plan, scale: ScaleSpec, t: Array, level: Array, k: int) -> Lines:
    """The lines of the scale of outlet k (-1: the feed's) that stands under ``level``."""
    r = rng_of(plan.seed, plan.regime, plan.what, 200 + k)
    at_s = np.arange(r.uniform(0.0, 1.0 / scale.hz) + 0.3, plan.length_s - 0.2, 1.0 / scale.hz)
    at_s = np.sort(at_s + np.clip(plan.regime.jitter_s * r.normal(size=len(at_s)), -0.04, 0.04))
    keep = float(np.exp(-DT_S / scale.filter_s))
    shown = lfilter([1.0 - keep], [1.0, -keep], level, zi=[level[0] * keep])[0]
    value = np.interp(at_s, t, shown) + _noise(r, scale, t, at_s)
    d = scale.resolution_kg
    if scale.zero_tracking:
        value = value - _tracked_zero(value, d, 1.0 / scale.hz)
    status = np.where(value > scale.capacity_kg, 1, np.where(value < -scale.capacity_kg, 2, 0))
    steps = np.round(np.minimum(value, scale.capacity_kg) / d)
    steps = np.maximum(steps, np.round(-scale.capacity_kg / d))
    stable = np.abs(np.diff(steps, prepend=steps[0])) <= 1
    number, exp = (steps * round(d * 1000)).astype(np.int64), np.full(len(at_s), -3)
    unit = np.zeros(len(at_s), np.int64)
    mine = [e for e in plan.events if e.outlet == k]
    for e in [e for e in mine if e.kind == "unit"]:
        on = (at_s >= e.at_s) & (at_s < e.until_s)
        unit[on] = UNITS.index(e.data["unit"])
        if e.data["unit"] == "g":
            exp[on] = 0
        else:  # pounds in steps of about the same size: 1, 2 or 5 times a power of ten
            step = _lb_step(d)
            number[on] = np.round(value[on] / LB_KG / step) * round(step * 1000)
    for e in [e for e in mine if e.kind == "frozen"]:
        on = np.flatnonzero((at_s >= e.at_s) & (at_s < e.until_s))
        for column in (number, exp, unit, stable, status):
            column[on] = column[max(on[0] - 1, 0)]
    there = r.random(len(at_s)) >= scale.lost
    for e in [e for e in mine if e.kind == "silent"]:
        there &= (at_s < e.at_s) | (at_s >= e.until_s)
    at_ns = np.round(at_s * 1000).astype(np.int64) * 10**6
    return Lines(at_ns[there], number[there], exp[there], unit[there], stable[there], status[there])


def _lb_step(d_kg: float) -> float:
    fine = d_kg / LB_KG
    steps = [m * 10.0**e for e in (-3, -2) for m in (1, 2, 5)]
    return min(steps, key=lambda step: abs(np.log(step / fine)))


def _tracked_zero(value: Array, d: float, interval_s: float) -> Array:
    """What automatic zero tracking takes for zero: it follows what lies within half a division of it.

    By at most half a division a second (OIML R 76-1:2006, 4.5.7, from memory).
    """
    zero = np.zeros(len(value))
    step, now = 0.5 * d * interval_s, 0.0
    near = np.flatnonzero(np.abs(value) < 3.0 * d)
    if len(near) == 0:
        return zero
    for i in range(int(near[0]), len(value)):
        off = float(value[i]) - now
        if -0.5 * d < off < 0.5 * d:
            now += max(-step, min(step, off))
        zero[i] = now
    return zero


def _noise(r: np.random.Generator, scale: ScaleSpec, t: Array, at_s: Array) -> Array:
    """White noise, the table's vibration as it beats against the sampling, and slow wander."""
    phase = 2.0 * np.pi * scale.vibration_hz * at_s + np.interp(at_s, t, wandering(r, t, 1.0, 60.0))
    noise = scale.sigma_kg * r.normal(size=len(at_s)) + scale.vibration_kg * np.sin(phase)
    if scale.slow_kg > 0.0:
        noise = noise + np.interp(at_s, t, wandering(r, t, scale.slow_kg, 200.0))
    return np.asarray(noise)
