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

from math import log, sqrt

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
    rate_mg_s: float, phi_mg: float, noise: float, blocked: float = 1.0, wander: float = 0.0
) -> float | None:
    """Seconds until a stop would be noticed; None where that is beyond ten minutes.

    ``blocked`` is the fraction of the outlet that stops (1: all of it). ``noise`` in mg^2 s.
    """
    if not 0.0 < blocked <= 1.0:
        raise ValueError(f"blocked fraction {blocked:g} must lie above 0 and up to 1")
    if rate_mg_s <= 0.0:
        return None

    def enough(t: float) -> bool:
        expected = rate_mg_s * t
        variance = difference_variance(rate_mg_s, phi_mg, noise, t)
        found = evidence(expected, (1.0 - blocked) * expected, variance, phi_mg, wander)
        return found >= log(BETWEEN_FALSE_ALARMS_S / t)

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
