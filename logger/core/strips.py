"""The last minutes of a station as lines to be drawn: rates of feed, outlets and water, step by step.

A rate is mass over a window, so that a scale's steps do not look like pulses: as long as the track itself
takes for its rate, between ten seconds and a minute. What was expected while a container was away is drawn
too (it is in the tally), and those points are told; where nothing was read, or nothing yet, there is None.
"""

from __future__ import annotations

from typing import Any

from logger.core.rules.contract import ChannelNow, StationNow
from logger.core.walltime import rfc3339

NS = 10**9
KG_H = 3.6e-3  # kg/h in a mg/s
STEP_S = 10
SHORTEST_S, LONGEST_S = 10, 60
MOST_MINUTES = 60
MOSTLY = 0.5  # of a step's mass


def strips(station: StationNow, minutes: int = 10) -> dict[str, Any]:
    """Points every `STEP_S` up to now, oldest first: ``feed`` and ``outlets`` in kg/h, ``water`` in L/min.

    ``estimated`` names, by outlet, the steps most of whose mass was expected, not weighed. ``usual`` is the
    rate (kg/h) that an outlet's share of the feed comes to: of its target, else of what was fed lately.
    ``minutes``: 1 to `MOST_MINUTES`, else ValueError. What nothing measures is left out.
    """
    if not 1 <= minutes <= MOST_MINUTES:
        raise ValueError(f"minutes is {minutes}; it must be 1 to {MOST_MINUTES}")
    last_s = station.now_s - station.now_s % STEP_S
    times = range(last_s - 60 * minutes + STEP_S, last_s + 1, STEP_S)
    feed = None if station.feed is None or station.feed.track is None else _masses(station.feed, times)
    return {
        "station": station.station.name,
        "to": rfc3339(last_s * NS),
        "step_s": STEP_S,
        "feed": feed,
        "outlets": {o.outlet.name: _masses(o.now, times) for o in station.outlets if o.now is not None},
        "estimated": {o.outlet.name: _estimated(o.now, times) for o in station.outlets if o.now is not None},
        "usual": _usual(station, feed),
        "water": {
            line.name: _flows(now, times)
            for line, now in zip(station.station.water, station.water, strict=True)
        },
    }


def _masses(now: ChannelNow, times: range) -> list[float | None]:
    track = now.track
    if track is None or now.first_reading_s == 0.0:
        return [None] * len(times)
    window = round(min(LONGEST_S, max(SHORTEST_S, track.view.rate_window_s)))
    known_s = int(now.first_reading_s) + window
    at = {t: track.delivered_at(t) for s in times for t in (s, s - window)}
    return [
        round((at[s] - at[s - window]) / window * KG_H, 3) if known_s <= s <= now.last_usable_s + 2 else None
        for s in times
    ]


def _estimated(now: ChannelNow, times: range) -> list[int]:
    """By the step itself, not the longer window: where a container was away, to the step."""
    track = now.track
    if track is None:
        return []
    found = []
    for index, s in enumerate(times):
        estimated = track.estimated_at(s) - track.estimated_at(s - STEP_S)
        came = track.delivered_at(s) - track.delivered_at(s - STEP_S)
        if estimated > MOSTLY * max(came, 0.0):
            found.append(index)
    return found


def _usual(station: StationNow, fed: list[float | None] | None) -> dict[str, float]:
    rates = [rate for rate in fed or [] if rate is not None]
    feed = station.station.feed.target_kg_h or (max(0.0, sum(rates) / len(rates)) if rates else 0.0)
    shares = {o.outlet.name: o.share for o in station.outlets if o.now is not None}
    return {name: round(share * feed, 3) for name, share in shares.items() if share and feed}


def _flows(now: ChannelNow, times: range) -> list[float | None]:
    flow = now.flow
    if flow is None or now.first_reading_s == 0.0:
        return [None] * len(times)
    points: list[float | None] = []
    for s in times:
        passed = flow.passed(s - STEP_S, s)
        unread_s = max(0.0, s - now.last_usable_s)  # since its last number, which may be on its way
        heard_s = STEP_S - max(passed.unknown_s, unread_s)
        known = s - STEP_S >= now.first_reading_s and heard_s > 0
        points.append(round(passed.litres / heard_s * 60, 3) if known else None)
    return points
