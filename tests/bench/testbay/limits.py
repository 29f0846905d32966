"""Bounds with the physics that is true: when a clog, or a drift of the feed, could be noticed at the best."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from scipy.linalg import cholesky, solve_triangular
from scipy.special import ndtri

from tests.bench.bound import Cumulant, sampled_lumps, stop_noticed_s

if TYPE_CHECKING:
    from tests.bench.testbay.spec import Event, OutletSpec, Plan, ScaleSpec
    from tests.bench.testbay.trace import Trace

HOURS = 100.0  # between false alarms
BIN_S = 10.0
HISTORY_S = 600.0


def noise_g(scale: ScaleSpec) -> float:
    """Standard deviation of a reading; the vibration counts with its mean square."""
    return 1000.0 * float(scale.sigma_kg**2 + scale.vibration_kg**2 / 2.0 + scale.slow_kg**2) ** 0.5


def clog_bound_s(
    rate_kg_s: float, spec: OutletSpec, blocked: float, ramp_s: float, true_lumps: bool = True
) -> float | None:
    """Seconds after its begin in which a clog of that depth and ramp can be noticed; None: not in an hour.

    ``true_lumps``: with the distribution that the lumps have, else with exponential ones of the same phi.
    """
    if rate_kg_s <= 0.0:
        return None
    return stop_noticed_s(
        rate_kg_s * 3600.0,
        spec.all_phi_kg * 1000.0,
        noise_g(spec.scale),
        spec.scale.resolution_kg * 1000.0,
        1.0 / spec.scale.hz,
        blocked,
        HOURS,
        ramp_s,
        _lumps_of(spec) if true_lumps else None,
    )


def _lumps_of(spec: OutletSpec) -> Cumulant:
    """kappa of common lumps and wads that arrive independently: the mean of theirs, weighed by mass."""
    common = _cumulant(spec.lump, spec.phi_kg * 1000.0)
    wads = _cumulant("exponential", spec.wad_phi_kg * 1000.0)
    share = spec.wad_share
    return lambda u: (1.0 - share) * common(u) + share * wads(u)


def _cumulant(kind: str, phi_g: float) -> Cumulant:
    """(1 - E exp(-u X)) / E X of one kind of lumps (see `physics`)."""
    if kind == "lognormal":  # of sigma 1, by 500 equally likely masses
        mean_g = phi_g / np.e
        return sampled_lumps(mean_g * np.exp(ndtri((np.arange(500) + 0.5) / 500) - 0.5))
    shape = 2.0 if kind == "gamma" else 1.0
    scale_g = phi_g / (1.0 + shape)
    return lambda u: (1.0 - (1.0 + scale_g * u) ** -shape) / (shape * scale_g)


def drift_bound_s(plan: Plan, e: Event) -> float | None:
    """When a change of the feed's mean, of known shape, could be told from what the feed does anyhow.

    Half of off' C^-1 off (the information of a known change in Gaussian noise) must reach log(H / T). C is
    the covariance of what `BIN_S` bring: lumps, wander (Gauss-Markov), auger (a sine of unknown phase) and
    the readings' noise; ten minutes before the change are known as well. None: not in the trace, or the
    change leaves the mean as it is.
    """
    if e.data["what"] == "pulsing":
        return None
    rate_g_s = plan.target_kg_h / 3.6
    before, n = round(HISTORY_S / BIN_S), round((HISTORY_S + e.until_s - e.at_s) / BIN_S)
    apart_s = np.abs(np.subtract.outer(np.arange(n), np.arange(n))) * BIN_S
    wander = (plan.feed_wander * rate_g_s * BIN_S) ** 2 * np.exp(-apart_s / plan.feed_wander_s)
    thin = np.sinc(BIN_S / plan.auger_s)  # what of a sine is left in the mean of a bin
    auger = 0.5 * (plan.auger * rate_g_s * BIN_S * thin) ** 2 * np.cos(2.0 * np.pi * apart_s / plan.auger_s)
    covariance = wander + auger * np.exp(-apart_s / 120.0)
    level = noise_g(plan.feed_scale) ** 2 + (plan.feed_scale.resolution_kg * 1000.0) ** 2 / 12.0
    level /= plan.feed_scale.hz * BIN_S  # of the mean of a bin's readings
    covariance += np.diag(np.full(n, 1000.0 * plan.feed_lump_kg * rate_g_s * BIN_S + 2.0 * level))
    covariance -= level * (np.eye(n, k=1) + np.eye(n, k=-1))
    t = (np.arange(n) - before + 0.5) * BIN_S
    off = rate_g_s * BIN_S * e.data["size"] * np.clip(t / max(e.data["ramp_s"], 1e-9), 0.0, 1.0)
    whitened = solve_triangular(cholesky(covariance, lower=True), off, lower=True)
    told = 0.5 * np.cumsum(whitened**2)[before:]
    end_s = np.arange(1, n - before + 1) * BIN_S
    enough = np.flatnonzero(told >= np.log(HOURS * 3600.0 / end_s))
    return float(end_s[enough[0]]) if len(enough) else None


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
