"""The gamma distribution, for how often something happens: counts over a time, and what they say of a rate.

Incomplete gamma function by its series, or its continued fraction (DLMF 8.7.1 and 8.9.2, from memory;
checked against scipy and a printed chi-square table in the tests).
"""

from __future__ import annotations

from math import exp, lgamma, log

STEPS = 500
ENOUGH = 1e-13


def below(shape: float, x: float) -> float:
    """P(shape, x): the chance that a gamma variable of unit scale is at most ``x``."""
    if shape <= 0.0:
        raise ValueError(f"shape {shape:g} must lie above 0")
    if x <= 0.0:
        return 0.0
    head = exp(shape * log(x) - x - lgamma(shape))
    if x < shape + 1.0:
        term = total = 1.0 / shape
        for n in range(1, STEPS):
            term *= x / (shape + n)
            total += term
            if term < ENOUGH * total:
                break
        return head * total
    tiny = 1e-300
    b = x + 1.0 - shape
    c, d = 1.0 / tiny, 1.0 / b
    fraction = d
    for n in range(1, STEPS):  # the modified method of Lentz
        a = -n * (n - shape)
        b += 2.0
        d = a * d + b
        d = 1.0 / (d if abs(d) > tiny else tiny)
        c = b + a / c
        c = c if abs(c) > tiny else tiny
        fraction *= d * c
        if abs(d * c - 1.0) < ENOUGH:
            break
    return 1.0 - head * fraction


def quantile(shape: float, part: float) -> float:
    """The x with `below(shape, x)` = ``part``, 0 < part < 1, by halving (to 1e-9 of itself)."""
    if not 0.0 < part < 1.0:
        raise ValueError(f"part {part:g} must lie between 0 and 1")
    low, high = 0.0, shape + 1.0
    while below(shape, high) < part:
        low, high = high, 2.0 * high
    while high - low > 1e-9 * high:
        middle = 0.5 * (low + high)
        low, high = (middle, high) if below(shape, middle) < part else (low, middle)
    return 0.5 * (low + high)


def rate_interval(count: int, over: float, sure: float = 0.95) -> tuple[float, float]:
    """Between what rates a count over a time lets one believe the true one to lie, as sure as ``sure``.

    Gamma-Poisson with Jeffreys' prior: the rate is gamma distributed with the shape count + 1/2; where
    nothing was counted it may be 0, and the lower end is.
    """
    if over <= 0.0:
        raise ValueError("a count needs a time above 0 over which it was made")
    side = 0.5 * (1.0 - sure)
    low = 0.0 if count == 0 else quantile(count + 0.5, side) / over
    return low, quantile(count + 0.5, 1.0 - side) / over
