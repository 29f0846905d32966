"""From feed to outlet: a bank of lags (dead time x time constant) and which of them are credible.

What an outlet delivers is taken as share x feed, delayed by a dead time and spread by a first-order lag.
Every combination of the bank is scored on the outlet's own five-second deliveries by least squares, the
share profiled out: with n blocks, n/2 ln(RSS_k / RSS_min) is a difference of log-likelihoods (Gaussian,
scale unknown). Start-ups and changes of the feed tell the lags apart; a steady feed says nothing, and then
nothing changes. A lag stays credible within `SLACK` nats of the best.
"""

from __future__ import annotations

from array import array
from math import exp, log

from logger.core.description import Outlet

SPAN = 2048  # seconds of history; a power of two, above 720 s + the oldest that is learned from
MASK = SPAN - 1
TAUS = (4.0, 8.0, 15.0, 25.0, 45.0)  # s
DEADS: tuple[int, ...] = (2, *range(5, 85, 5))  # s
MODELS = tuple((dead, index) for dead in DEADS for index in range(len(TAUS)))
BLOCK_S = 5
LONG_GAP_S = 15
KEEP = exp(-BLOCK_S / 3600.0)
SLACK = 8.0
ENOUGH_BLOCKS = 6


class Spread:
    """Cumulative feed (mg) and its first-order lags, second by second, for the last `SPAN` seconds."""

    def __init__(self) -> None:
        self.began_s: int | None = None
        self.now_s = self._oldest_s = 0
        self.feed = array("d", bytes(8 * SPAN))
        self.lagged = [array("d", bytes(8 * SPAN)) for _ in TAUS]
        self._gains = [1.0 - exp(-1.0 / tau) for tau in TAUS]

    def add(self, now_s: int, feed_mg: float) -> None:
        """The cumulative feed at the end of a second; seconds left out are bridged evenly.

        After a hole longer than what is remembered it begins anew.
        """
        if self.began_s is None or now_s - self.now_s >= SPAN:
            self.began_s, self.now_s = now_s, now_s
            self.feed[now_s & MASK] = feed_mg
            for ring in self.lagged:
                ring[now_s & MASK] = feed_mg
        elif now_s > self.now_s:
            self._bridge(self.now_s, now_s, feed_mg)
            self.now_s = now_s
        self._oldest_s = max(self.began_s, now_s - SPAN + 1)

    def bridge(self, from_s: int, feed_mg: float, usual_mg: float = 0.0) -> None:
        """The feed was not seen since ``from_s``: spread what passed since, once it is known.

        Evenly; or, where that is clearly less than the ``usual_mg`` a second would have brought, as if the
        feed had run as before and then stopped: what is due is over the sooner, and no outlet is blamed.
        """
        if self.began_s is None or from_s >= self.now_s:
            return
        start, end = max(from_s, self.began_s, self.now_s - SPAN + 1), self.now_s
        passed = feed_mg - self.feed[start & MASK]
        if end - start > LONG_GAP_S and 0.0 <= passed < 0.85 * usual_mg * (end - start):
            stop = min(start + max(1, round(passed / usual_mg)), end - 1)
            self._bridge(start, stop, feed_mg)
            start = stop
        self._bridge(start, end, feed_mg)

    def _bridge(self, from_s: int, to_s: int, feed_mg: float) -> None:
        start = self.feed[from_s & MASK]
        step = (feed_mg - start) / (to_s - from_s)
        for second in range(from_s + 1, to_s + 1):
            here, before = second & MASK, (second - 1) & MASK
            total = feed_mg if second == to_s else start + step * (second - from_s)
            self.feed[here] = total
            for ring, gain in zip(self.lagged, self._gains, strict=True):
                ring[here] = ring[before] + (total - ring[before]) * gain

    def passed(self, model: int, from_s: int, to_s: int) -> float:
        """Lagged feed (mg) between two seconds by one model of the bank; nothing from before the start."""
        dead, index = MODELS[model]
        ring, start, end, oldest = self.lagged[index], from_s - dead, to_s - dead, self._oldest_s
        if start < oldest:
            start, end = oldest, max(end, oldest)
        passed: float = ring[end & MASK] - ring[start & MASK]
        return passed


