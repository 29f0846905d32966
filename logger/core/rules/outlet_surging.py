"""An outlet that lets go much at once: a plug that gave way, or a bank on the deck that slid.

Formula, out of the blue: over windows of 4 to 64 s the evidence `surplus.surplus_nats(A, D, V, phi, c)`
reaches `THRESHOLD`, D is at least `TIMES` A, and D - A more than half a minute's delivery and `LEAST_MG`.
After an alarm of the outlet (not delivering, or slow) its account since then is kept: held back is the most
that was ever missing; let go at once is what made that good again within minutes. It is an alarm where more
came than had been held back, by more than `SURE` standard uncertainties, half a minute's delivery and
`LEAST_MG`; or where all of it was held back, but it is more than `FLOOD_S` of usual delivery: the
container may run over. Less is what clearing an outlet does, and no news to whoever cleared it.
A is the most mass by any lag still credible. Source: our own derivation, see `surplus`; the limits are
common practice, no source. Tuning: 12 nats, as for a shortfall.
What may have been caught in a pan while containers were changed (2.5 times what is only estimated of the
last five minutes) is allowed for, and of what drains 15 % as water, give or take 9 % (assumed, no source).
Suppressed when the other outlets together gained as much: then the feed surged.
False alarms: 2 in 138 station-hours of bays with busy hands
(tests/bench/testbay, set report, busy 500:640).
Clears when over a quarter of a minute no more than twice the usual came, and says how much it was in all.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, sqrt

from logger.core.description import ContainerKind, Station
from logger.core.rules.contract import Evidence, Judgement, OutletNow, StationNow
from logger.core.rules.expected import MEMORY_S, UNWEIGHED_NATS, ExpectedFlow
from logger.core.rules.looking import not_believed, outlet_at
from logger.core.rules.past import SETTLE_S, OutletPast
from logger.core.rules.said import Said, Watch, minutes
from logger.core.rules.surplus import WANDER_LEAST, Since, most_between, surplus_nats
from logger.core.track.view import TrackState

KIND = "outlet-surging"
WINDOWS = (4, 8, 16, 32, 64)  # s
EVERY_S = 2
THRESHOLD = 12.0  # nats
TIMES = 2.5
HALF_MINUTE_S = 30.0
LEAST_MG = 100_000.0
PHI_LEAST_MG = 30_000.0  # now and then a wad comes off a deck that never sent one: assumed, no source
SURE = 3.0
FLOOD_S = 180.0
RELEASE_S = 120  # after an alarm ended its outlet is looked at as a plug that gave way
WITH_WATER = 4.0  # where water is kept, every lump brings its own: assumed, as in `past`
CAUGHT_S = 300
CAUGHT_TIMES = 2.5  # a pour may be as much more than was estimated (`core.track`)
WATER, U_WATER = 0.15, 0.09
OVER_S = 16
RESTATE_S = 10
LONGEST_S = 600  # no longer is the mass of one surge counted
EVERYONE = "all other outlets gained as well"
SHORT_KINDS = ("outlet-not-delivering", "outlet-slow")
DO = "Look whether product ran over or crossed into its neighbour, and whether the container holds it."


@dataclass(slots=True)
class _Surge:
    """What came at once (mg), over how long (s), what of it is more than was held back, and how sure."""

    came_mg: float
    over_s: int
    beyond_mg: float
    u_mg: float
    held_mg: float
    nats: float = 0.0


class OutletSurging:
    """Judges all weighed outlets of a station."""

    kind = KIND

    def __init__(self, station: Station, expected: ExpectedFlow, threshold: float = THRESHOLD) -> None:
        if not 4.0 <= threshold <= 40.0:
            raise ValueError(f"threshold {threshold:g} nats must lie between 4 and 40")
        self.threshold = threshold + (0.0 if expected.weighed else UNWEIGHED_NATS)
        self._expected = expected
        self._watch = Watch(expected)
        count = len(station.outlets)
        self._said = [Said(KIND, outlet.name, outlet.channel or "") for outlet in station.outlets]
        self._since: list[Since | None] = [None] * count  # while it is short, and a while after
        self._over_s: list[int | None] = [None] * count  # when its alarm ended
        self._from_s = [0] * count  # no window starts before
        self._began_s = [0] * count
        self._told_s = [0] * count
        self._surge: list[_Surge | None] = [None] * count

    def tick(self, now: StationNow) -> list[Judgement]:
        found: list[Judgement] = []
        if not self._watch.tick(now):
            for number, said in enumerate(self._said):
                self._since[number] = None
                self._from_s[number] = now.now_s
                found += said.clear(now.now_s, f"Outlet {said.subject} is no longer watched: the run ended.")
            return found
        for number, outlet in enumerate(now.outlets):
            past = self._expected.outlets[number]
            if past is None or past.share is None or not past.learned or outlet.now is None:
                continue
            if now.active or self._since[number] is not None:
                self._mind_alarms(number, outlet, now)
            if (now.beat_s + number) % EVERY_S == 0 and self._settled(outlet, past, now.now_s):
                found += self._judge(number, past, outlet, now)
        return found

    def _mind_alarms(self, number: int, outlet: OutletNow, now: StationNow) -> None:
        """Keep the account of an outlet since it fell short, and for a while after its alarm ended."""
        name = outlet.outlet.name
        began = [now.active[kind, name] for kind in SHORT_KINDS if (kind, name) in now.active]
        since = self._since[number]
        if began:
            if since is None:
                since = self._since[number] = Since(self._expected, number, min(began))
            self._over_s[number] = None
        elif since is not None:
            over = self._over_s[number]
            over = self._over_s[number] = now.now_s if over is None else over
            if now.now_s - over > RELEASE_S and not self._said[number].active:
                self._since[number] = None
                self._from_s[number] = now.now_s
                return
        if since is not None and (now.beat_s + number) % EVERY_S == 0:
            since.take(now.now_s, outlet)

    @staticmethod
    def _settled(outlet: OutletNow, past: OutletPast, now_s: int) -> bool:
        """Whether what was weighed is known: nothing disturbs the scale any more."""
        if outlet.now is None or outlet.now.track is None or past.began_s is None or past.lost_s is not None:
            return False
        view = outlet.now.track.view
        return view.state is TrackState.STEADY and now_s - view.changed_s >= SETTLE_S

    def _judge(self, number: int, past: OutletPast, outlet: OutletNow, now: StationNow) -> list[Judgement]:
        said = self._said[number]
        if said.active:
            return self._go_on(number, past, now.now_s)
        since = self._since[number]
        if since is not None:
            surge = self._released(number, past, since, now.now_s)
            suppressed_by = ""
        else:
            surge = self._scan(number, past, outlet, now.now_s)
            suppressed_by = "" if surge is None else self._everyone(number, surge, now.now_s)
        if surge is None:
            return []
        self._began_s[number] = now.now_s - surge.over_s
        self._surge[number], self._told_s[number] = surge, now.now_s
        what, told = self._words(number, surge)
        return said.say(True, self._began_s[number], what, DO, told, suppressed_by=suppressed_by)

    # -- what came ---------------------------------------------------------------------------------

    def _usual_mg_s(self, past: OutletPast) -> float:
        """What the outlet delivers at most times (mg/s)."""
        if not self._expected.weighed:
            return past.share or 0.0
        remembered_s = MEMORY_S * (1.0 - exp(-past.fed_s / MEMORY_S))
        return past.sum_y / max(remembered_s, 60.0)

    @staticmethod
    def _wads(past: OutletPast) -> float:
        """The least lumpiness (mg) to count with: now and then a wad comes off any deck."""
        retains = past.outlet.container.kind is ContainerKind.RETAINS
        return WITH_WATER * PHI_LEAST_MG if retains else PHI_LEAST_MG

    def _scan(self, number: int, past: OutletPast, outlet: OutletNow, now_s: int) -> _Surge | None:
        """Out of the blue: the window that speaks loudest."""
        expected = self._expected
        oldest = max(past.began_s or now_s, self._from_s[number], expected.earliest_s(number))
        usual = self._usual_mg_s(past)
        least = max(HALF_MINUTE_S * usual, LEAST_MG)
        best: _Surge | None = None
        for window in WINDOWS:
            start = now_s - window
            if start < oldest:
                break
            came = past.got(start, now_s)
            if came < usual * window + least:  # nearly always: be quick
                continue
            due = most_between(expected, number, start, now_s)
            beyond, u_water = self._without_water(past, came - due)
            beyond -= self._maybe_caught(outlet, now_s)
            if came < TIMES * due or beyond < least:
                continue
            variance = 2.0 * expected.level_var(past) + u_water**2
            wander = max(WANDER_LEAST, expected.wander(number))
            phi = max(past.lumps.phi_mg, self._wads(past))
            nats = surplus_nats(due, due + beyond, variance, phi, wander)
            if nats >= self.threshold and (best is None or nats > best.nats):
                u = sqrt(variance + phi * due + (wander * due) ** 2)
                best = _Surge(came, window, beyond, u, 0.0, nats)
        return best

    def _released(self, number: int, past: OutletPast, since: Since, now_s: int) -> _Surge | None:
        """After an alarm: what came at once since the most was missing, if it is much."""
        surge, usual = self._made_good(number, past, since, now_s), self._usual_mg_s(past)
        enough = max(HALF_MINUTE_S * usual, LEAST_MG, SURE * surge.u_mg)
        made_good = since.most_short_mg - since.short_mg
        flood = made_good > max(FLOOD_S * usual, 4.0 * LEAST_MG) and surge.over_s <= RELEASE_S
        return surge if surge.beyond_mg >= enough or flood else None

    def _made_good(self, number: int, past: OutletPast, since: Since, now_s: int) -> _Surge:
        made_good = since.most_short_mg - since.short_mg
        beyond, u_water = self._without_water(past, made_good)
        beyond -= since.most_short_mg
        over_s = max(now_s - since.most_short_s, 1)
        came = made_good + self._expected.expected_between(number, since.most_short_s, now_s)
        return _Surge(came, over_s, beyond, sqrt(since.u_mg**2 + u_water**2), since.most_short_mg)

    @staticmethod
    def _without_water(past: OutletPast, surplus_mg: float) -> tuple[float, float]:
        """A surplus less the water it brings into a draining container, and the uncertainty of that."""
        if not past.drains or surplus_mg <= 0.0:
            return surplus_mg, 0.0
        return (1.0 - WATER) * surplus_mg, U_WATER * surplus_mg

    @staticmethod
    def _maybe_caught(outlet: OutletNow, now_s: int) -> float:
        """What may have been caught while no container stood there, and is poured in now (mg)."""
        track = None if outlet.now is None else outlet.now.track
        if track is None:
            return 0.0
        return CAUGHT_TIMES * max(track.view.estimated_mg - track.estimated_at(now_s - CAUGHT_S), 0.0)

    def _everyone(self, number: int, surge: _Surge, now_s: int) -> str:
        """Why it is suppressed: the others together gained as well, so the feed surged."""
        came = due = 0.0
        for other, past in enumerate(self._expected.outlets):
            if other != number and past is not None and past.share is not None:
                d, a, _ = self._expected.watched(other, now_s - surge.over_s, now_s)
                came, due = came + d, due + a
        return EVERYONE if due > 0.0 and came > 0.5 * (1.0 + TIMES) * due else ""

    # -- words -------------------------------------------------------------------------------------

    def _words(self, number: int, surge: _Surge) -> tuple[str, dict[str, object]]:
        past = self._expected.outlets[number]
        usual = 0.0 if past is None else self._usual_mg_s(past)
        worth = f"as much as in {minutes(surge.came_mg / usual)}" if usual > 0.0 else "much"
        what = f"Outlet {self._said[number].subject} let go at once: {worth} came in {minutes(surge.over_s)}."
        told: dict[str, object] = {
            "window_s": surge.over_s,
            "came_kg": round(surge.came_mg / 1e6, 4),
            "missing_before_kg": round(surge.held_mg / 1e6, 4),
            "more_than_missing_kg": round(max(surge.beyond_mg, 0.0) / 1e6, 4),
            "u_kg": round(surge.u_mg / 1e6, 4),
        }
        if surge.nats:
            told["nats"] = round(surge.nats, 2)
            what += " Nothing had been missing before: a bank on the deck may have slid."
        elif surge.beyond_mg > SURE * surge.u_mg:
            what += " It is more than had been missing."
        else:
            what += " As much had been missing."
        return what, told

    # -- while it lasts ----------------------------------------------------------------------------

    def _go_on(self, number: int, past: OutletPast, now_s: int) -> list[Judgement]:
        said, start = self._said[number], now_s - OVER_S
        if start < max(self._began_s[number], past.began_s or 0):
            return []
        came = past.got(start, now_s)
        due = max(most_between(self._expected, number, start, now_s), OVER_S * self._usual_mg_s(past))
        going_on = came > 2.0 * due + 3.0 * sqrt(2.0 * past.reading_var_mg2)
        if going_on and now_s - self._told_s[number] < RESTATE_S:
            return []
        surge = self._surge[number]
        if surge is not None and now_s - self._began_s[number] <= LONGEST_S:
            surge = self._surge[number] = self._so_far(number, past, surge, now_s)
        if surge is None:
            return []
        what, told = self._words(number, surge)
        self._told_s[number] = now_s
        if going_on:
            return said.restate(what, DO, told)
        self._from_s[number] = now_s
        self._since[number] = self._surge[number] = None
        return said.say(False, now_s, what + " It is over.", "Nothing to do.", told)

    def _so_far(self, number: int, past: OutletPast, surge: _Surge, now_s: int) -> _Surge:
        """The same surge, with what came until now."""
        since, began = self._since[number], self._began_s[number]
        if since is not None:
            return self._made_good(number, past, since, now_s)
        came, due = past.got(began, now_s), most_between(self._expected, number, began, now_s)
        beyond, u_water = self._without_water(past, came - due)
        wander = max(WANDER_LEAST, self._expected.wander(number))
        u = sqrt(
            2.0 * self._expected.level_var(past) + u_water**2 + self._wads(past) * due + (wander * due) ** 2
        )
        return _Surge(came, now_s - began, beyond, u, 0.0, surge.nats)

    # -- asked why ---------------------------------------------------------------------------------

    def evidence(self, subject: str, now: StationNow) -> Evidence | None:
        """How much more came than was due, out of the blue: see `Evidence`."""
        number = outlet_at(now, subject)
        past = None if number is None else self._expected.outlets[number]
        if number is None or past is None:
            return None
        held = self._watch.why_not(now) or not_believed(now.outlets[number], past, now.now_s)
        held = held or ("" if past.learned else "its share is not learned yet")
        if not held and self._since[number] is not None:
            held = "it was short before: what makes that good again is no surge"
        oldest = max(past.began_s or now.now_s, self._from_s[number], self._expected.earliest_s(number))
        found: list[tuple[float, int, float, float, str]] = []
        for window in [window for window in WINDOWS if past.share and now.now_s - window >= oldest]:
            start = now.now_s - window
            came, due = past.got(start, now.now_s), most_between(self._expected, number, start, now.now_s)
            beyond, u_water = self._without_water(past, came - due)
            beyond -= self._maybe_caught(now.outlets[number], now.now_s)
            variance = 2.0 * self._expected.level_var(past) + u_water**2
            phi = max(past.lumps.phi_mg, self._wads(past))
            wander = max(WANDER_LEAST, self._expected.wander(number))
            nats = surplus_nats(due, due + beyond, variance, phi, wander) if beyond > 0.0 < due else 0.0
            least = max(HALF_MINUTE_S * self._usual_mg_s(past), LEAST_MG)
            little = came < TIMES * due or beyond < least
            found.append((nats, window, came, due, "too little more came than was due" if little else ""))
        if not found:
            return Evidence(KIND, subject, threshold=self.threshold, quiet_because=held)
        nats, window, came, due, little_text = max(found, key=lambda each: (not each[4], each[0]))
        if nats >= self.threshold:
            held = held or little_text
        return Evidence(KIND, subject, "nats", nats, self.threshold, False, window, due, came, held)
