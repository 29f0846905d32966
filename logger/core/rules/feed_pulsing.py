"""The feed comes in pulses as it did not before, though its mean is what it was: a hopper that bridges, a
lump before the auger, wet feed.

Formula: ratio of two variances, that of the last minutes and that of the feed's own past, as nats of the
likelihood ratio (`feed_scatter.ratio_nats`), where it is loudest: of blocks of 3 to 48 s (`feed_scatter`, for
irregular pulses) and of periods of 5 to 100 s (`feed_beats`). Alarm at 11 nats where the variance is at least
`TIMES` what it was, blocks scatter by `LEAST_SCATTER` of their mean, or the beat swings by `LEAST_BEAT`.
Source: Bartlett 1937 and Schuster 1898, from memory; the combination is ours.
Tuning: the past is what is older than ten minutes (half of what there is, at first), with a memory of two
hours; nothing is learned while the alarm stands. The least swings are assumed, no source.
Absent where a person feeds by scoop: scoops are pulses by nature. Not judged while the feed stands.
False alarms: 1 in 514 station-hours at 9 nats, before the largest was left out (tests/bench/feed_bench.py,
set tuning); not measured anew at 11.
Clears when the last minutes, after it was raised, vary less than `OVER` times as usual at what told it.
"""

from __future__ import annotations

from typing import Any

from logger.core.description import Station
from logger.core.rules.contract import Evidence, Judgement, StationNow
from logger.core.rules.expected import ExpectedFlow
from logger.core.rules.feed_beats import COUNTS as STRETCHES
from logger.core.rules.feed_beats import PERIODS_S, Beat, usual_level
from logger.core.rules.feed_scatter import BLOCKS_S, COUNTS, KNOWN, OLD_S, Pair, Pulses, Scatter
from logger.core.rules.said import Said, Watch, minutes

KIND = "feed-pulsing"
DO = "Look at the feeder: bridging in the hopper, a lump before the auger, feed that is too wet."
FRESH_S = 10  # as in `feed_drift`: a track may redraw so much
YOUNG_S = 150
TIMES = 2.0
OVER = 1.4
LEAST_SCATTER = 0.10
LEAST_BEAT = 0.15
AFTER_START_S = 60
RETURN_S = 180  # at least so much is looked at before it is believed to be over