class LagScores:
    """Which models of the bank still explain one outlet."""

    def __init__(self, outlet: Outlet) -> None:
        told = outlet.lag_s
        self.allowed = [
            number
            for number, (dead, index) in enumerate(MODELS)
            if told is None or abs(dead + TAUS[index] - told) <= max(10.0, 0.4 * told)
        ]
        if not self.allowed:  # a told lag outside the bank: the nearest model
            self.allowed = [min(range(len(MODELS)), key=lambda k: abs(_mean_lag(k) - (told or 0.0)))]
        middle = 30.0 if told is None else told
        self.best = min(self.allowed, key=lambda k: abs(_mean_lag(k) - middle))
        self.credible = list(self.allowed)
        self.nats = dict.fromkeys(self.allowed, 0.0)  # how far behind the best each model is
        ranked = sorted(self.credible, key=_mean_lag)
        self.extremes = (ranked[0], ranked[-1])  # the fastest and the slowest that are credible
        self._xx = [0.0] * len(self.allowed)
        self._xy = [0.0] * len(self.allowed)
        self._yy = 0.0
        self.blocks = 0.0

    @property
    def lag_s(self) -> float:
        return _mean_lag(self.best)

    @property
    def quickest_s(self) -> int:
        """The shortest dead time that is credible."""
        return min(MODELS[model][0] for model in self.credible)

    @property
    def slowest_s(self) -> int:
        """When nearly all has come by the slowest credible lag (two time constants), two minutes at most."""
        return min(max(MODELS[m][0] + round(2.0 * TAUS[MODELS[m][1]]) for m in self.credible), 120)

    def score(self, spread: Spread, from_s: int, to_s: int, delivered_mg: float) -> None:
        """Take one block of what the outlet delivered."""
        self._yy = self._yy * KEEP + delivered_mg * delivered_mg
        self.blocks = self.blocks * KEEP + 1.0
        passed = spread.passed
        for at, model in enumerate(self.allowed):
            x = passed(model, from_s, to_s)
            self._xx[at] = self._xx[at] * KEEP + x * x
            self._xy[at] = self._xy[at] * KEEP + x * delivered_mg

    def settle(self) -> None:
        """Choose the credible models, and the one nearest to their weighted mean lag as the best."""
        if self.blocks < ENOUGH_BLOCKS or self._yy <= 0.0 or max(self._xx) <= 0.0:
            return
        left = self._left()
        least = min(left)
        nats = [0.5 * self.blocks * log(rss / least) for rss in left]
        self.nats = dict(zip(self.allowed, nats, strict=True))
        self.credible = [model for model, n in zip(self.allowed, nats, strict=True) if n <= SLACK]
        weights = [exp(-n) for n in nats]
        lag = sum(w * _mean_lag(m) for w, m in zip(weights, self.allowed, strict=True)) / sum(weights)
        best = min(
            zip(nats, self.allowed, strict=True), key=lambda pair: pair[0] + abs(_mean_lag(pair[1]) - lag)
        )
        self.best = best[1]
        ranked = sorted(self.credible, key=_mean_lag)
        self.extremes = (ranked[0], ranked[-1])

    def _left(self) -> list[float]:
        """What each allowed model leaves unexplained, its share fitted; bounded from below."""
        floor = max(1e-6 * self._yy, 1e-9)
        return [
            max(self._yy - xy * xy / xx if xx > 0.0 and xy > 0.0 else self._yy, floor)
            for xx, xy in zip(self._xx, self._xy, strict=True)
        ]


def _mean_lag(model: int) -> float:
    dead, index = MODELS[model]
    return dead + TAUS[index]
