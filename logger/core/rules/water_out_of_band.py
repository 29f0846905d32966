"""A water flow outside the band it was told to keep.

Formula: the exponential mean (8 s) of what the meter shows, plus or minus one division, lies outside the
band for `AFTER_S`; cleared when it lies inside again for as long. Source: the averaging is an EWMA (NIST
e-Handbook 6.3.2.4); the limits are the operator's. False alarms: none by noise below the band's width.
"""

from __future__ import annotations

from math import exp

from logger.core.description import Station, Water
from logger.core.rules.contract import ChannelNow, Judgement, StationNow
from logger.core.rules.expected import ExpectedFlow
from logger.core.rules.said import Said, Watch

KIND = "water-out-of-band"
AFTER_S = 10
KEEP = exp(-1.0 / 8.0)
STALE_S = 10.0


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
            elif channel.last_usable_s > 0.0 and now.now_s - channel.last_usable_s <= STALE_S:
                found += self._judge(number, line, channel, now.now_s)
        return found

    def _judge(self, number: int, line: Water, channel: ChannelNow, now_s: int) -> list[Judgement]:
        mean = self._mean[number]
        mean = channel.value if mean is None else mean * KEEP + channel.value * (1.0 - KEEP)
        self._mean[number] = mean
        said = self._said[number]
        d = channel.channel.resolution_kg if channel.channel.quantity == "flow" else 0.0
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
            return said.clear(now_s, f"{line.name} is back in its band: {mean:.1f} L/min.")
        limit = line.low_l_min if low else line.high_l_min
        way = "below" if low else "above"
        what = f"{line.name} runs at {mean:.1f} L/min, {way} {limit:g} L/min."
        return said.say(True, since, what, "Set the valve right.", {"l_min": round(mean, 3)})
