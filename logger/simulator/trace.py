"""Traces: what all instruments of a simulated bay say, much faster than life and without wires."""

from __future__ import annotations

import heapq
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from random import Random
from typing import NamedTuple

from logger.simulator.bay import SimulatedBay, Truth
from logger.simulator.scenario import Scenario
from logger.simulator.script import Event

COLUMNS = ("time", "channel", "value", "unit", "stable")


class Line(NamedTuple):
    """One reading as shown: time in s (whole ms), channel, number as text, unit, motion flag."""

    t_s: float
    channel: str
    value: str
    unit: str
    stable: bool | None


@dataclass(frozen=True, slots=True)
class Trace:
    """Readings in order of time, and the truth behind them."""

    scenario: Scenario
    seed: int
    duration_s: float
    readings: list[Line]
    truth: Truth
    events: list[Event]


def stream(bay: SimulatedBay, seed: int, duration_s: float, rate_hz: float = 5.0) -> Iterator[Line]:
    """Step a bay for ``duration_s`` and give its readings as they come.

    Each instrument reports at its own rate (off by up to 0.5 %), with jitter, and skips lines. A reading
    over capacity carries no number, so it is left out.
    """
    dice = {channel: Random(f"{seed}/times/{channel}") for channel in bay.scenario.channels}
    gaps: dict[str, float] = {}
    due: list[tuple[int, str, float]] = []  # (ms, channel, without jitter in s)
    for channel, rng in dice.items():
        rate = bay.scales[channel].scale.rate_hz or rate_hz
        line = bay.scenario.meter(channel)
        if line is not None:
            rate = line.rate_hz
        gaps[channel] = rng.uniform(0.995, 1.005) / rate
        first_s = rng.uniform(0.0, gaps[channel])
        due.append((round(first_s * 1000), channel, first_s))
    heapq.heapify(due)
    while bay.now_s < duration_s - 1e-9:
        bay.step()
        now_ms = round(bay.now_s * 1000)
        while due[0][0] <= now_ms:
            ms, channel, plan_s = due[0]
            next_s = plan_s + gaps[channel]
            jitter_s = dice[channel].gauss(0.0, bay.scales[channel].scale.jitter_s)
            heapq.heapreplace(due, (max(ms + 1, round((next_s + jitter_s) * 1000)), channel, next_s))
            shown = bay.read(channel, ms / 1000)
            if shown is not None and shown.status != "over":
                yield Line(ms / 1000, channel, shown.value, shown.unit, shown.stable)


def make_trace(
    scenario: Scenario, seed: int = 0, duration_s: float = 3600.0, rate_hz: float = 5.0, dt_s: float = 0.1
) -> Trace:
    """Play a scenario and keep all it says. The same arguments give the same trace."""
    bay = SimulatedBay(scenario, seed, dt_s)
    readings = list(stream(bay, seed, duration_s, rate_hz))
    return Trace(scenario, seed, duration_s, readings, bay.truth, bay.events)


def write_csv(trace: Trace, path: str | Path, start: str = "2026-03-02T06:00:00.000Z") -> int:
    """Write the readings as CSV (RFC 4180, UTF-8): ``time,channel,value,unit,stable``.

    Times are RFC 3339 in UTC with milliseconds; ``stable`` is 1, 0 or empty. Gives the number of lines.
    """
    begin = datetime.fromisoformat(start.replace("Z", "+00:00"))
    if begin.utcoffset() is None:
        raise ValueError(f'start "{start}" has no offset; write e.g. 2026-03-02T06:00:00.000Z')
    begin -= begin.utcoffset() or timedelta(0)
    flags = {True: "1", False: "0", None: ""}
    with Path(path).open("w", encoding="utf-8", newline="") as file:
        file.write(",".join(COLUMNS) + "\r\n")
        for line in trace.readings:
            moment = (begin + timedelta(milliseconds=round(line.t_s * 1000))).replace(tzinfo=None)
            stamp = moment.isoformat(timespec="milliseconds") + "Z"
            file.write(f"{stamp},{line.channel},{line.value},{line.unit},{flags[line.stable]}\r\n")
    return len(trace.readings)
