"""What ends a step by itself: the weight shows that the thing asked for was done.

*Steady* means: over the last seconds the two halves' means differ by no more than 0.75 d + 2 s sqrt(4/n), and
the scatter s is no more than the larger of 2 d and three times the scatter when nothing moved (assumed).
A container that swings or drains is not steady; a scale that trembles as always is.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import inf, sqrt
from typing import Protocol, TypeAlias

from logger.core.description import Channel
from logger.core.proof.window import Level, Window


@dataclass(frozen=True, slots=True)
class Seen:
    """What a condition may look at: the first channel's window, the time in the step, earlier levels."""

    window: Window
    now_s: float
    levels: dict[str, float]  # step key -> the level at its end
    still_sd: float  # scatter when nothing moved; 0 where not known
    pressed_s: float | None  # when Enter was pressed in a step that goes on after it


class Until(Protocol):
    """A condition. ``wants`` tells what a person has to do: "nothing", or "key"."""

    @property
    def wants(self) -> str: ...

    def ended(self, seen: Seen) -> bool: ...

    def progress(self, seen: Seen) -> str: ...


@dataclass(frozen=True, slots=True)
class Listen:
    """For some seconds."""

    seconds: float
    wants: str = "nothing"

    def ended(self, seen: Seen) -> bool:
        return seen.now_s >= self.seconds

    def progress(self, seen: Seen) -> str:
        return f"{max(0.0, self.seconds - seen.now_s):.0f} s to go"


@dataclass(frozen=True, slots=True)
class Key:
    """Until Enter."""

    wants: str = "key"

    def ended(self, seen: Seen) -> bool:
        return False

    def progress(self, seen: Seen) -> str:
        return shown(seen)


@dataclass(frozen=True, slots=True)
class Move:
    """Until the level is steady and lies between ``low`` and ``high`` from an earlier step's level.

    ``base`` is that step's key; None: from zero. ``hold_s`` is how long it must be steady.
    """

    base: str | None
    low: float
    high: float = inf
    hold_s: float = 3.0
    wants: str = "nothing"

    def ended(self, seen: Seen) -> bool:
        level = seen.window.level(seen.now_s, self.hold_s)
        if level is None or not steady(level, seen.window.channel, seen.still_sd):
            return False
        base = 0.0 if self.base is None else seen.levels.get(self.base, 0.0)
        return self.low <= level.mean - base <= self.high

    def progress(self, seen: Seen) -> str:
        return shown(seen)


@dataclass(frozen=True, slots=True)
class Poured:
    """From the beginning of a pour until the weight is steady again.

    The pour begins when the weight leaves the level of ``base`` by ``rise``, or with Enter. Then it takes
    at least ``least_s``, and at most ``most_s``; it must be steady for ``hold_s``.
    """

    base: str
    rise: float
    least_s: float
    most_s: float
    hold_s: float = 10.0
    wants: str = "key"

    def ended(self, seen: Seen) -> bool:
        began_s = self.began_s(seen)
        if began_s is None:
            return False
        passed_s = seen.now_s - began_s
        if passed_s < self.least_s:
            return False
        level = seen.window.level(seen.now_s, self.hold_s)
        quiet = level is not None and steady(level, seen.window.channel, seen.still_sd)
        return quiet or passed_s >= self.most_s

    def began_s(self, seen: Seen) -> float | None:
        base = seen.levels.get(self.base, 0.0)
        for point in seen.window.points:
            if abs(point.value - base) > self.rise:
                return point.at_s
        return seen.pressed_s

    def progress(self, seen: Seen) -> str:
        began_s = self.began_s(seen)
        if began_s is None:
            return f"{shown(seen)}; waiting for the pour"
        return f"{shown(seen)}; watching, {seen.now_s - began_s:.0f} s since the pour began"


Ends: TypeAlias = Listen | Key | Move | Poured


def steady(level: Level, channel: Channel, still_sd: float) -> bool:
    """Whether nothing moves; see the head of this file."""
    step = channel.resolution_kg
    if level.sd > max(2.0 * step, 3.0 * still_sd):
        return False
    return abs(level.late - level.early) <= 0.75 * step + 2.0 * level.sd * sqrt(4.0 / level.count)


def shown(seen: Seen) -> str:
    """What the instrument shows now, for a person."""
    window = seen.window
    if window.unusable:
        return f'shows "{window.unusable}"'
    if not window.heard:
        return "nothing heard yet"
    last = window.heard[-1]
    return f"shows {last.number * 10.0**last.exp:.{max(0, -last.exp)}f} {last.unit}"
