"""An outlet that delivers clearly less than its share, but has not stopped: partly blocked, or losing.

Formula: over 120 to 720 s, the evidence of `notice.evidence` with the learned wander of the share (at
least 5 %) must reach `THRESHOLD` and D / A must be at most `RATIO`. Source: as `outlet_not_delivering`.
Tuning: 12 nats, as there.
False alarms: none in 568 outlet-hours of bays with busy hands
(tests/bench/testbay, set report, busy 500:640).
Not judged where the outlet counts as not delivering; suppressed when the
other outlets together fell below 80 % as well. Clears when two minutes or more after the alarm came to 85 %.
"""

from __future__ import annotations

from math import sqrt

from logger.core.description import Station
from logger.core.rules.contract import Evidence, Judgement, StationNow
from logger.core.rules.expected import UNWEIGHED_NATS, ExpectedFlow
from logger.core.rules.looking import loudest, not_believed, outlet_at, shortfalls
from logger.core.rules.notice import evidence
from logger.core.rules.past import OutletPast
from logger.core.rules.said import Said, Watch, frozen_score, kg_h, minutes

KIND = "outlet-slow"
WINDOWS = (120, 180, 300, 480, 720)
THRESHOLD = 12.0
RATIO = 0.75
WANDER_LEAST = 0.05
EVERY_S = 5
EVERYONE = "all other outlets fell short as well"


class OutletSlow:
    """Judges all outlets of a station."""

    kind = KIND

    def __init__(self, station: Station, expected: ExpectedFlow, threshold: float = THRESHOLD) -> None:
        if not 4.0 <= threshold <= 40.0:
            raise ValueError(f"threshold {threshold:g} nats must lie between 4 and 40")
        self.threshold = threshold + (0.0 if expected.weighed else UNWEIGHED_NATS)
        self._expected = expected
        self._watch = Watch(expected)
        self._said = [Said(KIND, outlet.name, outlet.channel or "") for outlet in station.outlets]
        self._from_s = [0] * len(station.outlets)

    def tick(self, now: StationNow) -> list[Judgement]:
        watched = self._watch.tick(now)
        found: list[Judgement] = []
        for number, said in enumerate(self._said):
            stopped = ("outlet-not-delivering", said.subject) in now.active
            if not watched or stopped:
                if said.active:
                    ended = "counts as not delivering now." if stopped else "is no longer watched."
                    found += said.clear(now.now_s, f"Outlet {said.subject} {ended}")
                self._from_s[number] = now.now_s
                continue
            past = self._expected.outlets[number]
            channel = now.outlets[number].now
            if past is None or channel is None or past.good_since_s is None or not past.learned:
                continue
            if not self._expected.fed(number):
                continue
            if (now.beat_s + number) % EVERY_S == 0 and frozen_score(channel) <= 6.0:
                found += self._judge(number, past, now.now_s)
        return found

    def _judge(self, number: int, past: OutletPast, now_s: int) -> list[Judgement]:
        said = self._said[number]
        oldest = max(self._from_s[number], self._expected.earliest_s(number))
        if said.active:
            return self._look_for_flow(number, now_s)
        for window in WINDOWS:
            if now_s - window < oldest:
                break
            delivered, expected, variance = self._expected.watched(number, now_s - window, now_s)
            if delivered > RATIO * expected:  # nearly always: be quick
                continue
            delivered, expected, variance = self._expected.watched(number, now_s - window, now_s, least=True)
            expected -= self._expected.draining(number, now_s - window, now_s)
            if expected <= 0.0 or delivered > RATIO * expected:
                continue
            wander = max(WANDER_LEAST, self._expected.wander(number))
            nats = evidence(expected, max(delivered, 0.0), variance, past.lumps.phi_mg, wander)
            nats *= self._expected.trust(number, expected)
            if nats < self.threshold:
                continue
            others = self._others_ratio(number, window, now_s)
            self._from_s[number] = now_s
            part = max(delivered, 0.0) / expected
            what = f"Outlet {said.subject} is slow: {part:.0%} of what was due came in {minutes(window)}."
            told = {
                "window_s": window,
                "delivered_kg": round(delivered / 1e6, 6),
                "expected_kg": round(expected / 1e6, 6),
                "rate_kg_h": kg_h(delivered / window),
                "usual_kg_h": kg_h(expected / window),
                "nats": round(nats, 2),
            }
            by = EVERYONE if others <= 0.8 else ""
            do = "Look whether the outlet is partly blocked, or product goes elsewhere."
            return said.say(True, now_s - window, what, do, told, suppressed_by=by)
        return []

    def _look_for_flow(self, number: int, now_s: int) -> list[Judgement]:
        for window in WINDOWS:
            if now_s - window < self._from_s[number]:
                break
            delivered, expected, variance = self._expected.watched(number, now_s - window, now_s)
            if expected > 4.0 * sqrt(variance) and delivered >= 0.85 * expected:
                said = self._said[number]
                return said.clear(now_s, f"Outlet {said.subject} delivers its share again.")
        return []

    def _others_ratio(self, number: int, window: int, now_s: int) -> float:
        delivered = expected = 0.0
        for other in range(len(self._said)):
            if other != number and not self._said[other].active:
                d, a, _ = self._expected.watched(other, now_s - window, now_s)
                delivered, expected = delivered + d, expected + a
        return delivered / expected if expected > 0.0 else 1.0

    def evidence(self, subject: str, now: StationNow) -> Evidence | None:
        """What is seen of an outlet now: see `Evidence`."""
        number = outlet_at(now, subject)
        if number is None:
            return None
        past = self._expected.outlets[number]
        oldest = max(self._from_s[number], self._expected.earliest_s(number))
        windows = shortfalls(self._expected, number, WINDOWS, oldest_s=oldest, wander_least=WANDER_LEAST)
        best, held = loudest(windows, lambda window_s: self.threshold, RATIO)
        if ("outlet-not-delivering", subject) in now.active:
            held = "it counts as not delivering"
        elif past is not None and not past.learned:
            held = "its share is not learned yet"
        held = self._watch.why_not(now) or not_believed(now.outlets[number], past, now.now_s) or held
        if best is None:
            return Evidence(KIND, subject, threshold=self.threshold, quiet_because=held)
        if (
            not held
            and best.nats >= self.threshold
            and self._others_ratio(number, best.window_s, now.now_s) <= 0.8
        ):
            held = EVERYONE
        return Evidence(
            KIND, subject, "nats", best.nats, self.threshold, False, best.window_s,
            best.expected_mg, best.came_mg, held,
        )  # fmt: skip
