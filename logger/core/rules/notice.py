"""How soon it would be noticed that an outlet stopped: the figure that the board shows beside each outlet.

An outlet delivers `rate` mg/s in lumps; `phi` = E[m^2]/E[m] (mg) tells how lumpy. Lumps of exponential
mass arriving at random have -log E exp(-u X) / E X = kappa(u) = u / (1 + phi u / 2). The Chernoff bound
says that a silence of T seconds of a stream that still flows has a log-probability of at most

    -max_u [ rate T kappa(u) - u (1 - b) rate T - V(T) u^2 / 2 ]      (b: blocked fraction)

V is the variance of a weight difference: that of a Kalman filter with its smoothed start,
1.5 sqrt(r phi rate), or that of a straight line fitted through the readings, 12 r / T, whichever is
smaller; r = interval (sigma^2 + d^2/12) is the noise density of the readings. A stop is noticed at the
smallest T at which that reaches log(H / T): one false alarm in H = 100 hours. The formula is our own
derivation from Chernoff's bound (Chernoff 1952, from memory); simulated bays agree within a tenth.
"""

from __future__ import annotations

from collections.abc import Callable
from math import exp, log, pi, sqrt

BETWEEN_FALSE_ALARMS_S = 360_000.0  # 100 h, the basis of every stated figure
LONGEST_NOTICE_S = 600.0  # beyond ten minutes an outlet "cannot be watched"


def evidence(
    expected_mg: float, delivered_mg: float, variance_mg2: float, phi_mg: float, wander: float = 0.0
) -> float:
    """How much (in nats) a shortfall speaks against an outlet that still delivers as expected.

    max over u of  A k - c^2 A^2 k^2 / 2 - u D - V u^2 / 2,  k = u / (1 + phi u / 2), with A expected,
    D delivered, V the variance of D by reading noise, c the relative wander of A. 0 where D >= A.
    Newton's steps start left of the maximum (at the Gaussian answer); any u gives a lower bound, so that
    stopping early can only understate.
    """
    short_mg = expected_mg - delivered_mg
    if short_mg <= 0.0 or expected_mg <= 0.0:
        return 0.0
    half_phi = 0.5 * phi_mg
    spread = (wander * expected_mg) ** 2
    u = short_mg / (variance_mg2 + phi_mg * expected_mg + spread)
    for _ in range(12):
        s = 1.0 / (1.0 + half_phi * u)
        pull = expected_mg - spread * u * s
        slope = s * s * pull - delivered_mg - variance_mg2 * u
        bend = -2.0 * half_phi * s**3 * pull - spread * s**4 - variance_mg2
        step = -slope / bend
        if step <= 1e-3 * u:
            break
        u += step
    k = u / (1.0 + half_phi * u)
    return expected_mg * k - 0.5 * spread * k * k - u * delivered_mg - 0.5 * variance_mg2 * u * u


def ramped(  # noqa: PLR0917 - one formula, its letters in its order
    whole_mg: float, ramp_mg: float, delivered_mg: float, variance_mg2: float, phi_mg: float, wander: float
) -> float:
    """As `evidence`, of a delivery between two levels that are means over some seconds.

    Such a mean counts what comes within it by a weight between 0 and 1. ``whole_mg`` was expected in
    between, ``ramp_mg`` within the two means together, before weighing; ``delivered_mg`` and
    ``variance_mg2`` are of the difference of the means. Of each ramp a half counts by a quarter, a half by
    three quarters.
    """
    half_phi, half = 0.5 * phi_mg, 0.5 * ramp_mg
    doubt = 0.5 * wander * wander

    def nats(u: float) -> float:
        x = half_phi * u
        drawn = u * (whole_mg / (1.0 + x) + half * (0.25 / (1.0 + 0.25 * x) + 0.75 / (1.0 + 0.75 * x)))
        return drawn - doubt * drawn * drawn - u * delivered_mg - 0.5 * variance_mg2 * u * u

    expected = whole_mg + 0.5 * ramp_mg
    short_mg = expected - delivered_mg
    if short_mg <= 0.0 or expected <= 0.0:
        return 0.0
    low = 0.7 * short_mg / (variance_mg2 + phi_mg * expected + (wander * expected) ** 2)
    best = nats(low)
    for _ in range(24):  # any u gives a lower bound: steps of a quarter are near enough
        low *= 1.25
        found = nats(low)
        if found <= best:
            break
        best = found
    return max(best, 0.0)


