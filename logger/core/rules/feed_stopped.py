"""The feed stopped: the hopper is empty or bridged, the feeder stands, or nobody feeds any more.

Formula: over windows of 8 to 300 s, at most a quarter of the usual feed passed, and `notice.evidence` with
the feed's own lumpiness reaches 12 nats: for a feed by scoop a pause of about six scoops, for a hopper some
seconds. Source: as `outlet_not_delivering`. By hand it also counts when a pause is twice as
long as any of the last thirty. Tuning: a feed by hand is given 45 s at least, because a
person who feeds also does other things (common practice, no source). Never before any feed was seen nor
after the run. Not judged while the feed's scale is disturbed (a refill) or oddly still (it may be frozen).
False alarms: 1 in 138 station-hours of bays with busy hands, 139 of 141 stops told
(tests/bench/testbay, set report, busy 500:640).
Clears when half the usual feed passed again, or a scoop.
"""

from __future__ import annotations

from math import sqrt
from typing import Any

from logger.core.description import Station
from logger.core.rules.contract import Evidence, Judgement, StationNow
from logger.core.rules.expected import ExpectedFlow
from logger.core.rules.feed_past import FeedPast
from logger.core.rules.notice import evidence
from logger.core.rules.said import Said, Watch, frozen_score, kg_h, minutes

KIND = "feed-stopped"
WINDOWS = (8, 11, 16, 23, 32, 45, 64, 90, 128, 181, 256, 300)
BY_HAND_LEAST_S = 45
CLEAR_WINDOWS = (4, 8, 16, 32, 64)
GO_ON = "Go on feeding, or end the run."
PAUSED = "the feed was paused on purpose"
CONTRADICTED = ("feed-contradicted", "feed")  # the outlets still deliver: it did not stop


