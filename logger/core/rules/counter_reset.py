"""A totaliser or counter that began anew: switched off and on, reset by hand, or jumped.

Formula: the track's count of resets (`core.track.flow`: a number lower than before that is no wrap, or higher
than could have flowed) went up. What passed meanwhile is unknown; the tally says so. Source: none needed.
It stands for `SHOWN_S`, so that it is seen, and is then over. False alarms: a line that garbles a number in a
way that looks like one; the track takes it back when the number goes on where it was.
"""

from __future__ import annotations

from logger.core.description import Channel
from logger.core.rules.contract import ChannelNow, Evidence, Judgement
from logger.core.rules.said import Said

KIND = "counter-reset"
SHOWN_S = 60
AFTER_S = 3  # a slip is taken back by the next reading
DO = "Nothing is lost of what was counted; see that the meter keeps its power, and note why it was reset."


class CounterReset:
    """One for each flow meter."""

    kind = KIND

    def __init__(self, channel: Channel, shown_s: int = SHOWN_S) -> None:
        if not 1 <= shown_s <= 86_400:
            raise ValueError(f"shown_s {shown_s} must lie between 1 and 86400 s")
        self.shown_s = shown_s
        self._said = Said(KIND, channel.name, channel.name)
        self._resets = 0
        self._seen_s: int | None = None

    def tick(self, now_s: int, channel: ChannelNow) -> list[Judgement]:
        flow = channel.flow
        if flow is None:
            return []
        resets, name = flow.view.resets, channel.channel.name
        if resets < self._resets:  # it was a slip
            self._resets, self._seen_s = resets, None
            return self._said.clear(now_s, f"{name} goes on counting where it was.")
        if resets > self._resets:
            self._seen_s = now_s if self._seen_s is None else self._seen_s
            if now_s - self._seen_s < AFTER_S:
                return []
            self._resets, since = resets, self._seen_s
            self._seen_s = now_s
            what = f"{name} began to count anew. What passed while it did is not known."
            return self._said.say(True, since, what, DO, {"resets": resets})
        if self._said.active and self._seen_s is not None and now_s - self._seen_s >= self.shown_s:
            self._seen_s = None
            return self._said.clear(now_s, f"{name} counts on.")
        if not self._said.active:
            self._seen_s = None
        return []

    def evidence(self, now_s: int, channel: ChannelNow) -> Evidence | None:
        """How often it began to count anew, beside the next time: see `Evidence`."""
        if channel.flow is None:
            return None
        view, name = channel.flow.view, channel.channel.name
        extra = {"shown_since_s": 0 if self._seen_s is None else now_s - self._seen_s, "wraps": view.wraps}
        if not view.total:
            return Evidence(
                KIND, name, "resets", quiet_because="it shows a flow and counts nothing", extra=extra
            )
        held = "it may be a slip of one number" if view.resets > self._resets else ""
        more = self._resets if self._said.active else self._resets + 1
        return Evidence(KIND, name, "resets", view.resets, more, quiet_because=held, extra=extra)
