"""Exact unit conversions and the reading of quantities such as "5 g", "45 kg/h" or "100 lb/h".

Factors are exact by definition: the pound 0.45359237 kg and the US gallon 3.785411784 L
(NIST Handbook 44 appendix C; Handbook 133). All arithmetic is by `Fraction`; a float comes out last.
"""

from __future__ import annotations

import re
from fractions import Fraction
from functools import lru_cache

MASS_MG: dict[str, Fraction] = {
    "mg": Fraction(1),
    "g": Fraction(1000),
    "kg": Fraction(10**6),
    "t": Fraction(10**9),
    "lb": Fraction("453592.37"),
    "oz": Fraction("28349.523125"),
    "ozt": Fraction("31103.4768"),
    "ton": Fraction("907184740"),  # short ton, 2000 lb
}
VOLUME_L: dict[str, Fraction] = {
    "mL": Fraction(1, 1000),
    "L": Fraction(1),
    "m3": Fraction(1000),
    "gal": Fraction("3.785411784"),
}
PULSE = "pulse"
"""The unit of a counter's readings; how much water a pulse stands for is told of each meter."""
TIME_S: dict[str, Fraction] = {
    "ms": Fraction(1, 1000),
    "s": Fraction(1),
    "min": Fraction(60),
    "h": Fraction(3600),
    "d": Fraction(86400),
}
DENSITY_G_CM3: dict[str, Fraction] = {
    "g/cm3": Fraction(1),
    "kg/m3": Fraction(1, 1000),
    "kg/L": Fraction(1),
    "t/m3": Fraction(1),
}
LENGTH_M: dict[str, Fraction] = {
    "um": Fraction(1, 10**6),
    "mm": Fraction(1, 1000),
    "cm": Fraction(1, 100),
    "m": Fraction(1),
    "in": Fraction("0.0254"),
}
SHARE: dict[str, Fraction] = {"%": Fraction(1, 100), "": Fraction(1)}
RATE_KG_H: dict[str, Fraction] = {
    f"{m}/{t}": fm / 10**6 * 3600 / ft
    for m, fm in MASS_MG.items()
    for t, ft in TIME_S.items()
    if t in ("s", "min", "h", "d")
}
FLOW_L_MIN: dict[str, Fraction] = {
    f"{v}/{t}": fv * 60 / ft
    for v, fv in VOLUME_L.items()
    for t, ft in TIME_S.items()
    if t in ("s", "min", "h", "d")
} | {"gpm": Fraction("3.785411784")}
MASS_KG: dict[str, Fraction] = {unit: factor / 10**6 for unit, factor in MASS_MG.items()}

DIMENSIONS: dict[str, dict[str, Fraction]] = {
    "mass": MASS_KG,
    "rate": RATE_KG_H,
    "flow": FLOW_L_MIN,
    "time": TIME_S,
    "density": DENSITY_G_CM3,
    "share": SHARE,
    "volume": VOLUME_L,
    "length": LENGTH_M,
}
"""Dimension -> unit -> factor to the base unit (kg, kg/h, L/min, s, g/cm3, 1, L, m)."""

EXAMPLES = {
    "mass": "5 g",
    "rate": "45 kg/h",
    "flow": "12 L/min",
    "time": "35 s",
    "density": "8.8 g/cm3",
    "share": "10 %",
    "volume": "20 L",
    "length": "4 mm",
}

_POUNDS_AND_OUNCES = re.compile(r"([0-9]{1,6})\s{0,4}lb\s{0,4}([0-9]{1,4}(?:\.[0-9]{1,6})?)\s{0,4}oz")
_COMMA = re.compile(r"[+-]?[0-9]{1,12},[0-9]{1,12}\s{0,4}[A-Za-z%0-9/]{0,8}")
_QUANTITY = re.compile(r"([+-]?[0-9]{1,12}(?:\.[0-9]{1,12})?)\s{0,4}([A-Za-z%][A-Za-z0-9/%]{0,7})?")


class UnitError(ValueError):
    """A quantity could not be read. The message says what was found and what is allowed."""


