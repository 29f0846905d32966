"""Product of one outlet goes into another: one falls short, and another gains what it lacks.

Formula: over windows of 45 to 720 s the shortfall S = A - D of one outlet and the gain G of another are
judged together: `notice.evidence` of S plus `surplus.surplus_nats` of G (independent where nothing goes
astray), each at least `EACH` nats, together `THRESHOLD` + log(1 + that) for the sum of two; S at least a
quarter of what was due, G at least a seventh of S and no more than S by `SURE` standard uncertainties:
what one gains another must lack. An outlet that is under alarm already needs no more proof of its
shortfall. Those named next to it in the configuration are its neighbours; another one needs `FAR` nats more.
Mass since then: the gain, or, where it is more than what is missing, the mean of both weighted by their
variances (least squares; JCGM 100 has the propagation), told every ten seconds. Where less is gained than is
missing, the rest stands behind the plug, lies on the floor, or went where no scale stands.
A container that keeps all water shows more than product: a quarter to all of it counts (assumed).
Source: our own derivation, see `notice` and `surplus`. Tuning: as `outlet_not_delivering`.
Shares wander, and they sum to one, so a slow exchange between two outlets looks the same: hence the
quarter, and the wander in both. Nothing is learned while it holds. Not judged where a scale is disturbed,
oddly still or off. False alarms: 1 in 60 hours of simulated
bays (tests/bench/rules_bench.py 60 1 3000). Of 128 plugs there that sent more than 50 g astray 61 % were
told, after a minute and a half (median). The mass was 2 % too high (median) and lay within 2 u of the truth
in 84 %: the errors' root mean square is twice u, so u is too small by half.
Clears when the short outlet delivers again for a minute, and says how much it was in all.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import log1p, sqrt

from logger.core.description import ContainerKind, Station
from logger.core.rules.contract import Evidence, Judgement, OutletNow, StationNow
from logger.core.rules.expected import UNWEIGHED_NATS, ExpectedFlow
from logger.core.rules.looking import Window, not_believed, outlet_at, shortfalls
from logger.core.rules.notice import evidence
from logger.core.rules.outlet_surging import SHORT_KINDS
from logger.core.rules.past import OutletPast
from logger.core.rules.said import Said, Watch, frozen_score, minutes
from logger.core.rules.surplus import Since, most_between, surplus_nats
from logger.core.track.view import TrackState

KIND = "product-astray"
WINDOWS = (45, 90, 180, 360, 720)  # s
EVERY_S = 5
CALM_S = 10  # while nothing is wrong anywhere
RESTATE_S = 10
THRESHOLD = 12.0  # nats
EACH = 4.0
WANDER_LEAST = 0.05  # what one gains another lacks: by chance that is rarer than either
WANDER_EARLY = 0.10  # before a share was learned from so much time as shares take to wander
EARLY_S = 900.0
FAR = 4.0
SHORT_RATIO = 0.75
GAIN_LEAST = 1.0 / 7.0  # of what is missing
GAIN_TIMES = 1.08  # a gain of less is not worth a word
SURE = 3.0
AGAIN_S = 60
AGAIN = 0.85
SOLIDS, U_SOLIDS = 0.62, 0.22  # of what a container holds that keeps all water: a quarter to all; assumed
HOLD = 1_000  # this rule's keys among those that hold the learning
FROZEN_HOLD = 6.0
DO = "Clear the outlet, with the table locked out; keep apart what its neighbour caught meanwhile."


@dataclass(slots=True)
class _Astray:
    """A stretch in which product of one outlet goes into others: their accounts since it began."""

    since_s: int
    nats: float
    short: Since
    gains: dict[int, Since]
    told_s: int


class ProductAstray:
    """Judges each weighed outlet of a station against all others."""

    kind = KIND

    def __init__(self, station: Station, expected: ExpectedFlow, threshold: float = THRESHOLD) -> None:
        if not 4.0 <= threshold <= 40.0:
            raise ValueError(f"threshold {threshold:g} nats must lie between 4 and 40")
        self.threshold = threshold + (0.0 if expected.weighed else UNWEIGHED_NATS)
        self._expected = expected
        self._watch = Watch(expected)
        self._said = [Said(KIND, outlet.name, outlet.channel or "") for outlet in station.outlets]
        self._astray: list[_Astray | None] = [None] * len(station.outlets)
        self._from_s = [0] * len(station.outlets)

    def tick(self, now: StationNow) -> list[Judgement]:
        found: list[Judgement] = []
        if not self._watch.tick(now):
            for number, said in enumerate(self._said):
                if said.active:
                    found += self._end(number, now, "The run ended.")
                self._from_s[number] = now.now_s
            return found
        for number, outlet in enumerate(now.outlets):
            if (now.beat_s + number) % EVERY_S:
                continue
            if self._astray[number] is not None:
                found += self._go_on(number, now)
            elif ((now.beat_s + number) % CALM_S == 0 or now.active) and self._judgeable(number, outlet):
                found += self._look(number, now)
        return found

    def _judgeable(self, number: int, outlet: OutletNow) -> bool:
        past, channel = self._expected.outlets[number], outlet.now
        if past is None or past.share is None or not past.learned or past.good_since_s is None:
            return False
        if channel is None or channel.track is None or channel.track.view.state is not TrackState.STEADY:
            return False
        return frozen_score(channel) <= FROZEN_HOLD

    # -- beginning ---------------------------------------------------------------------------------

    def _look(self, number: int, now: StationNow) -> list[Judgement]:
        past = self._expected.outlets[number]
        name, now_s = self._said[number].subject, now.now_s
        alarmed = any((kind, name) in now.active for kind in SHORT_KINDS)
        oldest = max(self._from_s[number], self._expected.earliest_s(number))
        for window in WINDOWS:
            start = now_s - window
            if past is None or start < oldest:
                break
            d, a, v = self._expected.watched(number, start, now_s)
            if d > SHORT_RATIO * a:  # nearly always: be quick
                continue
            d, a, v = self._expected.watched(number, start, now_s, least=True)
            a -= self._expected.draining(number, start, now_s)
            if a <= 0.0 or d > SHORT_RATIO * a:
                continue
            wander = self._wander(number, past)
            nats = evidence(a, max(d, 0.0), v, past.lumps.phi_mg, wander) * self._expected.trust(number, a)
            if nats < EACH:
                continue
            sd = sqrt(v + past.lumps.phi_mg * a + (wander * a) ** 2)
            gainers = self._gainers(number, now, window, (a - d, sd, self.threshold if alarmed else nats))
            if gainers:
                return self._begin(number, now, start, gainers)
        return []

    def _gainers(
        self, number: int, now: StationNow, window: int, lack: tuple[float, float, float]
    ) -> dict[int, float]:
        """Outlets that gain what this one lacks, each with the nats of both together.

        ``lack``: the shortfall (mg), its standard uncertainty and its nats.
        """
        short_mg, sd_mg = self._product(number, lack[0], lack[1])
        nats = lack[2]
        found = {}
        for other, outlet in enumerate(now.outlets):
            if other == number or not self._judgeable(other, outlet):
                continue
            past = self._expected.outlets[other]
            if past is None or now.now_s - window < self._expected.earliest_s(other):
                continue
            gained = self._gain(other, past, now.now_s - window, now.now_s)
            if gained is None:
                continue
            gain, u = self._product(other, gained[0], gained[1])
            of_it = gained[2]
            if gain < GAIN_LEAST * short_mg or gain - short_mg > SURE * sqrt(u * u + sd_mg * sd_mg):
                continue
            both = nats + of_it
            far = 0.0 if abs(other - number) == 1 else FAR
            if of_it >= EACH + far and both >= self.threshold + log1p(both) + far:
                found[other] = both
        return found

    def _gain(
        self, other: int, past: OutletPast, from_s: int, to_s: int
    ) -> tuple[float, float, float] | None:
        """What an outlet gained over a window (mg), its standard uncertainty and nats; None: nothing."""
        d, a, v = self._expected.watched(other, from_s, to_s)
        if d < GAIN_TIMES * a:  # nearly always: be quick
            return None
        if past.whole(from_s, to_s):
            a = most_between(self._expected, other, from_s, to_s)
        wander = self._wander(other, past)
        nats = surplus_nats(a, d, v, past.lumps.phi_mg, wander) * self._expected.trust(other, a)
        u = sqrt(v + past.lumps.phi_mg * a + (wander * a) ** 2)
        return d - a, u, nats

    def _wander(self, number: int, past: OutletPast) -> float:
        least = WANDER_EARLY if self._expected.weighed and past.fed_s < EARLY_S else WANDER_LEAST
        return max(least, self._expected.wander(number))

    def _product(self, number: int, mass_mg: float, u_mg: float) -> tuple[float, float]:
        """How much product a mass shown is, and its standard uncertainty (mg)."""
        past = self._expected.outlets[number]
        if past is None or past.outlet.container.kind is not ContainerKind.RETAINS:
            return mass_mg, u_mg
        return SOLIDS * mass_mg, sqrt((SOLIDS * u_mg) ** 2 + (U_SOLIDS * mass_mg) ** 2)

    def _begin(self, number: int, now: StationNow, start: int, gainers: dict[int, float]) -> list[Judgement]:
        gains = {other: Since(self._expected, other, start) for other in gainers}
        short = Since(self._expected, number, start)
        astray = self._astray[number] = _Astray(start, max(gainers.values()), short, gains, now.now_s)
        self._expected.lessons.hold(HOLD + number, start)
        self._take(astray, number, now)
        what, told = self._words(number, astray, now)
        return self._said[number].say(True, start, what, DO, told)

    # -- while it lasts ----------------------------------------------------------------------------

    def _go_on(self, number: int, now: StationNow) -> list[Judgement]:
        astray = self._astray[number]
        if astray is None:
            return []
        name = self._said[number].subject
        alarmed = any((kind, name) in now.active for kind in SHORT_KINDS)
        if not alarmed and self._delivers(number, now, AGAIN_S // 3):
            if self._delivers(number, now, AGAIN_S):
                return self._end(number, now, f"Outlet {name} delivers again.")
            return []  # what its neighbours get now is theirs
        self._take(astray, number, now)
        if now.now_s - astray.told_s < RESTATE_S or not alarmed:
            return []
        astray.told_s = now.now_s
        self._look_for_more(number, astray, now)
        what, told = self._words(number, astray, now)
        return self._said[number].restate(what, DO, told)

    def _delivers(self, number: int, now: StationNow, over_s: int) -> bool:
        """Whether the outlet that was short brought nearly all that was due lately."""
        if not self._judgeable(number, now.outlets[number]):
            return False
        d, a, _ = self._expected.watched(number, now.now_s - over_s, now.now_s)
        return a > 0.0 and d >= AGAIN * a

    def _look_for_more(self, number: int, astray: _Astray, now: StationNow) -> None:
        """It may reach the other neighbour later, or more slowly."""
        window = min(now.now_s - astray.since_s, WINDOWS[-1])
        short = astray.short
        lack = (short.most_short_mg, short.u_mg, self.threshold)
        for other in self._gainers(number, now, window, lack):
            if other not in astray.gains:
                astray.gains[other] = Since(self._expected, other, astray.since_s)
                astray.gains[other].take(now.now_s, now.outlets[other])

    def _take(self, astray: _Astray, number: int, now: StationNow) -> None:
        astray.short.take(now.now_s, now.outlets[number])
        for other, gain in astray.gains.items():
            gain.take(now.now_s, now.outlets[other])

    def _end(self, number: int, now: StationNow, why: str) -> list[Judgement]:
        astray, said = self._astray[number], self._said[number]
        self._astray[number] = None
        self._expected.lessons.release(HOLD + number, now.now_s)
        self._from_s[number] = now.now_s
        if astray is None:
            return said.clear(now.now_s, why)
        _, told = self._words(number, astray, now)
        return said.say(False, now.now_s, why, "Nothing to do.", told)

    # -- how much ----------------------------------------------------------------------------------

    def _words(self, number: int, astray: _Astray, now: StationNow) -> tuple[str, dict[str, object]]:
        missing = self._product(number, astray.short.most_short_mg, astray.short.u_mg)
        gained = [self._product(k, -gain.short_mg, gain.u_mg) for k, gain in astray.gains.items()]
        masses, in_all, u = conserved(missing, gained)
        names = [self._said[other].subject for other in astray.gains]
        short = max(missing[0], 1.0)
        where, name = " and ".join(names), self._said[number].subject
        part = min(in_all / short, 1.0)
        what = (
            f"Product of outlet {name} goes into {where}: "
            f"{part:.0%} of what {name} lacked in the last {minutes(now.now_s - astray.since_s)}."
        )
        told: dict[str, object] = {
            "from": name,
            "astray_kg": round(in_all / 1e6, 4),
            "u_kg": round(u / 1e6, 4),
            "missing_kg": round(astray.short.most_short_mg / 1e6, 4),
            "over_s": now.now_s - astray.since_s,
            "nats": round(astray.nats, 2),
        }
        for to, mass in zip(names, masses, strict=True):
            told[f"to_{to}_kg"] = round(mass / 1e6, 4)
        return what, told

    # -- asked why ---------------------------------------------------------------------------------

    def evidence(self, subject: str, now: StationNow) -> Evidence | None:
        """The outlet's shortfall with the gain of the one that gained most: see `Evidence`."""
        number = outlet_at(now, subject)
        past = None if number is None else self._expected.outlets[number]
        if number is None or past is None:
            return None
        held = self._watch.why_not(now) or not_believed(now.outlets[number], past, now.now_s)
        held = held or ("" if past.learned else "its share is not learned yet")
        oldest = max(self._from_s[number], self._expected.earliest_s(number))
        wander = self._wander(number, past)
        found: list[tuple[float, Window, str, float, float]] = []
        for short in shortfalls(self._expected, number, WINDOWS, oldest_s=oldest, wander_least=wander):
            for other, outlet in enumerate(now.outlets):
                gainer = self._expected.outlets[other]
                if other == number or gainer is None or not self._judgeable(other, outlet):
                    continue
                gained = self._gain(other, gainer, now.now_s - short.window_s, now.now_s)
                if gained is not None:
                    both = short.nats + gained[2]
                    found.append((both, short, outlet.outlet.name, gained[0], gained[2]))
        if not found:
            held = held or "no other outlet gains clearly"
            return Evidence(KIND, subject, threshold=self.threshold, quiet_because=held)
        both, short, name, gain_mg, gain_nats = max(found, key=lambda each: each[0])
        if not held and min(short.nats, gain_nats) < EACH:
            held = (
                f"the shortfall ({short.nats:.1f}) and the gain ({gain_nats:.1f}) each take {EACH:.0f} nats"
            )
        extra = {"to": name, "gained_kg": round(gain_mg / 1e6, 4), "gain_nats": round(gain_nats, 2)}
        return Evidence(
            KIND, subject, "nats", both, self.threshold + log1p(both), False, short.window_s,
            short.expected_mg, short.came_mg, held, extra,
        )  # fmt: skip


def conserved(
    missing: tuple[float, float], gains: list[tuple[float, float]]
) -> tuple[list[float], float, float]:
    """Mass astray to each (mg), in all, and its standard uncertainty: no more in all than is missing.

    Each is told with its standard uncertainty. Where the gains sum to more, gain and shortfall are two
    measurements of one mass: their mean by least squares, and what is taken off the sum is taken off each
    by its part of the variance.
    """
    masses = [max(gain, 0.0) for gain, _ in gains]
    total, var = sum(masses), sum(u * u for _, u in gains)
    short, var_short = max(missing[0], 0.0), missing[1] ** 2
    if total <= short or var <= 0.0 or var_short <= 0.0:
        return masses, total, sqrt(var)
    weight = 1.0 / var + 1.0 / var_short
    off = total - (total / var + short / var_short) / weight
    masses = [max(mass - off * u * u / var, 0.0) for mass, (_, u) in zip(masses, gains, strict=True)]
    return masses, sum(masses), sqrt(1.0 / weight)
