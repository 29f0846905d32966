"""What one instrument said during one step, and the level it stood at.

Masses in kg; flows in L/min; a totaliser or a pulse counter gives litres since the window's first
reading, and its level is the flow. Floating point will do here: nothing of this is the record.

The level's uncertainty: u² = d²/12 + s²/n, d the resolution and s the scatter of n readings. A digital
reading of step d is known to d/sqrt(12) (JCGM 100, F.2.2.1; memory); that part is not averaged out, since
a still scale shows the same number a hundred times.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise
from math import sqrt
from statistics import fmean, pstdev
from typing import NamedTuple

from logger.core.description import Channel
from logger.core.entries import USABLE, Garbage, Reading
from logger.core.units import FLOW_L_MIN, MASS_KG, VOLUME_L

NS = 10**9
MOST = 40_000  # points kept of a step: more than an hour at 10 readings a second


class Point(NamedTuple):
    """``at_s`` since the step began."""

    at_s: float
    value: float


@dataclass(frozen=True, slots=True)
class Level:
    """Where an instrument stood for some seconds. ``early`` and ``late`` are the means of the halves."""

    mean: float
    u: float
    sd: float
    early: float
    late: float
    count: int


def is_total(channel: Channel) -> bool:
    """Whether the channel counts litres up instead of showing a flow."""
    return channel.quantity == "flow" and (channel.unit == "pulse" or channel.unit in VOLUME_L)


def value_of(channel: Channel, reading: Reading) -> float | None:
    """The reading in kg, L/min or L; None where it can't be used or the unit is of another kind."""
    if reading.status not in USABLE:
        return None
    number = Fraction(reading.number) * Fraction(10) ** reading.exp
    if channel.quantity == "mass":
        factor = MASS_KG.get(reading.unit)
    elif is_total(channel):
        pulses = channel.pulses_per_l
        factor = Fraction(1) / Fraction(pulses) if reading.unit == "pulse" and pulses else None
        factor = VOLUME_L.get(reading.unit, factor)
    else:
        factor = FLOW_L_MIN.get(reading.unit)
    return None if factor is None else float(number * factor)


class Window:
    """Collects what one channel says from a step's beginning on."""

    def __init__(self, channel: Channel, began_ns: int) -> None:
        self.channel = channel
        self.began_ns = began_ns
        self.points: deque[Point] = deque(maxlen=MOST)
        self.heard: deque[Reading] = deque(maxlen=MOST)
        self.garbage = 0
        self.example = b""
        self.unusable = ""  # the status of the last reading, where it can't be used
        self.last_ns = began_ns

    def take(self, item: Reading | Garbage) -> None:
        if isinstance(item, Garbage):
            self.garbage += 1
            self.example = item.raw[:40]
            return
        self.heard.append(item)
        value = value_of(self.channel, item)
        self.unusable = item.status if value is None else ""
        if value is not None:
            self.last_ns = item.at_ns
            self.points.append(Point((item.at_ns - self.began_ns) / NS, value))

    def capture(self, ended_ns: int, by: str) -> Capture:
        return Capture(
            self.channel,
            tuple(self.points),
            tuple(self.heard),
            self.garbage,
            self.example,
            (ended_ns - self.began_ns) / NS,
            by,
        )

    def level(self, now_s: float, for_s: float) -> Level | None:
        """The level over the last ``for_s`` seconds; None where that was not watched long enough."""
        recent: list[Point] = []
        for point in reversed(self.points):
            if point.at_s < now_s - for_s:
                return level_of(self.channel, recent[::-1])
            recent.append(point)
        return level_of(self.channel, recent[::-1]) if now_s >= for_s else None


@dataclass(frozen=True, slots=True)
class Capture:
    """A window that is closed. ``by``: "itself", "key" or "silence" ended the step."""

    channel: Channel
    points: tuple[Point, ...]
    heard: tuple[Reading, ...]
    garbage: int
    example: bytes
    ended_s: float
    by: str

    def level(self, from_s: float, to_s: float) -> Level | None:
        """The level between two times of the step."""
        return level_of(self.channel, [p for p in self.points if from_s <= p.at_s <= to_s])

    def last(self, for_s: float) -> Level | None:
        """The level over its last seconds."""
        return self.level(self.ended_s - for_s, self.ended_s)


def level_of(channel: Channel, points: list[Point]) -> Level | None:
    """The level of points in order of time; None with fewer than four."""
    if len(points) < 4:
        return None
    if is_total(channel):
        return _flow(channel, points)
    values = [point.value for point in points]
    half = len(values) // 2
    early, late = values[:half], values[half:]
    sd = sqrt((pstdev(early) ** 2 + pstdev(late) ** 2) / 2)
    step = channel.resolution_kg
    u = sqrt(step * step / 12 + sd * sd / len(values))
    return Level(fmean(values), u, sd, fmean(early), fmean(late), len(values))


def _flow(channel: Channel, points: list[Point]) -> Level | None:
    middle = points[len(points) // 2]
    first, last = points[0], points[-1]
    if not first.at_s < middle.at_s < last.at_s:
        return None
    spans = ((first, last), (first, middle), (middle, last))
    whole, early, late = ((b.value - a.value) / (b.at_s - a.at_s) * 60 for a, b in spans)
    count = min(
        (b.value - a.value for a, b in pairwise(points) if b.value > a.value),
        default=0.0,
    )
    u = count / sqrt(6) / (last.at_s - first.at_s) * 60
    return Level(whole, max(u, channel.resolution_kg / sqrt(12)), 0.0, early, late, len(points))