def parse_quantity(text: str, dimension: str) -> Fraction:
    """Read a quantity into the base unit of its dimension, exactly.

    UnitError where the text is no such quantity; the message says what is allowed.

    >>> parse_quantity("100 lb/h", "rate") == Fraction("45.359237")
    True
    """
    units = DIMENSIONS[dimension]
    match = _QUANTITY.fullmatch(text.strip())
    if match is None:
        raise UnitError(f'"{text}" is not a quantity; {_instead(text, dimension)}')
    number, unit = match.group(1), match.group(2) or ""
    if unit not in units:
        known = ", ".join(name for name in units if name)
        found = f'unit "{unit}" is not known here' if unit else "the unit is missing"
        raise UnitError(f'"{text}": {found}; use one of {known}, e.g. "{EXAMPLES[dimension]}"')
    return Fraction(number) * units[unit]


def _instead(text: str, dimension: str) -> str:
    """What to write instead of a text that is no quantity."""
    both = _POUNDS_AND_OUNCES.fullmatch(text.strip())
    if both is not None and dimension == "mass":
        pounds = Fraction(both.group(1)) + Fraction(both.group(2)) / 16
        return f'write it in pounds alone: "{float(pounds):.10g} lb"'
    if _COMMA.fullmatch(text.strip()):
        return f'write decimals after a point, and no commas, e.g. "{EXAMPLES[dimension]}"'
    return f'write a number and a unit, e.g. "{EXAMPLES[dimension]}"'


@lru_cache(maxsize=256)  # bounded: the unit may come from a wire
def mg_ratio(unit: str, exp: int) -> tuple[int, int] | None:
    """(numerator, denominator) that turn a count at 10**exp of a mass unit into mg; None: no mass unit."""
    factor = MASS_MG.get(unit)
    if factor is None:
        return None
    exact = factor * Fraction(10) ** exp
    return exact.numerator, exact.denominator


def to_mg(count: int, exp: int, unit: str) -> int:
    """Whole milligrams, rounded half up. UnitError where the unit is not one of mass."""
    ratio = mg_ratio(unit, exp)
    if ratio is None:
        raise UnitError(f'"{unit}" is not a unit of mass; known are {", ".join(MASS_MG)}')
    return rounded(count, ratio)


def rounded(count: int, ratio: tuple[int, int]) -> int:
    """``count`` times a ratio as a whole number, rounded half up."""
    numerator, denominator = ratio
    return (2 * count * numerator + denominator) // (2 * denominator)


@lru_cache(maxsize=256)
def flow_ratio(unit: str, exp: int) -> tuple[int, int] | None:
    """(numerator, denominator) that turn a count at 10**exp of a flow unit into nL/min; None: no flow."""
    return _nano(FLOW_L_MIN.get(unit), exp)


@lru_cache(maxsize=256)
def volume_ratio(unit: str, exp: int) -> tuple[int, int] | None:
    """(numerator, denominator) that turn a count at 10**exp of a volume unit into nL; None: no volume."""
    return _nano(VOLUME_L.get(unit), exp)


@lru_cache(maxsize=256)
def pulse_ratio(pulses_per_l: float, exp: int) -> tuple[int, int]:
    """(numerator, denominator) that turn a count at 10**exp of pulses into nL."""
    exact = 10**9 * Fraction(10) ** exp / Fraction(str(pulses_per_l))
    return exact.numerator, exact.denominator


def _nano(factor: Fraction | None, exp: int) -> tuple[int, int] | None:
    if factor is None:
        return None
    exact = 10**9 * factor * Fraction(10) ** exp
    return exact.numerator, exact.denominator


def kg_to(value_kg: float, unit: str) -> float:
    """A mass in kg expressed in a person's unit. UnitError where the unit is not one of mass."""
    if unit not in MASS_KG:
        raise UnitError(f'"{unit}" is not a unit of mass; known are {", ".join(MASS_KG)}')
    return value_kg / float(MASS_KG[unit])


WATER_UNIT = {"kg": "L", "lb": "gal"}
"""People's unit of mass -> the one they read water in (per min for a flow). Common practice, no source."""


def litres_to(litres: float, unit: str) -> float:
    """A volume in L expressed in a person's unit. UnitError where the unit is not one of volume."""
    if unit not in VOLUME_L:
        raise UnitError(f'"{unit}" is not a unit of volume; known are {", ".join(VOLUME_L)}')
    return litres / float(VOLUME_L[unit])
