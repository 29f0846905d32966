"""An instrument that says nothing: unplugged, switched off, out of power, or its line is down.

Formula: no reading (usable or not) for max(`LEAST_S`, `INTERVALS` x the interval told or learned); at once
when its link is known to be down. The interval is learned as an exponential mean over a minute. Source: none;
ten intervals bridge a lost line or two (common practice). Silence is never zero. False alarms: an instrument
that only reports changes needs its longest interval told.
"""

from __future__ import annotations

from logger.core.description import Channel
from logger.core.rules.contract import ChannelNow, Evidence, Judgement
from logger.core.rules.said import Said, minutes

KIND = "instrument-silent"
LEAST_S = 5.0
INTERVALS = 10.0
NEVER_S = 30  # for one that was never heard, or whose interval is not known yet
LINK_S = 2


class InstrumentSilent:
    """One for each channel."""

    kind = KIND

    def __init__(self, channel: Channel, least_s: float = LEAST_S) -> None:
        if not 1.0 <= least_s <= 3600.0:
            raise ValueError(f"least_s {least_s:g} must lie between 1 and 3600 s")
        self.least_s = least_s
        self._said = Said(KIND, channel.name, channel.name)
        self._interval_s = channel.interval_s or 0.0
        self._told = channel.interval_s is not None
        self._count = 0
        self._heard_s = 0
        self._began_s: int | None = None
        self._down_s: int | None = None

    def tick(self, now_s: int, channel: ChannelNow) -> list[Judgement]:
        if self._began_s is None:
            self._began_s = self._heard_s = now_s
            self._count = channel.readings
        self._learn(now_s, channel)
        if channel.link_up is False:
            self._down_s = now_s if self._down_s is None else self._down_s
        else:
            self._down_s = None
        last = max(channel.last_reading_s, channel.last_garbage_s)  # what can't be read is no silence
        quiet_s = now_s - (last or self._began_s)
        limit = self.limit_s if last else float(NEVER_S)
        down = self._down_s is not None and now_s - self._down_s >= LINK_S
        name = channel.channel.name
        if down or quiet_s > limit:
            why = "its link is down" if down else "nothing comes from it"
            what = f"{name} has been silent for {minutes(max(quiet_s, 0.0))}: {why}."
            do = "Look at plug, cable and power. What it did not say was not recorded."
            told = {"quiet_s": round(quiet_s, 1), "limit_s": round(limit, 1), "link_down": down}
            return self._said.say(True, int(last) or self._began_s, what, do, told)
        if last:
            return self._said.clear(now_s, f"{name} speaks again.")
        return []

    @property
    def limit_s(self) -> float:
        """The longest silence that is not remarked on."""
        if self._interval_s == 0.0:
            return float(NEVER_S)
        return max(self.least_s, INTERVALS * self._interval_s)

    def _learn(self, now_s: int, channel: ChannelNow) -> None:
        new = channel.readings - self._count
        if new <= 0:
            return
        seen = (now_s - self._heard_s) / new
        self._count, self._heard_s = channel.readings, now_s
        if self._told or seen <= 0.0:
            return
        if self._interval_s == 0.0:
            self._interval_s = seen
        elif seen < 5.0 * self._interval_s:  # a silence is no interval
            self._interval_s += (seen - self._interval_s) * min(1.0, max(seen, 1.0) / 60.0)

    def evidence(self, now_s: int, channel: ChannelNow) -> Evidence | None:
        """For how long (s) nothing came: see `Evidence`."""
        last = max(channel.last_reading_s, channel.last_garbage_s)
        began = self._began_s if self._began_s is not None else now_s
        limit = self.limit_s if last else float(NEVER_S)
        extra = {"link_down": channel.link_up is False}
        return Evidence(KIND, channel.channel.name, "s", now_s - (last or began), limit, extra=extra)
