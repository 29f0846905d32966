"""Outlets whose containers stand together on one scale: to the bay they are one outlet.

What the scale shows of them is their sum, so mass, yield and alarms are those of the group. Each by itself
is known only where its containers are weighed by hand afterwards.
"""

from __future__ import annotations

from dataclasses import replace
from functools import reduce

from logger.core.description import Bay, Container, Outlet, Station

AND = " + "


def stand_together(bay: Bay) -> Bay:
    """The bay with the outlets of each station that share a scale joined into one."""
    return replace(bay, stations=tuple(_joined(station) for station in bay.stations))


def _joined(station: Station) -> Station:
    groups: dict[str, list[Outlet]] = {}
    for outlet in station.outlets:
        groups.setdefault(outlet.channel or f"\0{outlet.name}", []).append(outlet)
    return replace(station, outlets=tuple(reduce(_join, group) for group in groups.values()))


def _join(one: Outlet, other: Outlet) -> Outlet:
    """Two outlets as one. What is told of one alone is told of neither together, and is learned."""
    share = _sum(one.expected_share, other.expected_share)
    return Outlet(
        one.name + AND + other.name,
        one.channel,
        Container(
            one.container.kind,
            _sum(one.container.tare_kg, other.container.tare_kg),
            _sum(one.container.tare_low_kg, other.container.tare_low_kg),
            _sum(one.container.tare_high_kg, other.container.tare_high_kg),
            None,  # which of them is nearly full the scale can't tell
        ),
        one.solids_density if one.solids_density == other.solids_density else None,
        None,
        share,
        _weighted(one, other, share),
        None,
        (one.members or (one.name,)) + (other.name,),
    )


def _sum(one: float | None, other: float | None) -> float | None:
    return None if one is None or other is None else one + other


def _weighted(one: Outlet, other: Outlet, share: float | None) -> float | None:
    """The grade of the two together, where shares and grades of both are expected."""
    if not share or one.expected_grade is None or other.expected_grade is None:
        return None
    component = (one.expected_share or 0.0) * one.expected_grade
    return (component + (other.expected_share or 0.0) * other.expected_grade) / share
