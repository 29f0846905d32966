"""What each outlet ought to deliver: its share of the feed, a lag ago; every judgement of it rests on that.

- Where the feed is weighed: expected = share x lagged feed (`lags`). The share is learned as a ratio of sums
  with a memory of 900 s, from data at least 240 s old (sooner in the first minutes), so that a slow clog does
  not talk itself into being normal; nothing is learned on *any* outlet from before an alarm until 40 s after
  it cleared, because a plugged outlet overflows into its neighbours.
- Where it is not weighed: the outlet's own past rate, the median of its half-minutes of the same age.
- Also learned from the same old data: how lumpy the outlet is (phi = E[m^2]/E[m]) from the variance of what
  is missing over 8 s, and its slow wander c from how that grows to 64 s.

Seconds in which the scale was disturbed, off or silent, and the first seconds after, count neither as
delivered nor as expected.
"""

from __future__ import annotations

from math import exp, log1p, sqrt
from typing import NamedTuple

from logger.core.description import FeedKind, Station
from logger.core.rules.contract import OutletNow, StationNow
from logger.core.rules.lags import BLOCK_S, MASK, SPAN, Spread
from logger.core.rules.lessons import Lessons
from logger.core.rules.past import LUMP_WINDOWS, WANDER, OutletPast, Past

FRESH_S = 10  # lags are scored on data so old that a scoop or a bump in it is over
OLD_S = 240  # data younger than this teaches nothing
MEMORY_S = 900.0
LONGEST_S = 720  # the longest window anyone may ask for
HALF_MINUTE_S = 30
COMMON_S = 45
UNWEIGHED_NATS = 3.0  # more is asked for where an outlet has only its own past to be judged by
LAG_SPREAD_S = 90  # by how much the lags of outlets may differ, where no feed tells (assumed)
DRAIN_S = 60.0  # how slowly a wet product may drain (assumed, no source)
DRAIN_SHARE = 0.30  # and how much of its weight may be water then (assumed, no source)
FEED_PHI_MG = 4_000.0  # irregularity of a feeder (assumed, no source)
SHARE_MOST = 5.0  # a container that retains its water gains more than the solids fed


class Means(NamedTuple):
    """``delivered_mg`` between two means, its variance, what was expected within them (before weighing), and
    how much of the window's own expectation lies within the last."""

    delivered_mg: float
    ramp_mg: float
    cut_mg: float
    variance_mg2: float


