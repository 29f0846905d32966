"""Feed and outlets contradict each other: the feed's scale is wrong, or feed does not reach the deck.

Two cases, of which each is what the other rules rightly keep silent about.
(a) The feed's scale shows no feed, or far too little, yet all outlets together go on delivering: over windows
of 30 to 240 s `surplus.surplus_nats` of the sum reaches `THRESHOLD` nats against the most that any credible
lag lets one expect; at most two fifths of the usual were due, a quarter of it came, and twice what was due;
and no outlet alone makes out four fifths of the excess (a plug may give way while a deck runs empty). Then
`feed-stopped` is suppressed, for the feed did not stop. While little is known of the lags it takes minutes.
(b) The feed's scale shows feed, yet all outlets together fall short, so that none is to blame (`outlet-not-
delivering` is suppressed then): over windows of 45 to 720 s `notice.evidence` of the sum reaches `THRESHOLD`
nats, by the least mass of any credible lag, and at most `RATIO` of what was due came.
Source: our own derivation, see `notice`. Tuning: 12 nats, as for an outlet. Not judged where the feed was
paused on purpose, and (b) with fewer than two weighed outlets or while any of them is disturbed.
False alarms: none in 60 hours of simulated bays (tests/bench/rules_bench.py).
Clears when both agree again for half a minute, or the run ends.
"""

from __future__ import annotations

from math import exp, sqrt
from typing import NamedTuple

from logger.core.description import Station
from logger.core.rules.contract import Evidence, Judgement, StationNow
from logger.core.rules.expected import MEMORY_S, ExpectedFlow
from logger.core.rules.notice import evidence
from logger.core.rules.past import OutletPast
from logger.core.rules.said import Said, Watch, minutes
from logger.core.rules.surplus import most_between, surplus_nats
from logger.core.track.view import TrackState

KIND = "feed-contradicted"
THRESHOLD = 12.0  # nats
WINDOWS = (45, 90, 180, 360, 720)  # s
EVERY_S = 5
RATIO = 0.4
STILL = 0.25  # of the usual
HARDLY = 0.4  # of the usual: so little feed the scale must show
ONE = 0.8  # of the excess: so much from one outlet is that outlet's affair
TRICKLE = 0.05
SEEN = (TrackState.STEADY, TrackState.FROZEN)
STILL_WINDOWS = (30, 60, 120, 240)  # s
STILL_TIMES = 2.0  # what was due
STILL_WANDER = 0.2  # of what a deck gives while it runs empty: assumed, no source
AGREE_S = 30
WANDER_LEAST = 0.10
NO_FEED = (
    "Look whether something touches or holds the hopper, or the feed's scale; or feed comes another way."
)
NO_PRODUCT = "Look whether feed reaches the deck and the table runs; else the feed's scale is wrong."


class _Sum(NamedTuple):
    """All outlets over a window (mg): what came, the most that was due, what usually comes, the lumpiness
    of it, the variance of what came by reading noise (mg^2), and one outlet's largest part of the excess."""

    came_mg: float
    due_mg: float
    usual_mg: float
    phi_mg: float
    variance: float
    one: float


