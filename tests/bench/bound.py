"""How soon a stop or a drift can be noticed at all; what a chart does on average. No code of the program.

**A stop.** A stream of rate lambda (g/s) arrives in lumps X at random; what a window of T seconds brings
has log E exp(-u S) = -lambda T kappa(u), kappa(u) = (1 - E exp(-u X)) / E X (compound Poisson). Readings
add noise of density r = interval (sigma^2 + d^2 / 12). By Chernoff's bound a stream that still flows
brings (1 - b) lambda T or less with a log-probability of at most

    -max_u [ lambda T kappa(u) - u (1 - b) lambda T - V(T) u^2 / 2 ]

V = min(1.5 sqrt(r phi lambda), 12 r / T) (a Kalman level with a smoothed start, or a line through the
window's readings). A stop is noticed at the smallest T where that reaches log(H / T), H the time between
false alarms. Chernoff 1952, from memory; the use made of it is a derivation of our own, held against an
exact Bayes filter in `tests/reference/test_stop_bound.py`.

**A drift of the feed** is Gaussian: the information in the readings about a change of known shape.
"""

from __future__ import annotations

from collections.abc import Callable
from math import exp, log, sqrt

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]
Cumulant = Callable[[Array], Array]  # u in 1/g -> kappa(u) in 1/g

LONGEST_S = 3600.0


def exponential_lumps(phi_g: float) -> Cumulant:
    """kappa of lumps of exponential mass, phi = E X^2 / E X = twice their mean; phi 0: a smooth stream."""
    return lambda u: u / (1.0 + 0.5 * phi_g * u)


def sampled_lumps(masses_g: ArrayLike) -> Cumulant:
    """kappa of lumps that arrive at random, from a sample of their masses (g)."""
    lumps = np.asarray(masses_g, float)
    return lambda u: -np.expm1(-np.multiply.outer(u, lumps)).mean(axis=-1) / lumps.mean()


def sampled_increments(masses_g: ArrayLike) -> Cumulant:
    """kappa of a stream known by what equal, independent spans of it brought: -log E exp(-u X) / E X.

    A span must be long beside the memory of the stream; a sample of n spans says nothing beyond log n nats.
    """
    spans = np.asarray(masses_g, float)
    return lambda u: -np.log(np.exp(-np.multiply.outer(u, spans)).mean(axis=-1)) / spans.mean()


def noise_density(sigma_g: float, d_g: float, interval_s: float) -> float:
    """r in g^2 s: what averaging readings has to fight."""
    return interval_s * (sigma_g * sigma_g + d_g * d_g / 12.0)


def silence_nats(
    kappa: Cumulant, expected_g: float, came_g: float, variance_g2: float, phi_g: float
) -> float:
    """Minus the log-probability of a shortfall: max over u of expected kappa(u) - u came - variance u^2 / 2.

    All masses in g, the variance (of the mass by reading noise) in g^2; 0 where no less came than expected.
    """
    if came_g >= expected_g:
        return 0.0
    gauss = (expected_g - came_g) / (variance_g2 + phi_g * expected_g + 1e-12)
    low, high = gauss, gauss * 1e4
    for _ in range(4):  # the exponent is concave in u: narrow the bracket around the best of a grid
        u = np.geomspace(low, high, 41)
        value = expected_g * kappa(u) - u * came_g - 0.5 * variance_g2 * u * u
        best = int(np.argmax(value))
        low, high = u[max(best - 1, 0)], u[min(best + 1, 40)]
    return max(float(value[best]), 0.0)


