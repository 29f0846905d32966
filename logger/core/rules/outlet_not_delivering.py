"""An outlet that no longer delivers what its share of the feed makes one expect.

Formula: cumulative sums (`sums`) say since when an outlet may be short; of each such window of 3 to 720 s the
evidence is `notice.ramped` (a Chernoff bound on the chance that an outlet which still flows shows so little),
less what is doubtful of share and lumps (`ExpectedFlow.doubted`). Alarm where it reaches
log(100 h / window) + `MARGIN` and D / A <= `RATIO`: D delivered, A the least mass by any lag still credible.
Source: our own derivation, see `notice` and `sums`; CUSUM is the best there is for such a task (Lorden 1971,
Moustakides 1986). Tuning: `MARGIN` on the tuning bays of tests/bench/testbay.
False alarms: 4 in 568 outlet-hours of bays with busy hands, 95 % interval 0.19 to 1.8 in 100 h
(tests/bench/testbay, set report, busy 500:640). Where the feed is not
weighed the constants were chosen on the simulator's bays (tests/bench/notice_bench.py --unweighed), before
the sums; a fifth of the stops was missed there.

Where the feed is not weighed an outlet is judged against the others: only once it was short for longer than
lags may differ, with 3 nats more, and never by what came within that time of a shortfall of the others.
Not judged: while the scale is disturbed, off, silent, or oddly still (it may be frozen); by what was fed
after the feed stopped, until a lag after it came again. Suppressed: when the other outlets together show the
same, because then the feed is the cause. Clears on data that came after the alarm only, when seven tenths
came of what was expected and `flowing` says that what was let through at the alarm, and a little more, would
hardly bring so much.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import log, sqrt

from logger.core.description import Station
from logger.core.rules.contract import Evidence, Judgement, OutletNow, StationNow
from logger.core.rules.expected import LAG_SPREAD_S, UNWEIGHED_NATS, ExpectedFlow
from logger.core.rules.looking import WINDOWS, Window, loudest, not_believed, outlet_at
from logger.core.rules.notice import BETWEEN_FALSE_ALARMS_S, evidence, flowing, ramped
from logger.core.rules.past import OutletPast
from logger.core.rules.said import Said, Watch, frozen_score, kg_h, minutes
from logger.core.rules.sums import Sums
from logger.core.track.view import TrackState

KIND = "outlet-not-delivering"
LONGEST = 720  # s
MARGIN = 1.2  # nats beyond log(time between false alarms / window): windows overlap
LEAST_NATS = 8.0
QUICK = 0.6
HINT = 0.5  # of the nats asked, from which the sums are worth a closer look
LEAST_S = 3
HAND_S = 3  # a hand that takes something out is seen up to so late
SPANS = (2, 4, 8, 16, 32)  # s, of the means at both ends of a window
RATIO = 0.5
OTHERS_RATIO = 0.75  # the others fell short too, where less than that came
WANDER_LEAST = 0.07  # slow surging sets the tail of false alarms
FROZEN_HOLD = 6.0  # nats
TRACKING = "near zero the scale may track its zero and swallow a trickle"
ZERO = (
    "The scale shows about zero: its automatic zero tracking may swallow what arrives.",
    "Switch zero tracking off, or put a ballast on the scale.",
)
EVERYONE = "all other outlets fell short as well"
UNLEARNED = 0.5  # a share that was only told may be as wrong as this
CLEAR_NATS = 4.0
CLEAR_WINDOWS = (4, 8, 16, 32, 64, 128, 256)


@dataclass(slots=True)
class Shortfall:
    """The window that speaks loudest against an outlet."""

    nats: float
    window_s: int
    delivered_mg: float
    expected_mg: float


class OutletNotDelivering:
    """Judges all outlets of a station together, because one outlet is judged against the others."""

    kind = KIND

    def __init__(self, station: Station, expected: ExpectedFlow, margin: float = MARGIN) -> None:
        if not -4.0 <= margin <= 30.0:
            raise ValueError(f"margin {margin:g} nats must lie between -4 and 30")
        self.margin = margin + (0.0 if expected.weighed else UNWEIGHED_NATS)
        self._expected = expected
        self._watch = Watch(expected)
        self._said = [Said(KIND, outlet.name, outlet.channel or "") for outlet in station.outlets]
        self._alarm_s = [0] * len(station.outlets)
        self._normal_mg_s = [0.0] * len(station.outlets)
        self._ratio = [0.0] * len(station.outlets)  # delivered / expected at the alarm
        self._from_s = [0] * len(station.outlets)  # no window starts before
        self._sums = [Sums() for _ in station.outlets]
        self._good = [False] * len(station.outlets)
        self._told = [0.0] * len(station.outlets)  # what the sums take a told share for

    def tick(self, now: StationNow) -> list[Judgement]:
        found: list[Judgement] = []
        if not self._watch.tick(now):
            for number, said in enumerate(self._said):
                if said.active:
                    found += self._clear(number, now.now_s, "is no longer watched: the run ended.")
                self._from_s[number] = now.now_s
            return found
        for number, outlet in enumerate(now.outlets):
            past = self._expected.outlets[number]
            if past is None or past.share is None:
                continue
            self._sum(number, past, now.now_s)
            if past.near_zero_s is not None:
                found += self._look_at_zero(number, past, now.now_s)
                continue
            if not self._judgeable(outlet, past):
                continue
            if self._said[number].active and not self._said[number].suppressed:
                found += self._look_for_flow(number, past, now.now_s)
            elif self._expected.fed(number):
                found += self._look_for_stop(number, past, now)
        return found

    @staticmethod
    def _judgeable(outlet: OutletNow, past: OutletPast) -> bool:
        channel = outlet.now
        if channel is None or channel.track is None or past.good_since_s is None:
            return False
        return channel.track.view.state is TrackState.STEADY and frozen_score(channel) <= FROZEN_HOLD

    def _look_at_zero(self, number: int, past: OutletPast, now_s: int) -> list[Judgement]:
        """Much ought to have come, but the scale stays near zero, where it may swallow a trickle."""
        since = max(past.near_zero_s or now_s, self._from_s[number])
        expected = self._expected.expected_between(number, max(since, now_s - LONGEST), now_s)
        if self._said[number].active or now_s - since < 60 or expected < 8.0 * past.lumps.phi_mg:
            return []
        told = {"expected_kg": round(expected / 1e6, 6)}
        return self._said[number].say(True, since, *ZERO, told, suppressed_by=TRACKING)

    # -- stop --------------------------------------------------------------------------------------

    def _look_for_stop(self, number: int, past: OutletPast, now: StationNow) -> list[Judgement]:
        worst = self._scan(number, past, now.now_s)
        said = self._said[number]
        if worst is None:
            if said.active and now.beat_s % 5 == 0 and not self._still_short(number, past, now.now_s):
                return self._clear(number, now.now_s, "delivers again.")
            return []
        others = self.others_short(number, worst.window_s, now.now_s)
        since = now.now_s - worst.window_s
        if not self._expected.weighed and self._has_others(number) and worst.window_s < LAG_SPREAD_S:
            return []  # the feed may have stopped, and the other outlets not have noticed yet
        what, told = self._words(number, worst, now.now_s)
        if others >= 0.5 * worst.nats:
            self._alarm_s[number] = now.now_s
            return said.say(True, since, what, "Look at the feed.", told, suppressed_by=EVERYONE)
        self._alarm_s[number] = now.now_s
        self._ratio[number] = max(worst.delivered_mg, 0.0) / worst.expected_mg
        self._normal_mg_s[number] = worst.expected_mg / worst.window_s
        self._expected.lessons.hold(number, since - 10)
        do = "Lock the table out, then clear the outlet. Look whether product crossed into its neighbour."
        return said.say(True, since, what, do, told)

    def _has_others(self, number: int) -> bool:
        """Whether there are other outlets to compare with."""
        pasts = enumerate(self._expected.outlets)
        return any(p is not None and p.share for k, p in pasts if k != number)

    def _scan(self, number: int, past: OutletPast, now_s: int) -> Shortfall | None:
        """The sums tell where to look, cheaply; what they find is weighed with care."""
        begun = self._sums[number].begun(HINT * self.asked(LONGEST))
        if not begun:
            return None
        if past.got(now_s - HAND_S, now_s) < -4.0 * sqrt(2.0 * self._expected.level_var(past)):
            return None  # something is being taken out; the track will say what
        oldest = max(self._from_s[number], self._expected.earliest_s(number))
        best: Shortfall | None = None
        for since in begun:
            start = max(since, now_s - LONGEST)
            if start < oldest or now_s - start < LEAST_S:
                continue
            found = self._weigh(number, past, now_s, now_s - start)
            if found is None or found.nats < self.asked(now_s - start):
                continue
            if best is None or found.nats > best.nats:
                best = found
        return best

    def asked(self, window_s: float) -> float:
        """Nats asked of a window: the longer it is, the fewer of them there are in a time."""
        return max(log(BETWEEN_FALSE_ALARMS_S / max(window_s, 1.0)) + self.margin, LEAST_NATS)

    def _sum(self, number: int, past: OutletPast, now_s: int) -> None:
        """Take the second into the sums; a disturbance takes back the latest."""
        sums = self._sums[number]
        good = past.good_since_s is not None and past.good_since_s < now_s
        if past.good_since_s is None:
            if self._good[number]:
                sums.back()
            self._good[number] = False
            return
        self._good[number] = True
        if not good:
            return
        oldest = max(self._from_s[number], self._expected.earliest_s(number))
        if oldest >= now_s - 1 or not self._expected.fed(number):
            sums.clear()
            return
        told, first = 1.0 if past.learned else UNLEARNED, now_s
        if told != self._told[number]:  # only now is it known what was due before
            self._told[number], first = told, max(oldest, now_s - LONGEST) + 1
            sums.clear()
        if self._expected.beat_s % 10 == 0 or first < now_s:
            sums.suit(past.lumps.phi_mg, 2.0 * self._expected.level_var(past))
        for second in range(first, now_s + 1):
            delivered, expected, _ = self._expected.watched(number, second - 1, second)
            sums.add(second, told * expected, delivered)

    def _weigh(self, number: int, past: OutletPast, now_s: int, window: int) -> Shortfall | None:
        """`_measure`, where a quick look does not rule the window out already."""
        flow = self._expected
        start = now_s - window
        delivered, usual, variance = flow.watched(number, start, now_s)
        told = 1.0 if past.learned else UNLEARNED
        if usual <= 0.0 or delivered > RATIO * told * usual:
            return None
        phi, wander = past.lumps.phi_mg, max(WANDER_LEAST, flow.wander(number))
        due = told * usual - flow.draining(number, start, now_s)
        quick = flow.doubted(number, ramped(due, 0.0, max(delivered, 0.0), variance, phi, wander))
        if quick < QUICK * self.asked(window):  # quieter ends may bring the rest
            return None
        found = self._measure(number, past, now_s, window)
        return None if found.delivered_mg > RATIO * found.expected_mg else found

    def _measure(self, number: int, past: OutletPast, now_s: int, window: int) -> Shortfall:
        """The evidence of a window, by the least that any credible lag makes one expect.

        Its ends are means over some seconds: the longer, the less noise, but the less of the window is left.
        """
        flow = self._expected
        start = now_s - window
        delivered, _, variance = flow.watched(number, start, now_s)
        # A peak of one second is where a sum likes to start.
        splash = max(0.0, -past.got(start, start + 1), -past.got(start, start + 2))
        delivered += splash
        told = 1.0 if past.learned else UNLEARNED
        phi, wander = past.lumps.phi_mg, max(WANDER_LEAST, flow.wander(number))
        expected = told * flow.least(number, start, now_s) - flow.draining(number, start, now_s)
        if expected <= 0.0:
            return Shortfall(0.0, window, delivered, max(expected, 0.0))
        best = ramped(expected, 0.0, max(delivered, 0.0), variance, phi, wander)
        for span in SPANS:
            if 3 * span > window or past.gaps[-1][1] > start - span:
                break
            found = flow.between_means(number, start, now_s, span)
            ramp = told * found.ramp_mg
            part = expected - told * found.cut_mg
            came = max(found.delivered_mg + splash / span, 0.25 * ramp)
            best = max(best, ramped(part, ramp, came, found.variance_mg2, phi, wander))
        return Shortfall(flow.doubted(number, best), window, delivered, expected)

    def _still_short(self, number: int, past: OutletPast, now_s: int) -> bool:
        """For a suppressed judgement: whether the last minute still falls short."""
        delivered, expected, _ = self._expected.watched(number, now_s - 60, now_s)
        return expected > 0.0 and delivered <= 0.8 * expected

    def others_short(self, number: int, window_s: int, now_s: int) -> float:
        """Evidence (nats) that the other outlets, taken together, fell short in the same window.

        Those under an alarm of their own are left out; so are those that nothing is known of.
        """
        delivered = expected = variance = lumps = spread = 0.0
        for other, past in enumerate(self._expected.outlets):
            if other == number or past is None or past.share is None or past.good_since_s is None:
                continue
            said = self._said[other]
            if said.active and not said.suppressed:
                continue
            d, a, v = self._expected.watched(other, now_s - window_s, now_s)
            delivered, expected, variance = delivered + d, expected + a, variance + v
            lumps += past.lumps.phi_mg * a
            spread += (self._expected.wander(other) * a) ** 2
        if expected <= 0.0 or delivered > OTHERS_RATIO * expected:
            return 0.0
        wander = sqrt(spread) / expected
        return evidence(expected, max(delivered, 0.0), variance, lumps / expected, wander)

    def _words(self, number: int, worst: Shortfall, now_s: int) -> tuple[str, dict[str, object]]:
        name = self._said[number].subject
        share = max(worst.delivered_mg, 0.0) / worst.expected_mg
        came = f"{share:.0%} of what was due" if share >= 0.005 else "nothing of what was due"
        what = f"Outlet {name} is not delivering: {came} came in the last {minutes(worst.window_s)}."
        told: dict[str, object] = {
            "window_s": worst.window_s,
            "delivered_kg": round(worst.delivered_mg / 1e6, 6),
            "expected_kg": round(worst.expected_mg / 1e6, 6),
            "usual_kg_h": kg_h(worst.expected_mg / worst.window_s),
            "nats": round(worst.nats, 2),
        }
        astray = self._gainers(number, worst.window_s, now_s)
        if astray:
            what += f" Meanwhile {', '.join(astray)} delivered more than usual: product may be going astray."
            told["astray_to"] = astray
        return what, told

    def _gainers(self, number: int, window_s: int, now_s: int) -> list[str]:
        """Outlets that delivered clearly more than their share in the same window."""
        found = []
        for other, past in enumerate(self._expected.outlets):
            if other == number or past is None or past.share is None:
                continue
            d, a, v = self._expected.watched(other, now_s - window_s, now_s)
            sd = sqrt(v + past.lumps.phi_mg * a + (self._expected.wander(other) * a) ** 2)
            if a > 0.0 and d > 1.15 * a and d - a > 3.0 * sd:
                found.append(past.outlet.name)
        return found

    # -- flow --------------------------------------------------------------------------------------

    def _look_for_flow(self, number: int, past: OutletPast, now_s: int) -> list[Judgement]:
        for window in CLEAR_WINDOWS:
            if now_s - window < self._alarm_s[number]:
                break
            delivered, expected, variance = self._expected.watched(number, now_s - window, now_s)
            usual = self._normal_mg_s[number] * window
            if expected < 0.2 * usual or delivered < 0.7 * expected or delivered < 4.0 * sqrt(variance):
                continue
            blocked = min(self._ratio[number] + 0.15, 0.7) * expected
            if flowing(delivered, blocked, past.lumps.phi_mg) >= CLEAR_NATS:
                return self._clear(number, now_s, "delivers again.")
        return []

    def _clear(self, number: int, now_s: int, what: str) -> list[Judgement]:
        self._expected.lessons.release(number, now_s)
        self._from_s[number] = now_s
        said = self._said[number]
        return said.clear(now_s, f"Outlet {said.subject} {what}")

    # -- asked why -----------------------------------------------------------------------------------

    def evidence(self, subject: str, now: StationNow) -> Evidence | None:
        """What is seen of an outlet now: see `Evidence`."""
        number = outlet_at(now, subject)
        if number is None:
            return None
        past, told = self._expected.outlets[number], self._said[number]
        best, held = loudest(self._windows(number, past, now.now_s), self.asked, RATIO)
        held = self._watch.why_not(now) or not_believed(now.outlets[number], past, now.now_s) or held
        if best is None:
            return Evidence(KIND, subject, threshold=self.asked(LONGEST), quiet_because=held)
        asked = self.asked(best.window_s)
        others = self.others_short(number, best.window_s, now.now_s)
        if not held and best.nats >= asked:
            if not self._expected.fed(number):
                held = "no feed came a lag ago"
            elif not self._expected.weighed and self._has_others(number) and best.window_s < LAG_SPREAD_S:
                held = "the feed is not weighed, and the other outlets may fall short later"
            elif others >= 0.5 * best.nats and not (told.active and not told.suppressed):
                held = EVERYONE
        extra = {"others_nats": round(others, 2), "gained": self._gainers(number, best.window_s, now.now_s)}
        return Evidence(
            KIND, subject, "nats", best.nats, asked, False, best.window_s,
            best.expected_mg, best.came_mg, held, extra,
        )  # fmt: skip

    def _windows(self, number: int, past: OutletPast | None, now_s: int) -> list[Window]:
        """The evidence of those windows the sums look at now, and of some others."""
        if past is None or past.share is None or past.began_s is None:
            return []
        oldest = max(self._from_s[number], self._expected.earliest_s(number))
        begun = {now_s - since for since in self._sums[number].begun(0.1)} | set(WINDOWS)
        seen = [w for w in sorted(begun) if LEAST_S <= w <= LONGEST and now_s - w >= oldest]
        found = []
        for window in seen:
            delivered, usual, _ = self._expected.watched(number, now_s - window, now_s)
            if delivered > OTHERS_RATIO * usual:  # most of the time: be quick
                found.append(Shortfall(0.0, window, delivered, usual))
            else:
                found.append(self._measure(number, past, now_s, window))
        return [Window(f.nats, f.window_s, f.delivered_mg, f.expected_mg) for f in found]
