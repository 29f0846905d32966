"""The bound of a clog with the physics that is true: the least time in which it could be noticed."""

from __future__ import annotations

from math import log
from typing import TYPE_CHECKING

import numpy as np

from logger.core.rules.notice import BETWEEN_FALSE_ALARMS_S, difference_variance, evidence, noise_density

if TYPE_CHECKING:
    from tests.bench.testbay.plan import Event, OutletSpec, Plan, ScaleSpec
    from tests.bench.testbay.trace import Trace

LONGEST_S = 900.0


def scale_noise(scale: ScaleSpec) -> float:
    """r = interval (sigma^2 + d^2 / 12) in mg^2 s; the vibration counts with its mean square."""
    sigma_kg = (scale.sigma_kg**2 + scale.vibration_kg**2 / 2.0 + scale.slow_kg**2) ** 0.5
    return noise_density(sigma_kg * 1e6, scale.resolution_kg * 1e6, 1.0 / scale.hz)


def clog_bound_s(rate_kg_s: float, spec: OutletSpec, blocked: float, ramp_s: float) -> float | None:
    """Seconds after its begin in which a clog of that depth and ramp can be noticed; None: never."""
    rate, phi, noise = rate_kg_s * 1e6, spec.all_phi_kg * 1e6, scale_noise(spec.scale)

    def enough(t: float) -> bool:
        closed_s = t - 0.5 * ramp_s if t > ramp_s else 0.5 * t * t / max(ramp_s, 1e-9)
        expected = rate * t
        variance = difference_variance(rate, phi, noise, t)
        found = evidence(expected, rate * (t - blocked * closed_s), variance, phi)
        return found >= log(BETWEEN_FALSE_ALARMS_S / t)

    if rate <= 0.0 or not enough(LONGEST_S):
        return None
    low, high = 0.1, LONGEST_S
    while high - low > 0.005 * high:
        middle = (low * high) ** 0.5
        low, high = (low, middle) if enough(middle) else (middle, high)
    return high


def drift_bound_s(plan: Plan, e: Event) -> float | None:
    """When a drift of the feed can be told from its wander: a Gaussian likelihood over the best window.

    (mass beyond expectation)^2 / 2 (q w + V) >= log(H / T), with q the feed's variance a second from lumps
    and wander, and V that of a mass difference by reading noise and auger. None: never, or no change in mass.
    """
    if e.data["what"] == "pulsing":
        return None
    rate = plan.target_kg_h / 3600.0
    q = plan.feed_lump_kg * rate + 2.0 * (plan.feed_wander * rate) ** 2 * plan.feed_wander_s
    auger = (plan.auger * rate * plan.auger_s / (2.0 * np.pi)) ** 2
    noise = scale_noise(plan.feed_scale) * 1e-12
    t = np.arange(1.0, e.until_s - e.at_s)
    off = np.cumsum(rate * e.data["size"] * np.clip(t / max(e.data["ramp_s"], 1.0), 0.0, 1.0))
    for k in range(4, len(t)):
        w = t[k] - t[: k - 2]
        told = (off[k] - off[: k - 2]) ** 2 / (2.0 * (q * w + auger + 12.0 * noise / w))
        if told.max() >= log(BETWEEN_FALSE_ALARMS_S / t[k]):
            return float(t[k])
    return None


def mass_u_kg(trace: Trace, name: str) -> float:
    """What resolution and the time without container allow: the standard uncertainty of a mass delivered.

    A difference of two rounded levels for each container; what flowed uncaught can be known no better than
    by its lumps and the split's wander.
    """
    spec = trace.outlet(name)
    changes = [e for e in trace.events if e.kind == "change" and f"out{(e.outlet or 0) + 1}" == name]
    variance = (1 + len(changes)) * 2.0 * spec.scale.resolution_kg**2 / 12.0
    for e in changes:
        if not e.data["caught"]:
            gap_kg = trace.rate_kg_s(name, e.at_s, e.until_s) * (e.until_s - e.at_s)
            variance += spec.all_phi_kg * gap_kg + (spec.wander * gap_kg) ** 2
    return float(variance**0.5)