class FeedPulsing:
    """One for a station fed from a hopper on a scale."""

    kind = KIND

    def __init__(self, station: Station, expected: ExpectedFlow, threshold: float = 11.0) -> None:
        if not 4.0 <= threshold <= 40.0:
            raise ValueError(f"threshold {threshold:g} nats must lie between 4 and 40")
        self.threshold = threshold
        self._expected = expected
        self._watch = Watch(expected)
        self._said = Said(KIND, "feed", station.feed.channel or "")
        self._scatters = [Scatter(block_s) for block_s in BLOCKS_S]
        self._beats = [Beat(period_s) for period_s in PERIODS_S]
        self._from_s = 0  # nothing before is looked at
        self._told: Pulses | None = None

    def tick(self, now: StationNow) -> list[Judgement]:
        watched = self._watch.tick(now)
        if not watched or now.by_scoop:
            self._forget_after(0)
            self._from_s = 0
            what = (
                "The feed is no longer watched: the run ended." if not watched else "The feed comes by scoop."
            )
            return self._said.clear(now.now_s, what)
        stopped = now.feed_stopped_since_s
        if stopped is not None:
            self._forget_after(stopped - FRESH_S)
            self._from_s = now.now_s + FRESH_S
            return []
        self._from_s = max(self._from_s, (self._watch.fed_s or 0) + AFTER_START_S)
        if not self._take(now):
            return []
        if not self._said.active:
            return self._look(now.now_s)
        return self._look_for_end(now.now_s) or self._look_for_rhythm(now.now_s)

    def _forget_after(self, second: int) -> None:
        """What came while the feed stopped, or ran out, says nothing of pulses."""
        for scatter in self._scatters:
            while scatter.recent and scatter.recent[-1].end_s > second:
                scatter.recent.pop()
        for beat in self._beats:
            while beat.recent and beat.recent[-1][0] > second:
                beat.recent.pop()

    def _take(self, now: StationNow) -> bool:
        """Take every block and stretch that has just ended; whether there was any."""
        past, end, taken = self._expected.feed, now.now_s - FRESH_S, False
        old = end - min(max((now.now_s - self._from_s) // 2, YOUNG_S), OLD_S)
        first = max(self._from_s, past.began_s or now.now_s)
        for scatter in self._scatters:
            start, middle = end - 2 * scatter.block_s, end - scatter.block_s
            if now.beat_s % (2 * scatter.block_s) or start < first or not past.whole(start, end):
                continue
            one, two = past.got(start, middle), past.got(middle, end)
            scatter.recent.append(Pair(end, 0.5 * (two - one) ** 2, 0.5 * (one + two), past.reading_var_mg2))
            taken = True
            if not self._said.active:
                scatter.remember(old)
        for beat in self._beats:
            start = end - beat.stretch_s
            if now.beat_s % beat.stretch_s or start < first or not past.whole(start, end):
                continue
            beat.take(past, end)
            taken = True
            if not self._said.active:
                beat.remember(old)
        return taken

    def _best(self, now_s: int, periodic: bool = False) -> Pulses | None:
        """What speaks loudest for pulses that matter, or for a beat of them alone."""
        found: list[Pulses] = []
        level, end = usual_level(self._beats), now_s - FRESH_S
        for scatter in () if periodic else self._scatters:
            if scatter.recent and scatter.recent[-1].end_s > end - 2 * scatter.block_s:
                looks = (scatter.look(count) for count in COUNTS if count <= len(scatter.recent))
                found += [each for each in looks if each is not None and each.now >= LEAST_SCATTER]
        for beat in self._beats:
            if level is not None and beat.recent and beat.recent[-1][0] > end - beat.stretch_s:
                looks = (beat.look(count, level) for count in STRETCHES if count <= len(beat.recent))
                found += [each for each in looks if each is not None and each.now >= LEAST_BEAT]
        return max((each for each in found if each.times >= TIMES), key=lambda each: each.nats, default=None)

    def _look(self, now_s: int) -> list[Judgement]:
        best = self._best(now_s)
        if best is None or best.nats < self.threshold:
            return []
        self._told = best
        return self._said.say(True, now_s - FRESH_S - best.window_s, _said(best), DO, _figures(best))

    def _look_for_rhythm(self, now_s: int) -> list[Judgement]:
        """What was told of as irregular may turn out to have a period, which says more of its cause."""
        if self._told is None or self._told.periodic:
            return []
        best = self._best(now_s, periodic=True)
        if best is None or best.nats < self.threshold:
            return []
        self._told = best
        return self._said.restate(_said(best), DO, _figures(best))

    def _look_for_end(self, now_s: int) -> list[Judgement]:
        told, raised_s = self._told, self._said.since_s
        if told is None:
            return []
        if told.periodic:
            beat = next(each for each in self._beats if each.period_s == told.block_s)
            after = [end for end, _, _ in beat.recent if end - beat.stretch_s >= raised_s]
            count = max(-(-RETURN_S // beat.stretch_s), 2)
            found = beat.look(count, usual_level(self._beats) or 0.0) if len(after) >= count else None
        else:
            scatter = next(each for each in self._scatters if each.block_s == told.block_s)
            since = [p for p in scatter.recent if p.end_s - 2 * scatter.block_s >= raised_s]
            count = max(-(-RETURN_S // (2 * scatter.block_s)), 4)
            found = scatter.look(count) if len(since) >= count else None
        if found is None or found.times >= OVER:
            return []
        self._told = None
        self._forget_after(0)  # the pulses are no past to learn from
        return self._said.clear(now_s, "The feed comes as evenly as before again.")

    def evidence(self, subject: str, now: StationNow) -> Evidence | None:
        """How much more the feed pulsates than it did (nats): see `Evidence`."""
        if subject != "feed":
            return None
        held = self._watch.why_not(now)
        if not held and now.by_scoop:
            held = "a person feeds by scoop, which is pulses by nature"
        if not held and now.feed_stopped_since_s is not None:
            held = "the feed stopped"
        if not held and all(scatter.weight < KNOWN for scatter in self._scatters):
            held = "how the feed usually comes is not known yet"
        best = self._best(now.now_s)
        if best is None:
            nothing = None if held else 0.0
            return Evidence(KIND, subject, "nats", nothing, self.threshold, quiet_because=held)
        return Evidence(
            KIND, subject, "nats", best.nats, self.threshold,
            window_s=best.window_s, quiet_because=held, extra=_figures(best),
        )  # fmt: skip


def _said(found: Pulses) -> str:
    over = minutes(found.window_s)
    if found.periodic:
        return (
            f"The feed pulsates more than it did: about every {found.block_s} s it swings by {found.now:.0%} "
            f"of its mean, over {over}."
        )
    return (
        f"The feed pulsates more than it did: what comes in {found.block_s} s scatters by {found.now:.0%} of "
        f"its mean over {over}, usually by {found.usual:.0%}."
    )


def _figures(found: Pulses) -> dict[str, Any]:
    which = "swing_percent" if found.periodic else "scatter_percent"
    return {
        "period_s" if found.periodic else "block_s": found.block_s,
        which: round(100.0 * found.now, 1),
        "usual_percent": round(100.0 * found.usual, 1),
        "window_s": found.window_s,
        "nats": round(found.nats, 2),
    }
