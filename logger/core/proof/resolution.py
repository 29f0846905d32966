"""The smallest step between the numbers that were seen, against the configured resolution.

Every number that a scale shows is a whole multiple of its resolution, so their greatest common divisor is one
too. With k different numbers a divisor that is n times too large comes about by chance with a probability of
about n^-(k-1) (they would all have to be such multiples): so "coarser" asks for 8 different numbers (under
1 % for n = 2), "as configured" for 3. One number that is no multiple says "finer" at once.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from fractions import Fraction
from functools import partial
from math import gcd

from logger.core.description import Channel
from logger.core.proof.values import Result, Verdict
from logger.core.units import MASS_KG

TEST = "resolution"
FEW, MANY = 3, 8


def judge_resolution(channel: Channel, numbers: Iterable[tuple[int, int, str]], unit: str) -> Result:
    """From the different (number, exp, unit) of all usable readings."""
    told = channel.resolution_kg
    unit = channel.unit if channel.unit in MASS_KG else unit
    make = partial(Result, channel.name, TEST, expected=_plain(told, unit))
    seen_kg, count = smallest_step(numbers)
    if seen_kg is None:
        remedy = "load the scale with several things, one after the other, while the check runs"
        return make(found="one number only", verdict=Verdict.CANT_TELL, remedy=remedy)
    figures = {"step_kg": seen_kg, "different_numbers": count}
    make = partial(make, found=f"{_plain(seen_kg, unit)} in {count} different numbers", figures=figures)
    ratio = seen_kg / told
    write = f'write resolution = "{_plain(seen_kg, unit)}"'
    if abs(ratio - round(ratio)) > 1e-6 or ratio < 0.999:
        return make(verdict=Verdict.FAILS, remedy=f"it shows finer steps than configured: {write}")
    if round(ratio) == 1 and count >= FEW:
        return make(verdict=Verdict.PASSES)
    if round(ratio) > 1 and count >= MANY:
        return make(verdict=Verdict.FAILS, remedy=f"it shows coarser steps than configured: {write}")
    remedy = "too few different numbers: load the scale with several things while the check runs"
    return make(verdict=Verdict.CANT_TELL, remedy=remedy)


def smallest_step(numbers: Iterable[tuple[int, int, str]]) -> tuple[float | None, int]:
    """(greatest common divisor in kg, how many different numbers), in the unit that most came in."""
    known = [each for each in numbers if each[2] in MASS_KG]
    if not known:
        return None, 0
    unit = Counter(each[2] for each in known).most_common(1)[0][0]
    same = [(number, exp) for number, exp, its in known if its == unit]
    least = min(exp for _, exp in same)
    counts = {abs(number) * 10 ** (exp - least) for number, exp in same}
    step = gcd(*counts)
    if step == 0:
        return None, len(counts)
    return float(step * Fraction(10) ** least * MASS_KG[unit]), len(counts)


def _plain(kg: float, unit: str) -> str:
    """A step as a configuration writes it."""
    if unit in ("kg", "g"):
        return f"{kg * 1000:.6g} g" if kg < 0.9999 else f"{kg:.6g} kg"
    return f"{kg / float(MASS_KG[unit]):.6g} {unit}"
