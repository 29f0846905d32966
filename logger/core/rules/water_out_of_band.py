"""A water flow outside the band it was told to keep.

Formula: the exponential mean (8 s) of the rate (what a meter shows; of a total or a count, over its track's
window) lies outside the band by more than one division or 2 u, for `AFTER_S`; cleared when it lies inside
again for as long. Source: the averaging is an EWMA (NIST
e-Handbook 6.3.2.4); the limits are the operator's. False alarms: none by noise below the band's width.
"""

from __future__ import annotations

from math import exp

from logger.core.description import Station, Water
from logger.core.rules.contract import Evidence, Judgement, StationNow
from logger.core.rules.expected import ExpectedFlow
from logger.core.rules.said import Said, Watch
from logger.core.track.flow_view import FlowView

KIND = "water-out-of-band"
AFTER_S = 10
KEEP = exp(-1.0 / 8.0)


class WaterOutOfBand:
    """Judges all water lines of a station."""

    kind = KIND

    def __init__(self, station: Station, expected: ExpectedFlow, after_s: int = AFTER_S) -> None:
        if not 0 <= after_s <= 600:
            raise ValueError(f"after_s {after_s} must lie between 0 and 600 s")
        self.after_s = after_s
        self._watch = Watch(expected)
        self._said = [Said(KIND, water.name, water.channel) for water in station.water]
        self._mean: list[float | None] = [None] * len(station.water)
        self._other_since_s: list[int | None] = [None] * len(station.water)

    def tick(self, now: StationNow) -> list[Judgement]:
        watched = self._watch.tick(now)
        found: list[Judgement] = []
        for number, (line, channel) in enumerate(zip(now.station.water, now.water, strict=False)):
            if not watched:
                self._other_since_s[number] = None
                found += self._said[number].clear(now.now_s, f"{line.name} is no longer watched.")
            elif channel.flow is not None and channel.flow.view.rate_l_min is not None:
                found += self._judge(
                    number, line, channel.flow.view, channel.channel.resolution_kg, now.now_s
                )
        return found

    def _judge(self, number: int, line: Water, view: FlowView, digit: float, now_s: int) -> list[Judgement]:
        rate = view.rate_l_min or 0.0
        mean = self._mean[number]
        mean = rate if mean is None else mean * KEEP + rate * (1.0 - KEEP)
        self._mean[number] = mean
        said = self._said[number]
        d = 2.0 * view.u_rate_l_min if view.total else max(digit, 2.0 * view.u_rate_l_min)
        low = line.low_l_min is not None and mean < line.low_l_min - d
        high = line.high_l_min is not None and mean > line.high_l_min + d
        if (low or high) == said.active:
            self._other_since_s[number] = None
            return []
        since = self._other_since_s[number]
        if since is None:
            since = self._other_since_s[number] = now_s
        if now_s - since < self.after_s:
            return []
        self._other_since_s[number] = None
        if said.active:
            return said.clear(now_s, f"{line.name} is back in its band.")
        limit = line.low_l_min if low else line.high_l_min
        what = f"{line.name} runs {'below' if low else 'above'} its band."
        told = {"flow_l_min": round(mean, 3), "limit_l_min": limit}
        return said.say(True, since, what, "Set the valve right.", told)

    def evidence(self, subject: str, now: StationNow) -> Evidence | None:
        """The averaged flow (L/min) and the nearer limit: see `Evidence`."""
        for line, channel, mean in zip(now.station.water, now.water, self._mean, strict=False):
            if line.name != subject:
                continue
            held = self._watch.why_not(now)
            if channel.flow is None or channel.flow.view.rate_l_min is None:
                held = held or "the flow is not known"
            limits = [limit for limit in (line.low_l_min, line.high_l_min) if limit is not None]
            near = min(limits, key=lambda limit: abs(limit - (mean or 0.0)), default=None)
            extra = {"low_l_min": line.low_l_min, "high_l_min": line.high_l_min}
            return Evidence(
                KIND, subject, "L/min", mean, near, near == line.low_l_min, quiet_because=held, extra=extra
            )
        return None