class ExpectedFlow:
    """Expected flow of every outlet of a station; ticked before the rules, which ask it about windows."""

    def __init__(self, station: Station) -> None:
        self.station = station
        self.weighed = station.feed.channel is not None
        self.spread = Spread()
        self._phantom_mg = 0.0  # credited by the feed's track while the feed stood
        self.feed = Past(by_hand=station.feed.kind is FeedKind.TUB)
        self.outlets = [OutletPast(o) if o.channel else None for o in station.outlets]
        self.now_s = 0
        self.beat_s = 0  # see `StationNow.beat_s`
        self._common_s = [0] * len(self.outlets)  # unweighed feed: when the other outlets last fell short
        self.lessons = Lessons()
        self._stopped_s: int | None = None  # since when no feed comes
        self._due_s = [0] * len(self.outlets)  # from then on what comes was fed since the feed came again

    # -- once a second -----------------------------------------------------------------------------

    def tick(self, now: StationNow) -> None:
        """Take the second that ended; sets expected rate, share and lag of each OutletNow."""
        self._take_feed(now)
        self.now_s, self.beat_s = now.now_s, now.beat_s
        if self.weighed:
            self._mind_stop(now.feed_stopped_since_s)
        for number, (past, outlet) in enumerate(zip(self.outlets, now.outlets, strict=True)):
            if past is None or outlet.now is None or outlet.now.track is None:
                self._tell_unweighed(outlet)
                continue
            past.add(now.now_s, outlet.now)
            level = self.level_var(past) + past.lasting[0] if self.weighed else past.reading_var_mg2
            past.fall(sqrt(2.0 * level))
            self._learn(number, past)
            outlet.share = past.share if self.weighed else None
            outlet.lag_s = past.scores.lag_s if self.weighed else None
            outlet.expected_mg_s = self.rate_mg_s(number)
        if not self.weighed:
            self.lessons.pause(now.paused_since_s, now.now_s)  # what is said of a pause is all there is
            for number in range(len(self.outlets)):
                if self.lessons.paused_s is not None or self._others_fell(number):
                    self._common_s[number] = now.now_s

    def _mind_stop(self, stopped_s: int | None) -> None:
        """While no feed comes an outlet runs empty, nobody knows quite how; so it fills when feed comes."""
        if stopped_s is None and self._stopped_s is not None:
            for number, past in enumerate(self.outlets):
                if past is not None:
                    self._due_s[number] = self.now_s + past.scores.slowest_s
        self._stopped_s = stopped_s

    def fed(self, number: int) -> bool:
        """Whether the outlet may be judged by what comes now: it was fed while the feed ran."""
        past = self.outlets[number]
        if past is None or self._stopped_s is None or not self.weighed:
            return True
        return self.now_s < self._stopped_s + past.scores.quickest_s

    def _take_feed(self, now: StationNow) -> None:
        """Advance the lagged feed; what passed while its scale was disturbed is spread over that time."""
        spread, second = self.spread, now.now_s
        self.feed.by_hand = now.by_scoop
        if not self.weighed or now.feed is None or now.feed.track is None:
            return
        feed = self.feed
        lost = feed.lost_s
        feed.add(second, now.feed)
        if feed.began_s is None:
            return
        spread.add(second, feed.delivered[second & MASK] - self._phantom_mg)
        if lost is not None and feed.lost_s is None:
            lost = max(lost, second - SPAN + 1)
            if now.feed_stopped_since_s is not None:  # what a track credits to a refill did not flow
                self._phantom_mg += feed.got(lost, second)
            spread.bridge(lost, feed.delivered[second & MASK] - self._phantom_mg, self._usual_feed(lost))

    def _usual_feed(self, second: int) -> float:
        """What the feed brought a second (mg) in the half minute before; 0 where that is not known."""
        start = second - 30
        if self.feed.began_s is None or start < max(self.feed.began_s, self.now_s - SPAN + 60):
            return 0.0
        return max(self.feed.got(start, second) / 30.0, 0.0)

    def _tell_unweighed(self, outlet: OutletNow) -> None:
        share = outlet.outlet.expected_share
        outlet.share, outlet.lag_s = share, outlet.outlet.lag_s
        outlet.expected_mg_s = None
        if share is not None and self.weighed:
            lag = round(outlet.outlet.lag_s or 30.0)
            outlet.expected_mg_s = share * max(self._feed_rate(lag), 0.0)

    def _feed_rate(self, lag_s: int) -> float:
        spread = self.spread
        end = self.now_s - lag_s
        start = end - 10
        if spread.began_s is None or start < spread.began_s:
            return 0.0
        return (spread.feed[end & MASK] - spread.feed[start & MASK]) / 10.0

    # -- questions ---------------------------------------------------------------------------------

    def rate_mg_s(self, number: int) -> float | None:
        """Rate expected of an outlet now (mg/s); None where it is not known yet."""
        past = self.outlets[number]
        if past is None or past.share is None:
            return None
        if not self.weighed:
            return past.share
        over = 4 if len(past.scores.credible) < 20 else 10
        passed = self.spread.passed(past.scores.best, self.now_s - over, self.now_s)
        return max(past.share * passed / over, 0.0)

    def expected_between(self, number: int, from_s: int, to_s: int) -> float:
        """Mass (mg) expected of an outlet in a window of up to 720 s by the best lag; 0 where unknown."""
        past = self.outlets[number]
        if past is None or past.share is None:
            return 0.0
        if not self.weighed:
            return past.share * (to_s - from_s)
        return past.share * self.spread.passed(past.scores.best, from_s, to_s)

    def watched(self, number: int, from_s: int, to_s: int, least: bool = False) -> tuple[float, float, float]:
        """(delivered, expected, variance of delivered) of a window, by the seconds that can be believed.

        mg, mg, mg^2. ``least``: the least mass by any lag that is still credible.
        Where the feed's account was put right downwards nothing is expected, not less than nothing.
        """
        past = self.outlets[number]
        if past is None or past.share is None or past.began_s is None:
            return 0.0, 0.0, 0.0
        pieces = past.pieces(max(from_s, past.began_s), to_s)
        if len(pieces) == 1 and self.weighed and not least:  # nearly always: be quick
            a, b = pieces[0]
            variance = self.level_var(past) + past.share**2 * self.feed_var()
            due = max(past.share * self.spread.passed(past.scores.best, a, b), 0.0)
            return past.got(a, b), due, 2.0 * variance
        delivered = sum([past.got(a, b) for a, b in pieces])
        if not self.weighed:
            expected = past.share * sum([b - a for a, b in pieces])
            return delivered, expected, 2.0 * self.level_var(past) * max(len(pieces), 1)
        passed = self.spread.passed
        if least:
            credible = past.scores.credible
            expected = min([sum([passed(model, a, b) for a, b in pieces]) for model in credible])
        else:
            best = past.scores.best
            expected = sum([passed(best, a, b) for a, b in pieces])
        variance = self.level_var(past) + past.share**2 * self.feed_var()
        return delivered, max(past.share * expected, 0.0), 2.0 * variance * max(len(pieces), 1)

    def between_means(self, number: int, from_s: int, to_s: int, span: int) -> Means:
        """What came between two means of the weight over ``span`` seconds each: the first ends at ``from_s``,
        the last at ``to_s``. The window and ``span`` seconds before it must be undisturbed."""
        past = self.outlets[number]
        if past is None or past.share is None:
            raise ValueError(f"outlet {number} is not weighed, or its share is not known yet")
        delivered = past.mean(to_s - span, to_s) - past.mean(from_s - span, from_s)
        noise = past.mean_var(span)
        before = self.expected_between(number, from_s - span, from_s)
        late = self.expected_between(number, to_s - span, to_s)
        feed = past.share**2 * self.feed_var() if self.weighed else 0.0
        return Means(delivered, before + late, late, 2.0 * (noise + feed))

    def feed_var(self) -> float:
        """Variance (mg^2) of a level of the feed in a difference of two."""
        feed = self.feed
        if self.now_s - FRESH_S < (feed.began_s or 0) + 30:
            return feed.reading_var_mg2
        rate = max(feed.got(self.now_s - 30, self.now_s) / 30.0, 0.0)
        # The lag smooths it: of a beat, what means over 4 s and more leave.
        noise = min(feed.reading_var_mg2, 0.75 * sqrt(feed.noise * FEED_PHI_MG * rate))
        return min(feed.reading_var_mg2, 0.25 * noise + feed.lasting[1])

    def earliest_s(self, number: int) -> int:
        """Before this second no window may start: the scale was not read yet, or, where the feed is not
        weighed, the other outlets had just fallen short too and lags may differ."""
        past = self.outlets[number]
        if past is None or past.began_s is None:
            return self.now_s
        if self.weighed:
            return max(past.began_s, self._due_s[number])
        return max(self._common_s[number], past.product_since_s or self.now_s) + LAG_SPREAD_S

    def _others_fell(self, number: int) -> bool:
        """Whether the other outlets together fell short within the last three quarters of a minute."""
        delivered = expected = 0.0
        for other in range(len(self.outlets)):
            if other != number:
                d, a, _ = self.watched(other, self.now_s - COMMON_S, self.now_s)
                delivered, expected = delivered + d, expected + a
        return expected > 0.0 and delivered < 0.6 * expected

    def draining(self, number: int, from_s: int, to_s: int) -> float:
        """Water (mg) that may drain in a window out of what surged in during the minute before it."""
        past = self.outlets[number]
        if past is None or past.began_s is None or not past.drains:
            return 0.0
        before = max(from_s - int(DRAIN_S), past.began_s)
        surge = past.got(before, from_s) - self.expected_between(number, before, from_s)
        return max(surge, 0.0) * DRAIN_SHARE * (1.0 - exp(-(to_s - from_s) / DRAIN_S))

    def level_var(self, past: OutletPast) -> float:
        """Variance (mg^2) of one level in a difference of two.

        That of the track holds the scale's step, which does not matter between two levels where the
        readings flicker over several steps; a Kalman filter then reaches 0.75 sqrt(r phi rate).
        """
        rate = past.sum_y / min(max(past.fed_s, 60.0), MEMORY_S) if self.weighed else (past.share or 0.0)
        if rate <= 0.0:
            return past.reading_var_mg2
        return min(past.reading_var_mg2, 0.75 * sqrt(past.noise * past.lumps.phi_mg * rate))

    def wander(self, number: int) -> float:
        """Slow relative wander of what is expected of an outlet."""
        past = self.outlets[number]
        return WANDER if past is None else past.lumps.wander

    def doubted(self, number: int, nats: float) -> float:
        """What is left of evidence when share and lumpiness are themselves only known from so much.

        The share comes from Y mg, so of Y / phi lumps' worth it is gamma distributed, with the shape
        n = Y / phi; 1 / phi comes from n' windows, and is so with n = n' / 2. Averaged over that, exp(-x)
        is (1 + x / n)^-n.
        """
        past = self.outlets[number]
        if past is None or past.sum_y <= 0.0 or nats <= 0.0:
            return nats
        n = past.sum_y / past.lumps.phi_mg
        nats = n * log1p(nats / n)
        n = 0.5 * past.lumps.windows
        return n * log1p(nats / n)

    def least(self, number: int, from_s: int, to_s: int) -> float:
        """The least mass (mg) expected in those seconds of a window that can be believed, by any lag."""
        return self.watched(number, from_s, to_s, least=True)[1]

    def trust(self, number: int, expected_mg: float) -> float:
        """As `doubted`, as a factor; of lumps that are counted, not weighed."""
        past = self.outlets[number]
        if past is None or past.sum_y <= 0.0 or expected_mg <= 0.0:
            return 1.0
        x = expected_mg / past.sum_y
        return log1p(x) / x

    # -- learning ----------------------------------------------------------------------------------

    def _may_teach(self, past: OutletPast, from_s: int, to_s: int) -> bool:
        if self.feed.lost_s is not None and to_s > self.feed.lost_s:
            return False
        return not self.lessons.spoilt(from_s, to_s) and past.whole(from_s, to_s)

    def _learn(self, number: int, past: OutletPast) -> None:
        now = self.now_s
        if (self.beat_s + number) % BLOCK_S == 0 and self.weighed:
            self._score_lags(past, now)
        if past.product_since_s is None:
            if past.began_s is not None and past.got(past.began_s, now) > 6.0 * sqrt(past.reading_var_mg2):
                past.product_since_s = now
            return
        age = min(max((now - past.product_since_s) // 2, 30), OLD_S)
        end = now - age
        if not self.weighed:
            if (self.beat_s + number) % HALF_MINUTE_S == 0:
                self._learn_own_rate(past, end)
        elif (self.beat_s + number) % BLOCK_S == 0:
            self._learn_share(past, end)
        if past.share is None or end - 64 < past.product_since_s:
            return
        for which, window in enumerate(LUMP_WINDOWS):
            if (self.beat_s + number) % window == 0:
                self._learn_lumps(number, past, which, end)

    def _score_lags(self, past: OutletPast, now: int) -> None:
        """On rather fresh data, but for what an alarm or a gap spoils."""
        end = now - FRESH_S
        start = end - BLOCK_S
        if self.spread.began_s is None or start < self.spread.began_s:
            return
        lost = self.feed.lost_s
        if (lost is None or lost >= end) and not self.lessons.held and past.whole(start, end):
            past.scores.score(self.spread, start, end, past.got(start, end))
            if (self.beat_s // BLOCK_S) % 4 == 0:
                past.scores.settle()

    def _learn_share(self, past: OutletPast, end: int) -> None:
        start = end - BLOCK_S
        began = self.spread.began_s
        if began is None or start < began or not self._may_teach(past, start, end):
            return
        if not self._lags_agree(past, start - 30, end):
            return
        x = self.spread.passed(past.scores.best, start, end)
        keep = exp(-BLOCK_S / MEMORY_S)
        past.sum_x = past.sum_x * keep + x
        past.sum_y = past.sum_y * keep + past.got(start, end)
        past.fed_s += BLOCK_S
        told = past.outlet.expected_share
        mean_x = past.sum_x / min(past.fed_s, MEMORY_S)  # mg of feed a second
        if told is not None:  # worth a minute and a half of feed
            prior = 90.0 * mean_x
            past.share = min(max((past.sum_y + told * prior) / max(past.sum_x + prior, 1.0), 0.0), SHARE_MOST)
        elif past.fed_s >= 60.0 and past.sum_x > 0.0:
            past.share = min(max(past.sum_y / past.sum_x, 0.0), SHARE_MOST)

    def _lags_agree(self, past: OutletPast, from_s: int, to_s: int) -> bool:
        """Whether fast and slow credible lags expect about the same: else a share would learn their error."""
        if self.spread.began_s is None or from_s < self.spread.began_s:
            return False
        fast, slow = past.scores.extremes
        a, b = self.spread.passed(fast, from_s, to_s), self.spread.passed(slow, from_s, to_s)
        usual = 0.0 if past.fed_s == 0.0 else 0.2 * past.sum_x / min(past.fed_s, MEMORY_S) * (to_s - from_s)
        return min(a, b) > usual and min(a, b) >= 0.7 * max(a, b)

    def _learn_own_rate(self, past: OutletPast, end: int) -> None:
        start = end - HALF_MINUTE_S
        if past.product_since_s is None or start < past.product_since_s:
            return
        if not self._may_teach(past, start, end):
            return
        rate = past.got(start, end) / HALF_MINUTE_S
        if past.share is not None and rate < 0.4 * past.share:  # a stop is not what the outlet usually does
            return
        past.half_minutes.append(rate)
        if len(past.half_minutes) >= 4:
            ranked = sorted(past.half_minutes)
            past.share = max(ranked[len(ranked) // 2], 0.0)

    def _learn_lumps(self, number: int, past: OutletPast, which: int, end: int) -> None:
        start = end - LUMP_WINDOWS[which]
        if not self._may_teach(past, start, end):
            return
        if self.weighed and not self._lags_agree(past, start - 30, end):
            return
        expected = self.expected_between(number, start, end)
        if expected > 0.0:
            # A Kalman filter lags behind as much as its noise adds: only what it can't average is too much.
            past.lumps.learn(which, expected, past.got(start, end) - expected, 2.0 * past.lasting[1])
