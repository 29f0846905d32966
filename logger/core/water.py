"""The water of a span, line by line, and how much of it came to a kilogram of feed.

Measured litres and what passed unseen stay apart; only the ratio to the feed counts both, with the
uncertainty of both. The meter's own error is in the uncertainty where its accuracy was told, else not.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt
from typing import Any

from logger.core.description import Water
from logger.core.rules.contract import ChannelNow, StationNow
from logger.core.track.flow_view import Passed

FEED = "feed"
"""`Water.goes_to` of water that comes onto the deck with the feed."""


@dataclass(frozen=True, slots=True)
class WaterTally:
    """One line's water. ``passed`` is None before the meter's first reading; ratios in L per kg of feed."""

    line: Water
    passed: Passed | None
    meter_error: bool  # whether the meter's own error is in the uncertainties
    resets: int
    l_per_kg: float | None
    u_l_per_kg: float | None

    def to_json(self) -> dict[str, Any]:
        passed = self.passed
        figures = dict.fromkeys(("litres", "u_l", "unknown_l", "u_unknown_l", "unknown_s"))
        told: dict[str, Any] = figures if passed is None else passed._asdict()
        return {
            "channel": self.line.channel,
            "to": self.line.goes_to,
            **{name: None if value is None else round(value, 4) for name, value in told.items()},
            "meter_error": "included" if self.meter_error else "not included",
            "l_per_kg": None if self.l_per_kg is None else round(self.l_per_kg, 5),
            "u_l_per_kg": None if self.u_l_per_kg is None else round(self.u_l_per_kg, 5),
        }


def passed(channel: ChannelNow, from_s: int, to_s: int) -> Passed | None:
    """The water of a span; None before the meter's first reading."""
    flow = channel.flow
    return None if flow is None or not channel.last_usable_s else flow.passed(from_s, to_s)


def whole(water: Passed) -> tuple[float, float]:
    """All the water of a span, the unseen with it, and its standard uncertainty (L)."""
    return water.litres + water.unknown_l, sqrt(water.u_l**2 + water.u_unknown_l**2)


def water_tally(
    station: StationNow, from_s: int, to_s: int, feed: tuple[float, float] | None
) -> tuple[WaterTally, ...]:
    """Every line of a station; ``feed`` is the mass fed in the same span and its uncertainty (kg)."""
    lines = zip(station.station.water, station.water, strict=False)
    return tuple(_tally(line, channel, from_s, to_s, feed) for line, channel in lines)


def _tally(
    line: Water, channel: ChannelNow, from_s: int, to_s: int, feed: tuple[float, float] | None
) -> WaterTally:
    water = passed(channel, from_s, to_s)
    resets = 0 if channel.flow is None else channel.flow.view.resets
    ratio: tuple[float | None, float | None] = (None, None)
    if water is not None and feed is not None:
        ratio = per_kg(whole(water), feed)
    return WaterTally(line, water, channel.channel.accuracy is not None, resets, *ratio)


def per_kg(water: tuple[float, float], feed: tuple[float, float]) -> tuple[float | None, float | None]:
    """Water / feed and its standard uncertainty, the two independent (JCGM 100, 5.1.6)."""
    (litres, u_l), (kg, u_kg) = water, feed
    if kg <= max(0.0, 3.0 * u_kg):
        return None, None
    ratio = litres / kg
    return ratio, sqrt(u_l**2 + (ratio * u_kg) ** 2) / kg
