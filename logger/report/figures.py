"""Figures as a reader of a report sees them: no more digits than the uncertainty bears, and the unit beside
them.

± is a standard uncertainty, of which two digits are kept; an interval is one of 95 %. What is not known says
so.
"""

from __future__ import annotations

from collections.abc import Mapping
from math import floor, isfinite, log10
from typing import Any

from markupsafe import Markup, escape

from logger.core.units import kg_to

NOT_KNOWN = "not known"
EXACT = 1e-12  # relative uncertainties below this are rounding
MOST_DECIMALS = 6


def decimals(u: float) -> int:
    """How many decimals show two digits of an uncertainty: 0.0234 -> 3."""
    return 3 if u <= 0 else min(MOST_DECIMALS, max(0, 1 - floor(log10(float(f"{u:.1e}")))))


def fixed(value: float, digits: int) -> str:
    """With so many decimals and a true minus; what rounds to zero has no sign."""
    text = f"{value:.{digits}f}"
    return text.lstrip("-") if float(text) == 0.0 else text.replace("-", "\N{MINUS SIGN}")


def figure(value: float | None, u: float | None, unit: str = "") -> str:
    """``12.34 ± 0.05 kg``; without an uncertainty three decimals at most, trailing zeros gone."""
    if value is None or not isfinite(value):
        return NOT_KNOWN
    tail = f" {unit}" if unit else ""
    if u is None or not isfinite(u) or u <= EXACT * max(abs(value), EXACT):
        text = fixed(value, 3)
        return (text.rstrip("0").rstrip(".") if "." in text else text) + tail
    digits = decimals(u)
    return f"{fixed(value, digits)} ± {u:.{digits}f}{tail}"


def mass(kg: float | None, u_kg: float | None, unit: str) -> str:
    """A mass in the bay's unit with its standard uncertainty."""
    if kg is None:
        return NOT_KNOWN
    return figure(kg_to(kg, unit), None if u_kg is None else kg_to(u_kg, unit), unit)


def percent(share: float | None, u: float | None) -> str:
    """A fraction of 1 as a percentage with its standard uncertainty."""
    return figure(None if share is None else 100 * share, None if u is None else 100 * u, "%")


def interval(known: Mapping[str, Any] | None) -> str:
    """An estimate of a share: value and 95 % interval in per cent, to two digits of half the interval."""
    if known is None:
        return NOT_KNOWN
    half = 50 * (known["high"] - known["low"])
    if half <= 100 * EXACT * max(abs(known["value"]), 1.0):
        return figure(100 * known["value"], None, "%")
    digits = decimals(half)
    low, value, high = (fixed(100 * known[each], digits) for each in ("low", "value", "high"))
    return f"{value} % ({low} to {high})"


def estimate_mass(known: Mapping[str, Any] | None, unit: str) -> str:
    """An estimate of a mass in kg, in the bay's unit."""
    return NOT_KNOWN if known is None else mass(known["value"], known["u"], unit)


def estimate_share(known: Mapping[str, Any] | None) -> str:
    """An estimate of a share, in per cent."""
    return NOT_KNOWN if known is None else percent(known["value"], known["u"])


def length(seconds: float) -> str:
    """A length of time in its two largest units: ``42 s``, ``3 min 20 s``, ``1 h 05 min``."""
    whole = round(seconds)
    if whole < 60:
        return f"{whole} s"
    if whole < 3600:
        return f"{whole // 60} min" + (f" {whole % 60:02d} s" if whole % 60 else "")
    minutes = round(seconds / 60)
    return f"{minutes // 60} h {minutes % 60:02d} min"


def cell(text: Any) -> Markup:
    """The words of a table's cell; a figure that is not known is marked as such for the eye."""
    return Markup('<span class="unknown">{}</span>').format(text) if text == NOT_KNOWN else escape(text)
