"""How far a scale may be off: the limits that standards publish.

OIML R 76-1:2006 (non-automatic weighing instruments), table 6, for verification; an instrument in service may
be off by twice as much (3.5.2). NIST Handbook 44, section 2.20, table 6, for class III in the United States.
Loads and limits in kg.
"""

from __future__ import annotations

from typing import Literal, TypeAlias

AccuracyClass: TypeAlias = Literal["I", "II", "III", "IIII"]

OIML_STEPS: dict[AccuracyClass, tuple[int, int, int | None]] = {
    "I": (50_000, 200_000, None),
    "II": (5_000, 20_000, 100_000),
    "III": (500, 2_000, 10_000),
    "IIII": (50, 200, 1_000),
}
"""Loads in e up to which the error may be 0.5 e, 1 e and 1.5 e."""
NIST_III_STEPS = ((500, 1), (2_000, 2), (4_000, 3))
NIST_III_ABOVE = 5
ROUNDING = 1e-9
"""Loads and errors that differ from a limit by no more of it are on it: binary fractions do not hold 5 g."""


def oiml_limit_kg(
    load_kg: float, interval_kg: float, accuracy_class: AccuracyClass, *, in_service: bool = True
) -> float:
    """The maximum permissible error at a load, in kg, either way.

    ``interval_kg``: the verification scale interval e. OIML R 76-1, table 6; twice that in service. Beyond
    the class's greatest load, which such an instrument can't have, the last step goes on. ValueError for an
    interval that is not above 0, or a load below 0.
    """
    steps = _load_in(load_kg, interval_kg)
    low, middle, _ = OIML_STEPS[accuracy_class]
    part = 0.5 if steps <= low else 1.0 if steps <= middle else 1.5
    return part * interval_kg * (2.0 if in_service else 1.0)


def beyond_class(load_kg: float, interval_kg: float, accuracy_class: AccuracyClass) -> bool:
    """Whether the load is more than such an instrument may have (OIML R 76-1, table 3)."""
    most = OIML_STEPS[accuracy_class][2]
    return most is not None and _load_in(load_kg, interval_kg) > most


def nist_limit_kg(load_kg: float, division_kg: float, *, maintenance: bool = True) -> float:
    """The tolerance of NIST Handbook 44 for class III at a load, in kg, either way.

    ``division_kg``: the scale division d. Maintenance tolerance (an instrument in use); acceptance is half.
    ValueError as for `oiml_limit_kg`.
    """
    steps = _load_in(load_kg, division_kg)
    divisions = next((part for most, part in NIST_III_STEPS if steps <= most), NIST_III_ABOVE)
    return divisions * division_kg * (1.0 if maintenance else 0.5)


def _load_in(load_kg: float, interval_kg: float) -> float:
    if interval_kg <= 0.0:
        raise ValueError(f"a scale's interval of {interval_kg:g} kg must lie above 0")
    if load_kg < 0.0:
        raise ValueError(f"a load of {load_kg:g} kg must not lie below 0")
    return load_kg / interval_kg * (1.0 - ROUNDING)
