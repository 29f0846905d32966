"""The feed moves and no run is open: a start was forgotten, or this is a trial.

Formula: over the last minute the feed's scale lost more than six standard deviations of its own noise
(JCGM 100, 5.1.2), and in each third of it more than two; with a target, at least a fifth of it, too. By
scoop it is three minutes, and no thirds. A hand on the scale or a refill is no flow (the tracks see to
that). A station without a weighed feed is judged by its outlets together in the same way; they drain for
a while after a run, so for five minutes after its end nothing is said. Tuning: minute and fifth are common
practice, no source.
"""

from __future__ import annotations

from itertools import pairwise
from math import sqrt
from typing import NamedTuple

from logger.core.description import Station
from logger.core.rules.contract import ChannelNow, Evidence, Judgement, StationNow
from logger.core.rules.said import Said
from logger.core.track.view import TrackState
from logger.core.walltime import rfc3339

KIND = "no-run-open"
SPAN_S = 60
BY_SCOOP_S = 180
PARTS = 3
AFTER_RUN_S = 300
SIGMAS = 6.0
SIGMAS_PART = 2.0


class NoRunOpen:
    """One for each station with anything weighed."""

    kind = KIND

    def __init__(self, station: Station) -> None:
        target = station.feed.target_kg_h
        self._least_mg = 0.0 if target is None else 0.2 * target / 3.6e-3 * SPAN_S
        self._said = Said(KIND, "feed", station.feed.channel or "")
        self._still_s = 0
        self._since_s: int | None = None
        self._ran_until_s: int | None = None
        self._was_open = False

    def tick(self, now: StationNow) -> list[Judgement]:
        if now.run_since_s is not None:
            self._was_open = True
            self._since_s = None
            return self._said.clear(now.now_s, f"A run is open on {now.station.name}.")
        if self._was_open:
            self._was_open, self._ran_until_s = False, now.now_s
        rest_s = (BY_SCOOP_S if now.by_scoop else SPAN_S) if now.feed is not None else AFTER_RUN_S
        if self._ran_until_s is not None and now.now_s - self._ran_until_s < rest_s:
            return []
        if not self._moving(now):
            self._still_s += 1
            if self._still_s >= SPAN_S:
                self._since_s = None
                return self._said.clear(now.now_s, "Nothing moves any more.")
            return []
        self._still_s = 0
        if self._since_s is None:
            self._since_s = now.now_s - SPAN_S
        what = (
            f"The feed of {now.station.name} moves and no run is open."
            if now.feed is not None
            else f"Product comes at {now.station.name} and no run is open."
        )
        do = "Start the run, with the time it began; or stop the feed."
        told = {"since": rfc3339(self._since_s * 10**9)}
        return self._said.say(True, self._since_s, what, do, told)

    def _moving(self, now: StationNow) -> bool:
        return self._moved(now).clearly

    def _moved(self, now: StationNow) -> _Moved:
        if now.feed is None:
            outlets = [o.now for o in now.outlets if o.now is not None]
            return _flows(outlets, now.now_s, SPAN_S, self._least_mg)
        if now.by_scoop:
            scale = BY_SCOOP_S // SPAN_S
            return _flows([now.feed], now.now_s, BY_SCOOP_S, scale * self._least_mg, by_scoop=True)
        return _flows([now.feed], now.now_s, SPAN_S, self._least_mg)

    def evidence(self, subject: str, now: StationNow) -> Evidence | None:
        """How much (g) the feed moved lately beside what that takes: see `Evidence`."""
        if subject != "feed":
            return None
        span_s, moved = BY_SCOOP_S if now.by_scoop else SPAN_S, self._moved(now)
        held = ""
        if now.run_since_s is not None:
            held = "a run is open"
        elif self._ran_until_s is not None and now.now_s - self._ran_until_s < span_s:
            held = "the run ended only just now"
        if not moved.known:
            held = held or "the scale is disturbed, or was not read for long enough"
            return Evidence(KIND, subject, "g", quiet_because=held)
        if not held and moved.came_mg > moved.least_mg and not moved.clearly:
            held = "it did not move in each third of the time"
        return Evidence(
            KIND,
            subject,
            "g",
            moved.came_mg / 1e3,
            moved.least_mg / 1e3,
            False,
            span_s,
            None,
            moved.came_mg,
            held,
        )


class _Moved(NamedTuple):
    """What came (mg) beside the least that counts, whether it is known, and whether it moved clearly."""

    came_mg: float
    least_mg: float
    known: bool
    clearly: bool


def _flows(
    channels: list[ChannelNow], now_s: int, span_s: int, least_mg: float, *, by_scoop: bool = False
) -> _Moved:
    """Whether what they weigh grew clearly over the span, and, but for scoops, in each third of it."""
    came = [0.0] * PARTS
    variance = 0.0
    for channel in channels:
        track = channel.track
        if track is None or not channel.readings or now_s - channel.first_reading_s < span_s:
            continue
        steady = track.view.state is TrackState.STEADY and now_s - track.view.steady_since_s >= span_s
        if not (steady or by_scoop):
            continue
        part_s = span_s // PARTS
        edges = [track.delivered_at(now_s - span_s + k * part_s) for k in range(PARTS + 1)]
        came = [c + b - a for c, (a, b) in zip(came, pairwise(edges), strict=True)]
        variance += 2.0 * max(track.view.level_var_mg2, (channel.channel.resolution_kg * 1e6) ** 2 / 12.0)
    sd = sqrt(variance)
    total, least = sum(came), max(SIGMAS * sd, least_mg)
    each = by_scoop or all(part > SIGMAS_PART * sd for part in came)
    return _Moved(total, least, variance > 0.0, variance > 0.0 and total > least and each)
