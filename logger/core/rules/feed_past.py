"""What a feed usually does: its rate and how lumpily it comes, for the rules about the feed.

A hopper pulsates by grams, a person feeds scoops of a kilogram: the same formulas serve both, with the
lumpiness phi = E[m^2]/E[m] learned from how the variance of the feed grows between 4 and 32 seconds.
"""

from __future__ import annotations

from collections import deque
from math import exp

from logger.core.description import FeedKind, Station
from logger.core.rules.expected import ExpectedFlow

HALF_MINUTE_S = 30
PHI_MG = {FeedKind.HOPPER: 10_000.0, FeedKind.TUB: 600_000.0, FeedKind.UNWEIGHED: 0.0}
"""Before anything is learned: 10 g from an auger, 600 g from a scoop. Assumed, no source."""


class FeedPast:
    """Ticked by the feed rules; ``usual_mg_s`` is None until two minutes of feed, or a target."""

    def __init__(self, station: Station, expected: ExpectedFlow) -> None:
        target = station.feed.target_kg_h
        self._expected = expected
        self.target_mg_s = None if target is None else target / 3.6e-3
        self.phi_mg = PHI_MG[station.feed.kind]
        self._assumed = self.phi_mg
        self.by_hand = False
        self._moved_s = 0
        self._pauses: deque[int] = deque(maxlen=30)
        self._rates: deque[float] = deque(maxlen=20)
        self._square4 = self._square30 = self._mass = self._weight = self._steps = 0.0
        self._last: tuple[int, float] | None = None  # start and rate of the last half minute

    @property
    def usual_mg_s(self) -> float | None:
        """The median of the last half-minutes in which the feed ran; the target until there are four."""
        if len(self._rates) < 4:
            return self.target_mg_s
        return sorted(self._rates)[len(self._rates) // 2]

    @property
    def known(self) -> bool:
        """Whether a minute of feed has shown how it comes: before, it may yet turn out to come by scoop."""
        return self._weight >= 1.5

    def pause_s(self, now_s: int) -> int:
        """Seconds since the feed last moved; 0 where that is not known."""
        return now_s - self._moved_s if self._moved_s else 0

    @property
    def longest_pause_s(self) -> int | None:
        """The longest of the last thirty pauses between scoops; None before there were six."""
        return max(self._pauses) if len(self._pauses) >= 6 else None

    def _watch_pauses(self, now_s: int, stopped: bool) -> None:
        past = self._expected.feed
        if past.began_s is None or now_s - 6 < past.began_s:
            return
        # A scoop disturbs the scale before it is counted; so does a refill, and then a hand is there too.
        enough = 5.0 * (2.0 * past.reading_var_mg2) ** 0.5
        if past.lost_s is None and past.got(now_s - 6, now_s) < enough:
            return
        pause = self.pause_s(now_s)
        if pause > 1 and not stopped:
            self._pauses.append(pause)
        self._moved_s = now_s

    def tick(self, now_s: int, by_scoop: bool, stopped: bool = False) -> None:
        """Learn from the half minute that ended a minute ago, while the feed ran."""
        if by_scoop and not self.by_hand:
            self.by_hand = True
            self.phi_mg = self._assumed = PHI_MG[FeedKind.TUB]
        self._watch_pauses(now_s, stopped)
        if self._expected.beat_s % HALF_MINUTE_S:
            return
        past = self._expected.feed
        end = now_s - 60
        start = end - HALF_MINUTE_S
        if past.began_s is None or start < past.began_s or not past.whole(start, end):
            return
        rate = past.got(start, end) / HALF_MINUTE_S
        usual = self.usual_mg_s
        if rate <= (0.0 if usual is None else 0.25 * usual):
            return
        self._rates.append(rate)
        self._learn_lumps(start, rate)

    def _learn_lumps(self, start: int, rate: float) -> None:
        past = self._expected.feed
        fours = [past.got(start + k, start + k + 4) - 4.0 * rate for k in range(0, 28, 4)]
        noise = 2.0 * past.reading_var_mg2
        keep = exp(-HALF_MINUTE_S / 900.0)
        self._square4 = self._square4 * keep + sum(f * f for f in fours) / len(fours) - noise
        if self._last is not None and start - self._last[0] <= 2 * HALF_MINUTE_S:
            step = HALF_MINUTE_S * (rate - self._last[1])
            self._square30 = self._square30 * keep + 0.5 * step * step
            self._steps = self._steps * keep + 1.0
        self._last = (start, rate)
        self._mass = self._mass * keep + rate
        self._weight = self._weight * keep + 1.0
        # Within half a minute 7 fours share one mean: their scatter about it is 7/8 of the variance.
        near = max(self._square4, 0.0) / (7.0 / 8.0 * 4.0 * self._mass)
        self.phi_mg = max((near * self._weight + self._assumed * 3.0) / (self._weight + 3.0), 100.0)

    def density(self) -> float:
        """Variance of the feed a second (mg^2/s), by the steps between half-minutes: a drift adds little."""
        assumed = self.phi_mg * (self.usual_mg_s or 0.0)
        seen = self._square30 / HALF_MINUTE_S
        return (seen + 3.0 * assumed) / (self._steps + 3.0)
