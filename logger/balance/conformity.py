"""Whether a figure keeps to a limit, when the figure is uncertain: meets, fails, or can't tell.

The rule is that of JCGM 106 (from memory, not read here): from the value and its uncertainty follows the
probability that the limit is kept; at 95 % and more the figure *meets* it, at 5 % and less it *fails*, and in
between it can't be told. For a normal distribution that is a guard band of 1.645 u on either side. The limit
itself is kept: 97.00 % without uncertainty meets a minimum of 97 %.

A share can't lie outside of 0 to 1. So its probability is taken twice, from the normal distribution and from
the same one cut off at 0 and 1, and the more doubtful of the two counts: knowing the ends must never make
surer than the measurement was.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from math import erfc, log10, sqrt
from statistics import NormalDist
from typing import Any

import numpy as np
from numpy.typing import NDArray

SURE = 0.95
NORMAL_95 = NormalDist().inv_cdf(0.975)
SAME = 1e-12
"""Closer than this, two shares are the same: rounding."""
MOST = 1e6
"""No more than this many times the sample is worth telling."""


class Verdict(StrEnum):
    MEETS = "meets"
    FAILS = "fails"
    OPEN = "can't tell"


def verdict(chance: float) -> Verdict:
    """Of a probability that the limit is kept."""
    if chance >= SURE:
        return Verdict.MEETS
    return Verdict.FAILS if chance <= 1.0 - SURE else Verdict.OPEN


def worst(verdicts: list[Verdict]) -> Verdict:
    """Of a whole: fails where one fails, meets where all meet."""
    if Verdict.FAILS in verdicts:
        return Verdict.FAILS
    return Verdict.OPEN if Verdict.OPEN in verdicts else Verdict.MEETS


def at_least(value: float, u: float, limit: float, drawn: NDArray[Any] | None = None) -> float:
    """Probability that a share is ``limit`` or more; by its draws, where there are any."""
    if u <= SAME:
        return 1.0 if value >= limit - SAME else 0.0
    if drawn is not None:
        return float(np.mean(drawn >= limit - SAME))
    plain, cut = _above((limit - value) / u), _cut_above(value, u, limit)
    if min(plain, cut) >= 0.5:
        return min(plain, cut)
    return max(plain, cut) if max(plain, cut) <= 0.5 else 0.5


def at_most(value: float, u: float, limit: float, drawn: NDArray[Any] | None = None) -> float:
    """Probability that a share is ``limit`` or less."""
    return at_least(1.0 - value, u, 1.0 - limit, None if drawn is None else 1.0 - drawn)


def above_zero(value: float, u: float, drawn: NDArray[Any] | None = None) -> float:
    """Probability that any figure (no share) is more than 0."""
    if u == 0.0:
        return 1.0 if value > 0.0 else 0.0
    return float(np.mean(drawn > 0.0)) if drawn is not None else _above(-value / u)


def cut_interval(value: float, u: float) -> tuple[float, float]:
    """95 % interval of a share: of the normal distribution cut off at 0 and 1 (2.5 % on either side)."""
    if u == 0.0:
        return value, value
    below, above = _above(value / u), _above((value - 1.0) / u)
    inside = above - below
    if inside < 1e-9:  # far outside: what is wrong with it is not for an interval to hide
        return value - NORMAL_95 * u, value + NORMAL_95 * u
    normal = NormalDist(value, u)
    tiny = 1e-15
    return (
        max(0.0, normal.inv_cdf(min(max(below + 0.025 * inside, tiny), 1.0 - tiny))),
        min(1.0, normal.inv_cdf(min(max(below + 0.975 * inside, tiny), 1.0 - tiny))),
    )


def _above(z: float) -> float:
    """Probability that a standard normal variable is more than z."""
    return 0.5 * erfc(z / sqrt(2.0))


def _cut_above(value: float, u: float, limit: float) -> float:
    """The same as `_above` for a share, of the normal distribution that ends at 0 and 1."""
    low, high = -value / u, (1.0 - value) / u
    at = min(max((limit - value) / u, low), high)
    if low + high > 0.0:  # the side where nothing cancels
        part, whole = _above(at) - _above(high), _above(low) - _above(high)
    else:
        whole = _above(-high) - _above(-low)
        part = _above(-high) - _above(-at)
    return part / whole if whole > 1e-290 else _above((limit - value) / u)


# ------------------------------------------------------------------ how much more would settle it


@dataclass(frozen=True, slots=True)
class Sample:
    """What a grade rests on. ``amount``: pieces counted, kg sorted, or determinations of an assay.

    ``sources``: the names (or their beginnings) of the inputs that more of the same sample makes smaller.
    """

    amount: float
    unit: str  # "pieces", "kg" or "assays"
    sources: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Settled:
    """How much sample in all would settle it if the present value were true. None: no sample would."""

    amount: float | None
    unit: str
    says: str


def settle(
    value: float, u: float, u_sample: float, limit: float, *, minimum: bool, sample: Sample
) -> Settled:
    """How much of the same sample would make it decidable, if the present value were the true one.

    ``u_sample``: the part of ``u`` that falls with the square root of the sample. The rest stays.
    """
    chance = at_least if minimum else at_most
    kept = value >= limit if minimum else value <= limit
    rest = sqrt(max(u * u - u_sample * u_sample, 0.0))

    def decided(times: float) -> bool:
        p = chance(value, sqrt(rest * rest + u_sample * u_sample / times), limit)
        return p >= SURE if kept else p <= 1.0 - SURE

    if not decided(MOST):
        on_it = abs(value - limit) <= SAME or _undecided_by_sample(value, rest, limit)
        why = "the value lies on the limit" if on_it else _other(rest)
        return Settled(None, sample.unit, f"no sample can settle it: {why}")
    low, high = 0.0, log10(MOST)
    for _ in range(60):
        middle = 0.5 * (low + high)
        low, high = (low, middle) if decided(10.0**middle) else (middle, high)
    amount = sample.amount * 10.0**high
    return Settled(amount, sample.unit, f"about {_amount(amount, sample)} would settle it")


def _undecided_by_sample(value: float, rest: float, limit: float) -> bool:
    """Whether what the sample can't help with would still leave it decidable by itself."""
    return rest < abs(value - limit) / NormalDist().inv_cdf(SURE)


def _other(rest: float) -> str:
    return f"other sources than the sample leave it uncertain by {100 * rest:.2g} percentage points (u)"


def _amount(amount: float, sample: Sample) -> str:
    if sample.unit == "kg":
        words = f"{amount * 1000:.3g} g" if amount < 0.9995 else f"{amount:.3g} kg"
        return f"{words} of hand-sorted sample in all (now {1000 * sample.amount:.3g} g)"
    whole = int(-(-amount // 1))
    if sample.unit == "pieces":
        return f"{whole:,} counted pieces in all (now {sample.amount:,.0f})"
    return f"{whole:,} assays in all (now {sample.amount:.0f})"