class FeedContradicted:
    """One for a station whose feed is weighed."""

    kind = KIND

    def __init__(self, station: Station, expected: ExpectedFlow, threshold: float = THRESHOLD) -> None:
        if not 4.0 <= threshold <= 40.0:
            raise ValueError(f"threshold {threshold:g} nats must lie between 4 and 40")
        self.threshold = threshold
        self._expected = expected
        self._watch = Watch(expected)
        self._said = Said(KIND, "feed", station.feed.channel or "")
        self._from_s = 0  # no window starts before
        self._no_feed = False  # which of the two cases stands

    def tick(self, now: StationNow) -> list[Judgement]:
        if not self._watch.tick(now):
            self._from_s = now.now_s
            return self._said.clear(now.now_s, "The feed is no longer watched: the run ended.")
        if now.beat_s % EVERY_S or now.feed is None:
            return []
        stopped = now.active.get(("feed-stopped", "feed"))
        if now.paused_since_s is not None:
            self._from_s = now.now_s
            return self._said.clear(now.now_s, "The feed was paused.")
        if self._said.active:
            return self._look_for_agreement(now, stopped)
        track = now.feed.track
        if track is None or (self._expected.feed.lost_s is not None and track.view.state not in SEEN):
            return []  # what flows now will be known later
        found = self._look_for_product(now, stopped)
        return found or (self._look_for_feed(now) if now.feed_stopped_since_s is None else [])

    def _pasts(self) -> list[tuple[int, OutletPast]]:
        """The weighed outlets of which enough is known."""
        pasts = enumerate(self._expected.outlets)
        return [(k, past) for k, past in pasts if past is not None and past.share and past.learned]

    # -- (a) no feed, but product ------------------------------------------------------------------

    def _came(self, start: int, end: int) -> _Sum:
        """What all outlets brought in a window."""
        came = due = usual = lumps = variance = most = 0.0
        for k, past in self._pasts():
            before = came - due
            rate = past.sum_y / (MEMORY_S * (1.0 - exp(-max(past.fed_s, 60.0) / MEMORY_S)))
            for a, b in past.pieces(start, end):
                came += past.got(a, b)
                due += most_between(self._expected, k, a, b)
                usual += rate * (b - a)
                lumps += past.lumps.phi_mg * rate * (b - a)
                variance += 2.0 * self._expected.level_var(past)
            most = max(most, came - due - before)
        phi = lumps / usual if usual > 0.0 else 1.0
        return _Sum(came, due, usual, phi, variance, most / max(came - due, 1.0))

    def _look_for_product(self, now: StationNow, stopped: int | None) -> list[Judgement]:
        oldest = max([stopped or 0, self._from_s, *(self._expected.earliest_s(k) for k, _ in self._pasts())])
        for window in STILL_WINDOWS:
            start = now.now_s - window
            if start < oldest or self._plainly_due(start, now.now_s):
                break
            all_ = self._came(start, now.now_s)
            came, due, usual = all_.came_mg, all_.due_mg, all_.usual_mg
            if usual <= 0.0 or came < max(STILL * usual, STILL_TIMES * due) or due > HARDLY * usual:
                continue
            if all_.one > ONE:
                continue  # a plug that gave way, while the deck runs empty
            nats = surplus_nats(max(due, TRICKLE * usual), came, all_.variance, all_.phi_mg, STILL_WANDER)
            if nats >= self.threshold:
                shows = (
                    "hardly any feed" if stopped is None else f"no feed for {minutes(now.now_s - stopped)}"
                )
                what = (
                    f"The feed's scale has shown {shows}, yet the outlets delivered {came / usual:.0%} "
                    f"of the usual in the last {minutes(window)}."
                )
                self._no_feed = True
                told = self._told(window, came, due, nats)
                return self._said.say(True, stopped or start, what, NO_FEED, told)
        return []

    def _plainly_due(self, start: int, end: int) -> bool:
        """Whether what came was due by the best lags already: the quick way out."""
        came = due = 0.0
        for k, past in self._pasts():
            came += past.got(start, end)
            due += self._expected.expected_between(k, start, end)
        return came < STILL_TIMES * due

    # -- (b) feed, but no product ------------------------------------------------------------------

    def _due(self, now: StationNow, start: int, *, least: bool) -> tuple[float, float, float, float, float]:
        """(delivered, expected, variance, phi, wander) of all weighed outlets together."""
        delivered = expected = variance = lumps = spread = 0.0
        for k, past in self._pasts():
            d, a, v = self._expected.watched(k, start, now.now_s, least)
            a -= self._expected.draining(k, start, now.now_s) if least else 0.0
            delivered, expected, variance = delivered + d, expected + a, variance + v
            lumps += past.lumps.phi_mg * a
            spread += (max(WANDER_LEAST, self._expected.wander(k)) * a) ** 2
        if expected <= 0.0:
            return delivered, 0.0, variance, 1.0, 0.0
        return delivered, expected, variance, lumps / expected, sqrt(spread) / expected

    def _look_for_feed(self, now: StationNow) -> list[Judgement]:
        pasts = self._pasts()
        if len(pasts) < 2 or any(past.good_since_s is None for _, past in pasts):
            return []
        if any(
            o.now and o.now.track and o.now.track.view.state is not TrackState.STEADY for o in now.outlets
        ):
            return []
        oldest = max([self._from_s, *(self._expected.earliest_s(k) for k, _ in pasts)])
        for window in WINDOWS:
            start = now.now_s - window
            if start < oldest:
                break
            d, a, _, _, _ = self._due(now, start, least=False)
            if d > RATIO * a:  # nearly always: be quick
                return []
            d, a, v, phi, wander = self._due(now, start, least=True)
            if a <= 0.0 or d > RATIO * a:
                continue
            nats = evidence(a, max(d, 0.0), v, phi, max(wander, WANDER_LEAST))
            if nats >= self.threshold:
                what = (
                    f"The feed's scale shows feed, yet {max(d, 0.0) / a:.0%} of what was due came from all "
                    f"outlets together in the last {minutes(window)}."
                )
                self._no_feed = False
                return self._said.say(True, start, what, NO_PRODUCT, self._told(window, d, a, nats))
        return []

    @staticmethod
    def _told(window: int, came: float, due: float, nats: float) -> dict[str, object]:
        return {
            "window_s": window,
            "delivered_kg": round(came / 1e6, 4),
            "expected_kg": round(due / 1e6, 4),
            "nats": round(nats, 2),
        }

    # -- asked ---------------------------------------------------------------------------------------

    def evidence(self, subject: str, now: StationNow) -> Evidence | None:
        """How plainly feed and all outlets together disagree (nats): see `Evidence`."""
        if subject != "feed":
            return None
        held = self._watch.why_not(now)
        if not held and now.paused_since_s is not None:
            held = "the feed was paused on purpose"
        if not held and not self._pasts():
            held = "what the outlets usually bring is not known yet"
        found = [] if held else [*self._seen_still(now), *self._seen_fed(now)]
        if not found:
            nothing = None if held else 0.0
            return Evidence(KIND, subject, "nats", nothing, self.threshold, quiet_because=held)
        nats, window, came, due, case = max(found)
        if case == "product" and now.feed_stopped_since_s is not None:
            held = "the feed stopped"
        return Evidence(
            KIND, subject, "nats", nats, self.threshold, False, window, due, came, held, {"missing": case}
        )

    def _seen_still(self, now: StationNow) -> list[tuple[float, int, float, float, str]]:
        """Case (a): nats, window, what came, what was due, and what is missing."""
        oldest = max([self._from_s, *(self._expected.earliest_s(k) for k, _ in self._pasts())])
        found = []
        for window in [each for each in STILL_WINDOWS if now.now_s - each >= oldest]:
            all_ = self._came(now.now_s - window, now.now_s)
            came, due, usual = all_.came_mg, all_.due_mg, all_.usual_mg
            if usual > 0.0 and due <= HARDLY * usual and came > due and all_.one <= ONE:
                least = max(due, TRICKLE * usual)
                nats = surplus_nats(least, came, all_.variance, all_.phi_mg, STILL_WANDER)
                found.append((nats, window, came, due, "feed"))
        return found

    def _seen_fed(self, now: StationNow) -> list[tuple[float, int, float, float, str]]:
        """Case (b)."""
        pasts = self._pasts()
        oldest = max([self._from_s, *(self._expected.earliest_s(k) for k, _ in pasts)])
        found = []
        for window in [each for each in WINDOWS if now.now_s - each >= oldest and len(pasts) > 1]:
            d, a, v, phi, wander = self._due(now, now.now_s - window, least=True)
            if a > 0.0 and d <= RATIO * a:
                found.append(
                    (evidence(a, max(d, 0.0), v, phi, max(wander, WANDER_LEAST)), window, d, a, "product")
                )
        return found

    # -- end ---------------------------------------------------------------------------------------

    def _look_for_agreement(self, now: StationNow, stopped: int | None) -> list[Judgement]:
        start = now.now_s - AGREE_S
        if self._no_feed:
            all_ = self._came(start, now.now_s)
            agree = all_.came_mg < max(1.3 * all_.due_mg, TRICKLE * all_.usual_mg)
        elif stopped is not None:
            agree = True
        else:
            d, a, _, _, _ = self._due(now, start, least=False)
            agree = a > 0.0 and d >= 0.7 * a
        if not agree:
            return []
        self._from_s = now.now_s
        return self._said.clear(now.now_s, "Feed and outlets agree again.")
