"""Figures in the sentences of a weigh-up."""

from __future__ import annotations

from logger.core.units import kg_to


def mass(value_kg: float, unit: str = "kg") -> str:
    """A mass in the unit the person uses ("kg" or "lb"); small ones in g. Five digits."""
    if unit == "kg" and 0.0 < abs(value_kg) < 0.1:
        return f"{1000.0 * value_kg:.5g} g"
    return f"{kg_to(value_kg, unit):.5g} {unit}"


def percent(share: float) -> str:
    """A share of one as a percentage, three digits: "7.5 %"."""
    return f"{100.0 * share:.3g} %"


def listed(names: list[str] | tuple[str, ...]) -> str:
    """Names in a sentence: "a, b and c"."""
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}" if names else "none"
