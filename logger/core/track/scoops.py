"""Scoops out of a tub: which of them were taken by a second, and which were seen while it was refilled.

A scoop leaves the tub in the second in which the scale falls to the level it then keeps; the hand that digs
hides that second from its neighbours. So a mass that ends within two seconds of it may lack the scoop or hold
it: a variance of p(1 - p) m^2, of a yes or no with chance p.
"""

from __future__ import annotations

from collections import deque
from itertools import pairwise
from typing import NamedTuple

KEPT_S = 900  # as long as the history has every second
LEAST, MOST = 0.25, 2.2
"""A fall of so many usual scoops is a scoop (or two at once): half of one was a poor one, and half of that
nobody takes for one (assumed)."""
FLAT_S = 0.6


class Scoops:
    """The times and masses of the latest scoops."""

    def __init__(self) -> None:
        self._latest: deque[tuple[int, float]] = deque(maxlen=KEPT_S // 2)

    def note(self, fell_s: int, mass: float) -> None:
        """A scoop of ``mass`` (mg) was taken about the second that ended at ``fell_s``."""
        self._latest.append((fell_s, mass))

    def var_at(self, second: int) -> float:
        """Variance (mg2) of the mass used by a second: of a scoop that may have been taken by then."""
        var = 0.0
        for fell_s, mass in reversed(self._latest):
            if second - fell_s > 1:
                break
            if abs(second - fell_s) <= 1:
                var += 0.25 * mass * mass
        return var


class Refill(NamedTuple):
    """What was taken out of a tub while it was refilled: ``weighed`` in scoops seen beside the refill (mg),
    and for how long none was seen from the last before the rise, or the beginning, to the rise's end (s)."""

    weighed: float
    blind_s: float


def refill(level: float, readings: list[int], interval_s: float, *, flat: float, scoop: float) -> Refill:
    """Look through the readings of a refill, which began at ``level``, for the scoops beside it."""
    levels = _levels(readings, max(3, round(FLAT_S / interval_s)), flat)
    levels.insert(0, (0, 0, level))
    levels = [
        a
        for a, b in pairwise([*levels, levels[-1]])
        if a[2] - b[2] < MOST * scoop  # more: a hand pressed
    ] or levels
    weighed, fell, risen = 0.0, 0, 0
    for (_, _, before), (begin, _, after) in pairwise(levels):
        fall = before - after
        if LEAST * scoop < fall < MOST * scoop:
            weighed += fall
            fell = fell if risen else begin
        elif fall < -LEAST * scoop:
            risen = begin
    return Refill(weighed, (risen - fell) * interval_s)


def _levels(readings: list[int], need: int, flat: float) -> list[tuple[int, int, float]]:
    """Flat stretches: where each begins and ends, and its mean."""
    found: list[tuple[int, int, float]] = []
    begin, count = 0, len(readings)
    while begin + need <= count:
        low = high = readings[begin]
        end = begin
        while end < count:
            low, high = min(low, readings[end]), max(high, readings[end])
            if high - low > flat:
                break
            end += 1
        if end - begin >= need:
            found.append((begin, end, sum(readings[begin:end]) / (end - begin)))
            begin = end
        else:
            begin += 1
    return found
