"""Bytes come from an instrument, but nothing that can be read: a wrong line speed, format or dialect.

Formula: no reading for `AFTER_S`, and at least `PIECES` pieces of garbage since the last one, the newest no
older than `FRESH_S` (a flood is told every two seconds only, see `ports.flood`). Source: none; the spans are
common practice. False alarms: an instrument that answers nothing but errors (switched to its menu) is called
so too, and worth a look. Clears with the next reading, or when nothing comes at all: then it is silent.
"""

from __future__ import annotations

from logger.core.description import Channel
from logger.core.rules.contract import ChannelNow, Evidence, Judgement
from logger.core.rules.said import Said, minutes

KIND = "instrument-unreadable"
AFTER_S = 10.0
FRESH_S = 10.0
PIECES = 3
DO = "Look at its line speed, data bits and dialect, and whether a setting was changed at the instrument."


class InstrumentUnreadable:
    """One for each channel."""

    kind = KIND

    def __init__(self, channel: Channel, after_s: float = AFTER_S) -> None:
        if not 2.0 <= after_s <= 3600.0:
            raise ValueError(f"after_s {after_s:g} must lie between 2 and 3600 s")
        self.after_s = after_s
        self._said = Said(KIND, channel.name, channel.name)
        self._before = 0  # pieces of garbage when the last reading came
        self._readings = 0
        self._began_s: int | None = None

    def tick(self, now_s: int, channel: ChannelNow) -> list[Judgement]:
        self._began_s = now_s if self._began_s is None else self._began_s
        if channel.readings != self._readings:
            self._readings, self._before = channel.readings, channel.garbage
            return self._said.clear(now_s, f"{channel.channel.name} can be read again.")
        since_s = channel.last_reading_s or float(self._began_s)
        pieces = channel.garbage - self._before
        if now_s - channel.last_garbage_s > FRESH_S:
            return self._said.clear(now_s, f"Nothing comes from {channel.channel.name} any more.")
        if pieces < PIECES or now_s - since_s < self.after_s:
            return []
        name, time = channel.channel.name, minutes(now_s - since_s)
        what = f"{name} sends bytes, but for {time} nothing that can be read."
        told = {"pieces": pieces, "reason": channel.garbage_reason}
        return self._said.say(True, int(since_s), what, DO, told)

    def evidence(self, now_s: int, channel: ChannelNow) -> Evidence | None:
        """For how long (s) nothing could be read: see `Evidence`."""
        began_s = now_s if self._began_s is None else self._began_s
        since_s = channel.last_reading_s or float(began_s)
        pieces, held = channel.garbage - self._before, ""
        if now_s - channel.last_garbage_s > FRESH_S:
            held = "no bytes come that can't be read"
        elif pieces < PIECES:
            held = f"only {pieces} pieces could not be read since the last reading"
        extra = {"pieces": pieces, "reason": channel.garbage_reason}
        return Evidence(
            KIND, channel.channel.name, "s", now_s - since_s, self.after_s, quiet_because=held, extra=extra
        )
