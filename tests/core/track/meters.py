"""Readings of flow meters for tests, and the truth behind them."""

from __future__ import annotations

from collections.abc import Iterable

from logger.core.description import Channel
from logger.core.track.flow import FlowTrack

NS = 10**9
T0 = 1_772_431_200

Shown = tuple[float, int]  # seconds since T0, number


def meter(unit: str, **told: object) -> Channel:
    return Channel("water", "flow", unit, **({"resolution_kg": 0.0} | told))  # type: ignore[arg-type]


def run(
    track: FlowTrack,
    shown: Iterable[Shown],
    unit: str,
    exp: int = 0,
    until_s: int | None = None,
    close: bool = True,
) -> FlowTrack:
    """Read a meter and close every second; the last second closed is ``until_s`` or the last reading's,
    or with ``close=False`` the one before that."""
    due = T0 + 1 if not track.view.now_s else track.view.now_s + 1
    for at_s, number in shown:
        at_ns = T0 * NS + round(at_s * NS)
        while due * NS <= at_ns:
            track.tick(due)
            due += 1
        track.reading(at_ns, number, unit, exp)
    end = T0 + until_s if until_s is not None else due - (not close)
    while due <= end:
        track.tick(due)
        due += 1
    return track


def counts(pulses_a_s: float, seconds: int, every_s: float = 1.0, start: int = 0) -> list[Shown]:
    """A counter that goes up steadily."""
    steps = int(seconds / every_s) + 1
    return [(i * every_s, start + int(pulses_a_s * i * every_s)) for i in range(steps)]
