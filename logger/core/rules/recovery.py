"""Live recovery: how much of the component that matters went where it should; estimated until assays are in.

R = m_i g_i / sum_j m_j g_j over the outlets (Wills, Mineral Processing Technology), i the outlet of the
highest expected grade, the concentrate. Where an outlet has no mass or no expected grade, the denominator
is feed mass x expected feed grade instead. Uncertainty: first-order propagation (JCGM 100, 5.1.2) over the
independent inputs: masses, grades, the feed. An outlet that is known by difference shares its errors with
the masses it was taken from. The 95 % interval is built on the logit, so that it stays between 0 and 1.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, log, sqrt
from typing import Any

from logger.core.description import Station
from logger.core.tally import Mass, OutletTally, Tally

GRADE_U = 0.10  # relative standard uncertainty of an expected grade where none is told; assumed
Z95 = 1.959964


@dataclass(frozen=True, slots=True)
class _Part:
    """One outlet: mass and grade with standard uncertainties (kg, fraction)."""

    kg: float
    u_kg: float
    grade: float
    u_grade: float
    by_difference: bool


def recovery(station: Station, tally: Tally) -> dict[str, Any] | None:
    """``value`` with ``low`` and ``high`` (95 %), fractions of 1; None where it cannot be told.

    Not told: without a component, without an expected grade of the concentrate, before its mass is clear
    of its own uncertainty, or where neither all outlets nor the feed can stand for the whole.
    """
    graded = [(o.expected_grade, k) for k, o in enumerate(station.outlets) if o.expected_grade]
    if station.component is None or not graded:
        return None
    _, index = max(graded, key=lambda pair: (pair[0], -pair[1]))
    parts = [_part(station, k, tally.outlets[k]) for k in range(len(station.outlets))]
    wanted = parts[index]
    if wanted is None or wanted.kg <= 2.0 * wanted.u_kg:
        return None
    whole = [part for part in parts if part is not None]
    if len(whole) == len(parts):
        told = _over_outlets(whole, index, tally.feed)
        basis = "outlets"
    else:
        told = _over_feed(station, wanted, tally)
        basis = "feed"
    if told is None:
        return None
    value, u = told
    if not 0.0 < value < 1.0:
        return None
    low, high = _interval(value, u)
    return {
        "component": station.component,
        "outlet": station.outlets[index].name,
        "value": round(value, 6),
        "u": round(u, 6),
        "low": round(low, 6),
        "high": round(high, 6),
        "basis": basis,
        "by_difference": any(part.by_difference for part in whole),
        "estimated": True,
    }


def _part(station: Station, index: int, outlet: OutletTally) -> _Part | None:
    described, mass = station.outlets[index], outlet.delivered
    grade = described.expected_grade
    if mass is None or grade is None:
        return None
    u_grade = described.expected_grade_u
    u_grade = GRADE_U * grade if u_grade is None else u_grade
    return _Part(max(mass.kg, 0.0), mass.u_kg, grade, u_grade, outlet.by_difference)


def _over_outlets(parts: list[_Part], index: int, feed: Mass | None) -> tuple[float, float] | None:
    total = sum(p.kg * p.grade for p in parts)
    if total <= 0.0:
        return None
    value = parts[index].kg * parts[index].grade / total
    pulls = [((1.0 if k == index else 0.0) - value) / total for k in range(len(parts))]  # dR / d(m g)
    rest = next((k for k, p in enumerate(parts) if p.by_difference), None)
    variance = sum((pull * p.kg * p.u_grade) ** 2 for pull, p in zip(pulls, parts, strict=True))
    shared = 0.0 if rest is None else pulls[rest] * parts[rest].grade
    known = 0.0
    for k, (pull, part) in enumerate(zip(pulls, parts, strict=True)):
        if k != rest:
            variance += ((pull * part.grade - shared) * part.u_kg) ** 2
            known += part.u_kg**2
    if (
        rest is not None
    ):  # the feed and what is on the deck: all of the rest's variance that is not the others'
        floor = 0.0 if feed is None else feed.u_kg**2
        variance += shared**2 * max(parts[rest].u_kg ** 2 - known, floor)
    return value, sqrt(variance)


def _over_feed(station: Station, wanted: _Part, tally: Tally) -> tuple[float, float] | None:
    grade, feed = station.feed_grade, tally.feed
    if grade is None or feed is None:
        return None
    kg = feed.kg - (tally.hold_up_kg or 0.0)
    if kg <= 2.0 * feed.u_kg:
        return None
    u_grade = GRADE_U * grade if station.feed_grade_u is None else station.feed_grade_u
    value = wanted.kg * wanted.grade / (kg * grade)
    relative = (
        (wanted.u_kg / wanted.kg) ** 2
        + (wanted.u_grade / wanted.grade) ** 2
        + (feed.u_kg / kg) ** 2
        + (0.3 * (tally.hold_up_kg or 0.0) / kg) ** 2
        + (u_grade / grade) ** 2
    )
    return value, value * sqrt(relative)


def _interval(value: float, u: float) -> tuple[float, float]:
    middle = log(value / (1.0 - value))
    half = Z95 * u / (value * (1.0 - value))
    return 1.0 / (1.0 + exp(-min(max(middle - half, -50.0), 50.0))), 1.0 / (
        1.0 + exp(-min(max(middle + half, -50.0), 50.0))
    )