class FeedStopped:
    """One for a station whose feed is weighed."""

    kind = KIND

    def __init__(self, station: Station, expected: ExpectedFlow, threshold: float = 12.0) -> None:
        if not 4.0 <= threshold <= 40.0:
            raise ValueError(f"threshold {threshold:g} nats must lie between 4 and 40")
        self.threshold = threshold
        self._expected = expected
        self._watch = Watch(expected)
        self._feed = FeedPast(station, expected)
        self._said = Said(KIND, "feed", station.feed.channel or "")
        self._alarm_s = 0
        self._from_s = 0  # no window starts before
        self._excuse = ""

    def tick(self, now: StationNow) -> list[Judgement]:
        self._feed.tick(now.now_s, now.by_scoop, stopped=self._said.active)
        if not self._watch.tick(now):
            return self._said.clear(now.now_s, "The feed is no longer watched: the run ended.")
        past = self._expected.feed
        if now.feed is None or past.good_since_s is None or self._feed.usual_mg_s is None:
            return []
        paused = PAUSED if now.paused_since_s is not None else ""
        if not paused and CONTRADICTED in now.active:
            paused = CONTRADICTED[0]
        if self._said.active:
            return self._said.excuse(paused) + self._look_for_flow(now.now_s)
        if frozen_score(now.feed) > 6.0:
            return []
        self._excuse = paused
        return self._look_for_pause(now.now_s) or self._look_for_stop(now.now_s)

    def _look_for_pause(self, now_s: int) -> list[Judgement]:
        """A feed by hand: a pause twice as long as any of the last thirty. Scoops are not random."""
        if not self._feed.by_hand:
            return []
        pause, longest = self._feed.pause_s(now_s), self._feed.longest_pause_s
        if longest is None or pause < max(BY_HAND_LEAST_S, 2 * longest):
            return []
        if now_s - pause < max(self._from_s, self._watch.fed_s or 0):
            return []
        self._alarm_s = now_s
        what = f"Nobody fed for {minutes(pause)}; the longest pause before was {minutes(longest)}."
        told = {"pause_s": pause, "longest_pause_s": longest}
        return self._said.say(True, now_s - pause, what, GO_ON, told, suppressed_by=self._excuse)

    def _look_for_stop(self, now_s: int) -> list[Judgement]:
        past, usual = self._expected.feed, self._feed.usual_mg_s or 0.0
        oldest = max(past.began_s or 0, past.good_since_s or 0, (self._watch.fed_s or 0), self._from_s)
        for window in WINDOWS:
            if window < BY_HAND_LEAST_S and (self._feed.by_hand or not self._feed.known):
                continue
            start = now_s - window
            if start < oldest:
                break
            used, wanted = past.got(start, now_s), usual * window
            if used > 0.25 * wanted:
                continue
            variance = 2.0 * past.reading_var_mg2
            nats = evidence(wanted, max(used, 0.0), variance, self._feed.phi_mg, 0.10)
            if nats >= self.threshold:
                self._alarm_s = now_s
                share = max(used, 0.0) / wanted
                what = f"The feed stopped: {share:.0%} of the usual came in the last {minutes(window)}."
                told = {
                    "window_s": window,
                    "used_kg": round(used / 1e6, 6),
                    "usual_kg_h": kg_h(usual),
                    "nats": round(nats, 2),
                }
                do = "Look at hopper and feeder. If the outlets still deliver, the feed scale is wrong."
                return self._said.say(True, start, what, do, told, suppressed_by=self._excuse)
        return []

    def _look_for_flow(self, now_s: int) -> list[Judgement]:
        past, usual = self._expected.feed, self._feed.usual_mg_s or 0.0
        for window in CLEAR_WINDOWS:
            start = now_s - window
            if start < max(self._alarm_s, past.good_since_s or 0):
                break
            used = past.got(start, now_s)
            if used >= 0.5 * usual * window and used >= 6.0 * sqrt(2.0 * past.reading_var_mg2):
                self._from_s = now_s
                return self._said.clear(now_s, "The feed runs again.")
        return []

    def evidence(self, subject: str, now: StationNow) -> Evidence | None:
        """What is seen of the feed now: see `Evidence`."""
        if subject != "feed":
            return None
        past, usual = self._expected.feed, self._feed.usual_mg_s
        held = self._watch.why_not(now) or self._not_judged(now)
        best: tuple[float, int, float] | None = None
        oldest = max(past.began_s or 0, past.good_since_s or 0, (self._watch.fed_s or 0), self._from_s)
        for window in WINDOWS if usual is not None and past.good_since_s is not None else ():
            by_hand = window < BY_HAND_LEAST_S and (self._feed.by_hand or not self._feed.known)
            if by_hand or now.now_s - window < oldest:
                continue
            used, wanted = past.got(now.now_s - window, now.now_s), (usual or 0.0) * window
            variance = 2.0 * past.reading_var_mg2
            nats = evidence(wanted, max(used, 0.0), variance, self._feed.phi_mg, 0.10)
            if used <= 0.25 * wanted and (best is None or nats > best[0]):
                best = (nats, window, used)
        pauses = {"pause_s": self._feed.pause_s(now.now_s), "longest_pause_s": self._feed.longest_pause_s}
        extra: dict[str, Any] = dict(pauses) if self._feed.by_hand else {}
        if usual is not None:
            extra["usual_kg_h"] = kg_h(usual)
        if best is None:
            nothing = 0.0 if usual is not None and not held else None
            return Evidence(KIND, "feed", "nats", nothing, self.threshold, quiet_because=held, extra=extra)
        nats, window, used = best
        return Evidence(
            KIND,
            "feed",
            "nats",
            nats,
            self.threshold,
            False,
            window,
            (usual or 0.0) * window,
            used,
            held,
            extra,
        )

    def _not_judged(self, now: StationNow) -> str:
        if now.feed is None or self._expected.feed.good_since_s is None:
            return "the feed's scale is disturbed, by a refill for instance, or silent"
        if self._feed.usual_mg_s is None:
            return "what the feed usually does is not known yet"
        if frozen_score(now.feed) > 6.0:
            return "the feed's scale is oddly still: it may be frozen"
        return PAUSED if now.paused_since_s is not None else ""