def stop_noticed_s(
    rate_kg_h: float,
    phi_g: float,
    sigma_g: float,
    d_g: float,
    interval_s: float,
    blocked: float = 1.0,
    hours: float = 100.0,
    ramp_s: float = 0.0,
    lumps: Cumulant | None = None,
) -> float | None:
    """Seconds after its begin in which a clog can be noticed, at one false alarm in so many ``hours``.

    ``rate_kg_h`` flowed before, in lumps of ``phi_g`` = E X^2 / E X, on a scale of noise ``sigma_g`` and
    resolution ``d_g`` read every ``interval_s``. ``blocked``: the part that stops. ``ramp_s``: how long it
    takes to close, evenly. ``lumps``: another distribution of lumps than the exponential, of that phi.
    None: not within an hour. Raises ValueError where ``blocked`` is no part.
    """
    if not 0.0 < blocked <= 1.0:
        raise ValueError(f"blocked part {blocked:g} must lie above 0 and up to 1")
    rate = rate_kg_h / 3.6
    if rate <= 0.0:
        return None
    kappa = exponential_lumps(phi_g) if lumps is None else lumps
    noise = noise_density(sigma_g, d_g, interval_s)
    kalman = 1.5 * sqrt(noise * phi_g * rate) if phi_g > 0.0 else float("inf")

    def told(t: float) -> float:
        closed_s = t - 0.5 * ramp_s if t > ramp_s else 0.5 * t * t / ramp_s
        came = rate * (t - blocked * closed_s)
        return silence_nats(kappa, rate * t, came, min(kalman, 12.0 * noise / t), phi_g)

    return _first_s(lambda t: told(t) >= log(hours * 3600.0 / t))


def _first_s(enough: Callable[[float], bool]) -> float | None:
    """The time from which ``enough`` holds, to a tenth of a per cent."""
    if not enough(LONGEST_S):
        return None
    low, high = 0.05, LONGEST_S
    while high - low > 0.001 * high:
        middle = sqrt(low * high)
        low, high = (low, middle) if enough(middle) else (middle, high)
    return high


# ---------------------------------------------------------------- Gaussian: steps and ramps of a feed


def step_information(rate_g_s: float, blocked: float, phi_g: float, noise_g2_s: float, t_s: float) -> float:
    """Gaussian information (nats) of a step after a time T.

    (b^2 lambda^2 / 2 phi lambda) [T - 1.5 tau + 2 tau e - tau e^2 / 2],
    e = exp(-T / tau), tau = sqrt(r / phi lambda): a random walk of variance phi lambda a second, seen
    through readings of density r. Of a stop of a lumpy stream it is 1.5 to 6 times too pessimistic.
    """
    q = phi_g * rate_g_s
    tau = sqrt(noise_g2_s / q)
    e = exp(-t_s / tau)
    return (blocked * rate_g_s) ** 2 / (2.0 * q) * (t_s - 1.5 * tau + 2.0 * tau * e - 0.5 * tau * e * e)


def information(off_g: Array, walk_g2_s: float, noise_g2_s: float, interval_s: float) -> Array:
    """Nats gathered reading by reading about a mean that leaves its course by ``off_g`` (cumulative mass).

    Half the sum of squares of what a Kalman filter, long settled, does not expect of the change alone, over
    its innovation's variance: the exact log-likelihood ratio, on average, of a change of known shape.
    """
    step, seen = walk_g2_s * interval_s, noise_g2_s / interval_s
    ahead = 0.5 * (step + sqrt(step * step + 4.0 * step * seen))  # predicted variance, settled
    gain, spread = ahead / (ahead + seen), ahead + seen
    level, total = 0.0, 0.0
    told = np.empty(len(off_g))
    for i, off in enumerate(off_g):
        surprise = off - level
        total += 0.5 * surprise * surprise / spread
        level += gain * surprise
        told[i] = total
    return told


def drift_noticed_s(
    rate_kg_h: float,
    size: float,
    ramp_s: float,
    walk_g2_s: float,
    noise_g2_s: float,
    interval_s: float = 0.2,
    hours: float = 100.0,
    within_s: float = LONGEST_S,
) -> float | None:
    """Seconds after its begin in which a feed that changes by ``size`` over ``ramp_s`` can be noticed.

    ``walk_g2_s``: the variance a second of what is fed, lumps and wander together (phi times the rate, where
    there is no wander). ``noise_g2_s``: the density of the readings. None: not ``within_s``.
    """
    t = np.arange(1, round(within_s / interval_s) + 1) * interval_s
    off = np.cumsum(rate_kg_h / 3.6 * size * np.clip(t / max(ramp_s, interval_s), 0.0, 1.0)) * interval_s
    told = information(off, walk_g2_s, noise_g2_s, interval_s)
    enough = np.flatnonzero(told >= np.log(hours * 3600.0 / t))
    return float(t[enough[0]]) if enough.size else None