def dither_mg2(sigma_mg: float, resolution_mg: float) -> float:
    """Variance by rounding that averaging of readings does not take away.

    Noise of standard deviation sigma smooths the steps of a scale: the mean of many readings is then off by
    a sine of amplitude (d / pi) exp(-2 pi^2 sigma^2 / d^2) (first harmonic; our own derivation).
    """
    square = resolution_mg * resolution_mg
    if square <= 0.0:
        return 0.0
    return min(square / 12.0, square / (2.0 * pi * pi) * exp(-4.0 * pi * pi * sigma_mg * sigma_mg / square))


def flowing(delivered_mg: float, at_most_mg: float, phi_mg: float) -> float:
    """How much (in nats) a delivery speaks against a stream that brings only ``at_most_mg`` on average.

    Chernoff's bound for the upper tail of lumps of exponential mass: (2 / phi) (sqrt D - sqrt M)^2.
    """
    if delivered_mg <= at_most_mg or delivered_mg <= 0.0:
        return 0.0
    return 2.0 / phi_mg * (sqrt(delivered_mg) - sqrt(max(at_most_mg, 0.0))) ** 2


def noise_density(sigma_mg: float, resolution_mg: float, interval_s: float) -> float:
    """r = interval (sigma^2 + d^2 / 12), in mg^2 s: what averaging readings over time has to fight."""
    return interval_s * (sigma_mg * sigma_mg + resolution_mg * resolution_mg / 12.0)


def difference_variance(rate_mg_s: float, phi_mg: float, noise: float, over_s: float) -> float:
    """The least variance (mg^2) of a weight difference over a time; ``noise`` is the readings' density."""
    return min(1.5 * sqrt(noise * phi_mg * rate_mg_s), 12.0 * noise / over_s)


def noticed_in_s(
    rate_mg_s: float,
    phi_mg: float,
    noise: float,
    blocked: float = 1.0,
    wander: float = 0.0,
    *,
    margin: float = 0.0,
    doubted: Callable[[float], float] | None = None,
) -> float | None:
    """Seconds until a stop would be noticed; None where that is beyond ten minutes.

    ``blocked`` is the fraction of the outlet that stops (1: all of it). ``noise`` in mg^2 s. A detector that
    asks ``margin`` nats more than the bound, or counts nats only as ``doubted`` makes them, is later.
    """
    if not 0.0 < blocked <= 1.0:
        raise ValueError(f"blocked fraction {blocked:g} must lie above 0 and up to 1")
    if rate_mg_s <= 0.0:
        return None

    def enough(t: float) -> bool:
        expected = rate_mg_s * t
        variance = difference_variance(rate_mg_s, phi_mg, noise, t)
        found = evidence(expected, (1.0 - blocked) * expected, variance, phi_mg, wander)
        counted = found if doubted is None else doubted(found)
        return counted >= log(BETWEEN_FALSE_ALARMS_S / t) + margin

    if not enough(LONGEST_NOTICE_S):
        return None
    low, high = 0.1, LONGEST_NOTICE_S
    while high - low > 0.01 * high:
        middle = sqrt(low * high)
        low, high = (low, middle) if enough(middle) else (middle, high)
    return high


def noticed_by_hand_s(rate_mg_s: float, phi_mg: float, noise: float) -> float:
    """The same for a full stop, to be checked on paper: h phi / 2 rate + (24 h r / rate^2)^(1/3), h = 9.4."""
    h = 9.4
    return h * phi_mg / (2.0 * rate_mg_s) + float((24.0 * h * noise / rate_mg_s**2) ** (1.0 / 3.0))
