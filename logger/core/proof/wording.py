"""Masses and flows as a person reads them."""

from __future__ import annotations

from math import floor, log10

from logger.core.description import Channel
from logger.core.units import kg_to


def mass(value_kg: float, unit: str, *, step_kg: float = 0.0) -> str:
    """A mass in the bay's unit, grams below 1 kg; to a tenth of ``step_kg`` where that is told."""
    if unit == "kg" and abs(value_kg) < 0.9995:
        unit = "g"
    value = kg_to(value_kg, unit)
    digits = _digits(kg_to(step_kg, unit)) if step_kg > 0 else (1 if unit == "g" else 3)
    return f"{value:.{digits}f} {unit}"


def amount(channel: Channel, value: float, unit: str) -> str:
    """A mass or a flow with the digits its instrument can tell, one more for a mean."""
    step = channel.resolution_kg
    if channel.quantity == "mass":
        return mass(value, unit, step_kg=step)
    return f"{value:.{_digits(step)}f} L/min"


def round_up(value: float) -> float:
    """The next 1, 1.5, 2, 3, 4, 5, 6 or 8 times a power of ten: what a measuring cup can measure."""
    power = 10.0 ** floor(log10(value))
    return next(
        m * power for m in (1.0, 1.5, 2.0, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0) if m * power >= value * 0.999
    )


def _digits(step: float) -> int:
    return max(0, 1 - floor(log10(step) + 1e-9))
