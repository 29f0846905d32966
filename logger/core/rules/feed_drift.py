"""The feed wanders off its target (or, where none is told, off what it was in its first ten minutes).

Formula: over windows of 20 to 1800 s of undisturbed feed, (|D - A| - 0.01 A)^2 / 2 (q w + V + (0.015 A)^2)
reaches 12 nats and |D - A| is at least three quarters of the band; q is the feed's own variance a second, V
the reading noise. Where D > A it is `surplus.surplus_nats` instead, with lumps of q w / A: a feed in lumps
brings too much far oftener than a Gaussian one would. Source: Gaussian likelihood ratio, our derivation;
`surplus`. Refills and stops are left out: counted seconds only. Tuning: the 1 % is what feeders wander by
anyway (common practice, no source).
False alarms, before `surplus_nats` took away 9 of 21 on tuning bays: 5 in 138 station-hours of bays
with busy hands and no drift (tests/bench/testbay, set report, busy 500:640).
Limits: of a feed by scoop, 5 % cannot be seen at all and 20 % takes a quarter
of an hour. Clears when five minutes or more after the alarm lie within half the band.
"""

from __future__ import annotations

from collections import deque

from logger.core.description import Station
from logger.core.rules.contract import Evidence, Judgement, StationNow
from logger.core.rules.expected import ExpectedFlow
from logger.core.rules.feed_past import FeedPast
from logger.core.rules.said import Said, Watch, kg_h, minutes
from logger.core.rules.surplus import surplus_nats

KIND = "feed-drift"
BLOCK_S = 10
FRESH_S = 10  # a scoop is only counted once the weight is at rest again
WINDOWS = (2, 3, 5, 8, 12, 18, 30, 60, 120, 180)  # blocks
REFERENCE_BLOCKS = 60
CLEAR_BLOCKS = (30, 60, 120)


def _nats(used: float, wanted: float, lumps_mg2: float, reading_mg2: float) -> float:
    """Evidence that the feed is off its target: by a feed of lumps above it, a Gaussian one below."""
    if used > wanted:
        least = 1.01 * wanted
        return surplus_nats(least, used, reading_mg2, lumps_mg2 / max(wanted, 1.0), 0.015)
    spread = lumps_mg2 + reading_mg2 + (0.015 * wanted) ** 2
    return max(wanted - used - 0.01 * wanted, 0.0) ** 2 / (2.0 * spread)


class FeedDrift:
    """One for a station whose feed is weighed."""

    kind = KIND

    def __init__(self, station: Station, expected: ExpectedFlow, threshold: float = 12.0) -> None:
        if not 4.0 <= threshold <= 40.0:
            raise ValueError(f"threshold {threshold:g} nats must lie between 4 and 40")
        self.threshold = threshold
        self.band = station.feed.band
        self._expected = expected
        self._watch = Watch(expected)
        self._feed = FeedPast(station, expected)
        self._said = Said(KIND, "feed", station.feed.channel or "")
        self._blocks: deque[float] = deque(maxlen=WINDOWS[-1])
        self._first: list[float] = []
        self._settled_s = 0  # end of the newest block
        self._from_s = 0  # no block starts before

    @property
    def reference_mg_s(self) -> float | None:
        """Target, else the median of the first ten minutes; None until then."""
        if self._feed.target_mg_s is not None:
            return self._feed.target_mg_s
        if len(self._first) < REFERENCE_BLOCKS:
            return None
        return sorted(self._first)[REFERENCE_BLOCKS // 2] / BLOCK_S

    def tick(self, now: StationNow) -> list[Judgement]:
        self._feed.tick(now.now_s, now.by_scoop)
        if not self._watch.tick(now):
            self._blocks.clear()
            self._settled_s = 0
            return self._said.clear(now.now_s, "The feed is no longer watched: the run ended.")
        if now.feed_stopped_since_s is not None:
            while self._blocks and self._settled_s > now.feed_stopped_since_s:
                self._blocks.pop()
                self._settled_s -= BLOCK_S
            self._settled_s, self._from_s = 0, now.now_s
            return self._said.clear(now.now_s, "The feed stopped.")
        if now.beat_s % BLOCK_S:
            return []
        end = now.now_s - FRESH_S
        start = end - BLOCK_S
        past = self._expected.feed
        if not past.whole(start, end) or start < max(self._from_s, (self._watch.fed_s or 0) + BLOCK_S):
            return []
        used = past.got(start, end)
        self._blocks.append(used)
        self._settled_s = end
        if len(self._first) < REFERENCE_BLOCKS:
            self._first.append(used)
        return self._judge(now.now_s)

    def _judge(self, now_s: int) -> list[Judgement]:
        reference = self.reference_mg_s
        if reference is None:
            return []
        blocks = list(self._blocks)
        if self._said.active:
            return self._look_for_return(blocks, reference, now_s)
        variance = 2.0 * self._expected.feed.reading_var_mg2
        density = self._feed.density()
        for count in WINDOWS:
            if count > len(blocks):
                break
            span = count * BLOCK_S
            used, wanted = sum(blocks[-count:]), reference * span
            off = used - wanted
            if used < 0.25 * wanted or abs(off) < 0.75 * self.band * wanted:
                continue
            nats = _nats(used, wanted, density * span, variance)
            if nats >= self.threshold:
                self._blocks.clear()
                way = "above" if off > 0.0 else "below"
                what = f"The feed runs {abs(off) / wanted:.0%} {way} its target over {minutes(span)}."
                told = {
                    "window_s": span,
                    "used_kg": round(used / 1e6, 6),
                    "rate_kg_h": kg_h(used / span),
                    "target_kg_h": kg_h(reference),
                    "nats": round(nats, 2),
                }
                return self._said.say(True, now_s - span, what, "Set the feeder right.", told)
        return []

    def _look_for_return(self, blocks: list[float], reference: float, now_s: int) -> list[Judgement]:
        for count in CLEAR_BLOCKS:
            if count > len(blocks):
                break
            wanted = reference * count * BLOCK_S
            if abs(sum(blocks[-count:]) - wanted) <= 0.5 * self.band * wanted:
                self._blocks = deque(blocks[-count:], maxlen=WINDOWS[-1])
                return self._said.clear(now_s, "The feed is back within its band.")
        return []

    def evidence(self, subject: str, now: StationNow) -> Evidence | None:
        """What is seen of the feed now: see `Evidence`."""
        if subject != "feed":
            return None
        reference, blocks = self.reference_mg_s, list(self._blocks)
        held = self._watch.why_not(now)
        if not held and now.feed_stopped_since_s is not None:
            held = "the feed stopped"
        if reference is None:
            held = held or "no target is told, and the first ten minutes are not over"
            return Evidence(KIND, subject, threshold=self.threshold, quiet_because=held)
        best: tuple[float, int, float] | None = None
        variance, density = 2.0 * self._expected.feed.reading_var_mg2, self._feed.density()
        for count in [count for count in WINDOWS if count <= len(blocks)]:
            span, used = count * BLOCK_S, sum(blocks[-count:])
            wanted = reference * span
            nats = _nats(used, wanted, density * span, variance)
            plain = abs(used - wanted) >= 0.75 * self.band * wanted and used >= 0.25 * wanted
            if plain and (best is None or nats > best[0]):
                best = (nats, span, used)
        if best is None:
            nothing = 0.0 if blocks and not held else None
            return Evidence(KIND, subject, "nats", nothing, self.threshold, quiet_because=held)
        nats, span, used = best
        return Evidence(
            KIND, subject, "nats", nats, self.threshold, False, span, reference * span, used, held
        )
