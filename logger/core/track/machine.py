"""The states of a track, one step a state, and how an episode begins and ends.

While steady, a second in which nothing jumps updates a level: a Kalman filter with ``q`` from the product's
lumps and ``r`` from the noise. A jump that product cannot make begins an *episode*: the account stands still
as it was before (the last half second is distrusted, for a hand moves before the weight does), mass
is carried by expectation, and when the readings lie flat again `changes.judge` says what it was.
"""

from __future__ import annotations

from math import log

from logger.core.description import Channel, Container, ContainerKind, FeedKind
from logger.core.track.account import Account
from logger.core.track.changes import CATCH_S, KG, Do, Knowledge, Verdict, judge
from logger.core.track.episode import Episode, Plateau, plateau
from logger.core.track.ledger import Ledger, Record
from logger.core.track.noise import Noise
from logger.core.track.pour import NEEDED, find_pour, unusual
from logger.core.track.rate import Rate
from logger.core.track.view import Recognised, TrackState, View

STATES: dict[TrackState, frozenset[TrackState]] = {
    TrackState.WAITING: frozenset({TrackState.STEADY}),
    TrackState.STEADY: frozenset({TrackState.DISTURBED, TrackState.SILENT, TrackState.FROZEN}),
    TrackState.DISTURBED: frozenset({TrackState.STEADY, TrackState.OFF, TrackState.SILENT}),
    TrackState.OFF: frozenset({TrackState.DISTURBED, TrackState.STEADY, TrackState.SILENT}),
    TrackState.SILENT: frozenset({TrackState.DISTURBED, TrackState.STEADY}),
    TrackState.FROZEN: frozenset({TrackState.DISTURBED, TrackState.SILENT, TrackState.STEADY}),
}
"""Legal transitions; any other raises."""

FROZEN_SCORE = 16.0  # -n ln p(same value): e^-16 by chance
HOLD_S, HOLD_FEED_S = 0.5, 2.0  # distrusted before a jump
REJOIN_S = 180  # an older base is believed again when the weight comes back to it within this time


class Machine:
    """State and steps of a track; `core.track.scale.ScaleTrack` is the public face."""

    def __init__(
        self,
        channel: Channel,
        container: Container,
        solids_density: float | None,
        feed: FeedKind | None,
        history_s: int,
    ) -> None:
        gain, gain_u = _gain(container.kind, solids_density)
        self.view = View()
        self._feed = feed
        self._account = Account(
            gain,
            1 if feed is None else -1,
            gain_u,
            drains=feed is None and container.kind is ContainerKind.DRAINS,
            history_s=history_s,
        )
        self._know = Knowledge.told(channel, container)
        self._tare_told = None if container.tare_kg is None else container.tare_kg * KG
        self._noise = Noise(channel.resolution_kg * KG, channel.interval_s)
        self._rate = Rate(feed is FeedKind.TUB)
        self._ledger = Ledger()
        self._level = self._level_var = 0.0
        self._pace = 0.0  # what the level moved by in the last second
        self._past: list[tuple[float, float, int]] = []  # level, its variance, count of the latest seconds
        self._episode: Episode | None = None
        self._former: tuple[Episode, int] | None = None  # an older base that may come back, and until when
        self._credits: list[Record] = []  # estimates that a pour may yet replace
        self._expected: float | None = None
        self._first_s = 0

    # -- one step a state --------------------------------------------------------------------------

    def _wait(self, values: list[int], now_s: int) -> list[Recognised]:
        e = self._episode
        if e is None:
            if not values:
                return []
            e = self._episode = Episode(now_s - 1, values[0], 0, 0, 0, 0, 0, 0, 0, 0, 0)
            self._first_s = now_s
        if values:
            e.take(values)
        flat = max(6.0 * self._know.resolution, 60_000.0)
        f = plateau(e, now_s, self._noise.interval_s, flat=flat, noise_var=self._noise.floor, sign=1)
        if f is None:
            return []
        self._level, self._level_var = f.level, f.var
        self._account.rebase(f.level, 0.0)
        if self.view.tare_mg is None:
            self.view.tare_mg = self._tare_told
        self._steady_again(now_s)
        return []

    def _steady(self, values: list[int], now_s: int) -> list[Recognised]:
        noise, slope = self._noise, self._slope()
        if not values:
            if now_s - self.view.last_reading_s > self._patience():
                self._begin(now_s, 0, silent=True)
                self._enter(TrackState.SILENT, now_s)
            else:
                self._level += slope
                self._level_var += noise.q
            return []
        level, low, high, n = self._level, min(values), max(values), len(values)
        up, down = self._gate()
        mean = sum(values) / n
        if high - level > up or level - low > down or self._slid(mean - level):
            first = next((i for i, x in enumerate(values) if x - level > up or level - x > down), 0)
            self._begin(now_s, first)
            self._enter(TrackState.DISTURBED, now_s)
            return self._disturbed(values, now_s)
        self._past = [*self._past[-2:], (level, self._level_var, n)]
        var = self._level_var + noise.q
        total = var + noise.r + 1e-9
        gain, surprise = var / total, mean - 0.5 * slope - level
        if surprise * surprise > 16.0 * total:  # a surge, or a stop: follow
            gain = max(gain, 0.8)
        self._level = level + slope + gain * surprise
        self._pace = self._level - level
        self._level_var = var * (1.0 - gain)
        noise.steady(mean, high - low, n, rate=slope, idle=self._idle())
        if self._credits:
            return self._poured(now_s)
        if noise.same_count > 20 and self._frozen():
            self._begin(now_s, 0, silent=True)
            self._enter(TrackState.FROZEN, now_s)
        return []

    def _disturbed(self, values: list[int], now_s: int) -> list[Recognised]:
        e = self._carry()
        if not values:
            if now_s - self.view.last_reading_s > self._patience():
                e.silent = True
                self._enter(TrackState.SILENT, now_s)
            return []
        e.take(values)
        noise, slope = self._noise, e.rate / self._account.gain
        flat = max(4.0 * self._know.resolution, 6.0 * noise.sigma, 20_000.0) + 1.0 * abs(slope)
        f = plateau(
            e,
            now_s,
            noise.interval_s,
            flat=flat,
            noise_var=noise.r + noise.beat,
            sign=1 if self._feed is None else -1,
        )
        if f is None:
            return []
        tol = self._tolerance(e, f)
        return self._settle(
            e, f, judge(e, f, self._know, tol, scale=self._account.gain, feed=self._feed), tol
        )

    def _off(self, values: list[int], now_s: int) -> list[Recognised]:
        e = self._carry()
        if not values:
            if now_s - self.view.last_reading_s > self._patience():
                self._enter(TrackState.SILENT, now_s)
            return []
        mean = sum(values) / len(values)
        last = e.means[-1]
        jump = max(max(values) - last, last - min(values))
        e.take(values)
        if jump > max(0.1 * KG, 8.0 * self._noise.sigma):
            del e.tail[: -len(values)]
            e.dip = min(values)
            self._enter(TrackState.DISTURBED, now_s)
            return []
        e.off_level = min(e.off_level, mean)
        if self._feed is not None or now_s - e.off_s < 5:
            return []
        # Mass that goes on arriving smoothly has something to arrive in: it was a tare, not a lift.
        rise = mean - e.off_level
        enough = max(6.0 * self._know.resolution, 5.0 * (2.0 * self._noise.r) ** 0.5, 30_000.0)
        if rise < max(enough, 0.4 * e.rate * (now_s - e.off_s) / self._account.gain):
            return []
        return self._resume(e, now_s, mean)

    def _silent(self, values: list[int], now_s: int) -> list[Recognised]:
        if not values:
            self._carry()
            return []
        self._enter(TrackState.DISTURBED, now_s)
        self._open().tail.clear()
        return self._disturbed(values, now_s)

    def _thaw(self, values: list[int], now_s: int) -> list[Recognised]:
        if values and self._noise.same_count > len(values):
            return []
        e = self._open()
        e.seconds, e.credit = float(now_s - 1 - e.start_s), e.rate * (now_s - 1 - e.start_s)
        if values:
            self._enter(TrackState.DISTURBED, now_s)
            return self._disturbed(values, now_s)
        if now_s - self.view.last_reading_s > self._patience():
            self._enter(TrackState.SILENT, now_s)
        return []

    # -- how an episode begins and ends --------------------------------------------------------------

    def _begin(self, now_s: int, first: int, *, silent: bool = False) -> None:
        """Set the account back to before the disturbance, which ``first`` readings of this second precede."""
        start_s = now_s if silent else now_s - 1
        hold_s = HOLD_S if self._feed is None else HOLD_FEED_S
        doubtful = 0 if silent else hold_s / (self._noise.interval_s or 0.2) - first
        while doubtful > 0 and self._past:
            self._level, self._level_var, count = self._past.pop()
            doubtful -= count
            start_s -= 1
        account, noise = self._account, self._noise
        own, u_own = self._rate.own(
            account.history,
            start_s,
            self._rate.lumps(noise.q),
            account.gain**2 * self._level_var,
        )
        level = self._level
        e = self._episode = Episode(
            start_s, level, self._level_var, account.delivered(level), account.var, account.estimated,
            account.base, account.carried, own, u_own, self._rate.lumps(noise.q), silent, own=own,
            low=level, high=level, dip=level,
        )  # fmt: skip
        e.rate = self._expect(e)
        e.seconds = float(max(0, now_s - 1 - start_s))
        e.credit = e.rate * e.seconds
        self._past.clear()
        noise.broken()

    def _open(self) -> Episode:
        if self._episode is None:
            raise ValueError(f"a track that is {self.view.state} must have an open episode")
        return self._episode

    def _expect(self, e: Episode) -> float:
        return self._rate.expect(e.own, self._expected)

    def _carry(self) -> Episode:
        """Count a second by expectation."""
        e = self._open()
        e.rate = self._expect(e)
        e.seconds += 1.0
        e.credit += e.rate
        return e

    def _settle(self, e: Episode, f: Plateau, verdict: Verdict, tol: float) -> list[Recognised]:
        """Act on what was judged."""
        if verdict.do is Do.WAIT:
            return []
        step = f.level - e.level
        if verdict.do is Do.OFF:
            if not e.off:
                e.off, e.off_level, e.off_s = True, f.level, f.now_s
            e.off_level = min(e.off_level, f.level)
            self._enter(TrackState.OFF, f.now_s)
            event = Recognised(verdict.what, e.start_s, f.now_s, step)
            return [self._note(event, e, 0.0)] if verdict.what else []
        if verdict.what in ("step-up", "surge") and self._feed is None:
            record = self._matching(step * self._account.gain - e.credit)
            if record is not None:
                return self._caught(e, f, record)
        if verdict.do is Do.SPLICE and self._rejoined(e, f, tol):
            verdict = Verdict(Do.KEEP, "bump" if not e.off else "container-back")
        if verdict.do is Do.KEEP:
            return self._kept(e, f, verdict, step)
        return self._spliced(e, f, verdict, step)

    def _kept(self, e: Episode, f: Plateau, verdict: Verdict, step: float) -> list[Recognised]:
        self._account.keep(e)
        if verdict.what == "scoop":
            self._rate.scoop(-step)
        if e.off:
            self._know.pan = e.off_level
        self._land(e, f)
        if verdict.what in ("scoop", "rest", "silence"):
            return []
        mass = self._account.delivered(self._level) - e.delivered
        event = Recognised(verdict.what, e.start_s, f.now_s, step, mass)
        return [self._note(event, e, mass)]

    def _spliced(self, e: Episode, f: Plateau, verdict: Verdict, step: float) -> list[Recognised]:
        credit, u = self._account.splice(e, f)
        self._former = (e, f.now_s + REJOIN_S)
        self._account.drainage.broken()
        if verdict.tare == "new":
            self._account.drainage.changed()
            self.view.tare_mg = f.level
            self._know.learn_tare(f.level)
        elif verdict.tare == "moves" and self.view.tare_mg is not None:
            self.view.tare_mg += step
        if e.off:
            self._know.pan = e.off_level
        self._land(e, f)
        event = Recognised(verdict.what, e.start_s, f.now_s, step, credit, u, estimated=credit > 0.0)
        event = self._note(event, e, credit, u)
        if self._feed is None and verdict.what.startswith("container"):
            if (
                credit < 5.0 * self._account.gain * (6.0 * self._noise.q) ** 0.5
            ):  # a pour would pass unseen, and count twice
                self._account.var += (0.5 * credit) ** 2
            self._credits = [*self._credits[-3:], self._ledger.get(event.number)]
        return [event]

    def _land(self, e: Episode, f: Plateau) -> None:
        """Be steady again on the plateau."""
        late = f.now_s - f.at_s
        self._pace = f.climb
        self._level = f.level + (f.climb or self._slope()) * late
        self._level_var = f.var + self._noise.q * late + (0.2 * f.climb * late) ** 2
        self._account.redraw(e.start_s, self._account.delivered(self._level))
        self._steady_again(f.now_s)

    def _rejoined(self, e: Episode, f: Plateau, tol: float) -> bool:
        """Does the base of before an earlier step explain the weight again? Then it is believed again."""
        if self._former is None or f.now_s > self._former[1]:
            return False
        old, account = self._former[0], self._account
        mass = old.carried + account.scale * (f.level - old.base)
        u = (max(0.0, e.var - old.var) + e.credit_u() ** 2) ** 0.5
        if abs(mass - e.delivered - e.credit) > tol * account.gain + 3.0 * u:
            return False
        e.base, e.carried, e.var, e.estimated = old.base, old.carried, old.var, old.estimated
        self._former = None
        return True

    def _resume(self, e: Episode, now_s: int, mean: float) -> list[Recognised]:
        """The empty scale gains weight: a container stands there, and its tare was pressed."""
        f = Plateau(e.off_level, self._noise.r, e.off_s - 1.0, now_s)
        credit, u = self._account.splice(e, f)
        step = e.off_level - e.level
        if self.view.tare_mg is not None:
            self.view.tare_mg += step
        self._level, self._level_var = mean + 0.5 * self._slope(), self._noise.r + self._noise.q
        self._account.redraw(e.start_s, self._account.delivered(self._level))
        self._steady_again(now_s)
        event = Recognised("tare-pressed", e.start_s, e.off_s, step, credit, u, estimated=credit > 0.0)
        return [self._note(event, e, credit, u)]

    def _matching(self, mass: float) -> Record | None:
        """The latest estimate that a pour of ``mass`` may be the weighing of."""
        for record in reversed(self._credits):
            if 0.3 * record.estimated <= mass <= 2.5 * record.estimated:
                return record
        return None

    def _caught(self, e: Episode, f: Plateau, record: Record) -> list[Recognised]:
        """Caught product was poured in with a jump: the base holds, the estimate makes way."""
        self._account.keep(e)
        late = f.now_s - f.at_s
        mass = (f.level - e.level) * self._account.gain - e.credit + e.rate * late
        self._land(e, f)
        return [self._replace(record, mass, e.start_s, f.now_s, e.credit_u() ** 2)]

    def _poured(self, now_s: int) -> list[Recognised]:
        """Caught product poured in too gently for the gate."""
        self._credits = [r for r in self._credits if r.estimated > 0.0 and now_s - r.to_s <= CATCH_S]
        if not self._credits:
            return []
        pour = find_pour(self._noise.means(NEEDED), self._noise.q, self._noise.r, self._account.gain)
        record = None if pour is None else self._matching(pour.mass)
        if pour is None or record is None or not unusual(self._account.history, pour, now_s):
            return []
        end = now_s - pour.ago_s
        return [self._replace(record, pour.mass, end - pour.width_s, end, pour.var)]

    def _replace(self, record: Record, mass: float, from_s: int, to_s: int, var: float) -> Recognised:
        """Count a weighed pour for the time it was caught in, instead of the estimate."""
        account = self._account
        account.adjust(record.from_s, record.to_s, mass - record.counted, var - record.var, -record.estimated)
        account.adjust(from_s, to_s, -mass, 0.0, 0.0)
        record.counted, record.var, record.estimated = mass, var, 0.0
        self._credits.clear()
        event = Recognised(
            "caught-product",
            from_s,
            to_s,
            mass / account.gain,
            mass,
            var**0.5,
            data={"replaces": record.number},
        )
        return self._ledger.enter(event, Record(0, from_s, to_s, mass, 0.0, 0.0, 0.0, 0.0))

    def _note(self, event: Recognised, e: Episode, counted: float, u: float = 0.0) -> Recognised:
        estimated = counted if event.estimated else 0.0
        step = event.step_mg * self._account.scale
        record = Record(0, event.from_s, event.to_s, step, e.credit, counted, u * u, estimated)
        return self._ledger.enter(event, record)

    # -- small things --------------------------------------------------------------------------------

    def _idle(self) -> bool:
        """Does nothing flow, as far as can be told?"""
        return self.view.rate_mg_s < 2.0 * self.view.u_rate_mg_s and not self._expected

    def _slope(self) -> float:
        """Trend of the weight as the scale shows it (mg/s)."""
        return 0.0 if self._feed is FeedKind.TUB else self._rate.mg_s / self._account.scale

    def _gate(self) -> tuple[float, float]:
        """How far a reading may lie above and below the level before it counts as a jump (mg)."""
        noise, slope = self._noise, abs(self._slope())
        scatter = float((noise.sigma**2 + self._level_var) ** 0.5)
        sharp = max(30_000.0, 7.0 * scatter, 4.0 * self._know.resolution)
        lump = min(noise.q / slope, 40_000.0) if slope > 1.0 else 0.0
        blunt = max(250_000.0, 8.0 * scatter, 25.0 * lump) + 2.0 * max(slope, abs(self._pace))
        sharp += max(0.0, abs(self._pace) - 2.0 * slope)  # a surge ends less suddenly than it came
        return (blunt, sharp) if self._feed is None else (sharp, blunt)

    def _slid(self, rise: float) -> bool:
        """Has the second's mean stepped the way product never moves it, though no reading stands out?"""
        back = -rise if self._feed is None else rise
        noise = self._noise
        if back < 15_000.0 + abs(self._pace) or back < 1.5 * self._know.resolution:
            return False
        return bool(back * back > 36.0 * (self._level_var + noise.q + noise.r))

    def _tolerance(self, e: Episode, f: Plateau) -> float:
        least = max(3.0 * self._know.resolution, 10_000.0)
        return max(least, 5.0 * float((e.level_var + f.var) ** 0.5)) + abs(self._pace)

    def _patience(self) -> float:
        return max(3.0, 6.0 * self._noise.interval_s)

    def _frozen(self) -> bool:
        """Would chance alone never repeat a reading so often, with mass expected to move it?"""
        p = self._noise.p_same
        if not 0.0 < p < 0.98 or -self._noise.same_count * log(p) < FROZEN_SCORE:
            return False
        return bool(self._expected) or self._rate.mg_s > 2.0 * self._rate.u_mg_s

    def _enter(self, state: TrackState, now_s: int) -> None:
        view = self.view
        if state not in STATES[view.state]:
            raise ValueError(f"a track cannot go from {view.state} to {state}")
        view.state, view.state_since_s = state, now_s

    def _steady_again(self, now_s: int) -> None:
        self._episode = None
        self._past.clear()
        self._noise.broken()
        self._enter(TrackState.STEADY, now_s)
        self.view.steady_since_s = self.view.changed_s = now_s

    def _publish(self, now_s: int) -> None:
        """Bring the view and the history up to date."""
        view, account, noise, rate = self.view, self._account, self._noise, self._rate
        e = self._episode
        if view.state is TrackState.WAITING:
            return
        if e is None:
            view.delivered_mg = account.delivered(self._level)
            view.var_mg2, view.estimated_mg = account.var, account.estimated
            view.level_mg = self._level
            # Where in the second it was weighed, and the scale's own smoothing: some tenths of a second.
            late = noise.q / 3.0 + (0.4 * self._slope()) ** 2
            view.level_var_mg2 = account.gain**2 * (max(self._level_var, noise.floor) + noise.beat + late)
        else:
            credit = 0.0 if view.state is TrackState.FROZEN else e.credit
            credit = 0.0 if self._feed is FeedKind.TUB else credit  # it comes in scoops, none of them now
            view.delivered_mg = e.delivered + credit
            view.var_mg2 = e.var + (e.credit_u() ** 2 if credit else 0.0)
            view.estimated_mg = e.estimated + credit
            view.level_mg = e.means[-1] if e.means else e.level
        drainage = account.drainage
        if e is None:
            drainage.follow(now_s, account.gain * self._level, view.level_var_mg2**0.5, account.history)
        account.history.append(now_s, (view.delivered_mg, view.var_mg2, view.estimated_mg, drainage.wet))
        if e is None:
            rate.update(
                account.history, view.delivered_mg, noise.q, view.level_var_mg2, now_s - self._first_s
            )
            rate.compare(self._expected)
            view.rate_mg_s, view.u_rate_mg_s, view.rate_window_s = rate.mg_s, rate.u_mg_s, rate.window_s
        if drainage.active:
            view.delivered_mg -= drainage.omega_s * drainage.wet
            view.var_mg2 += (drainage.u_omega_s * drainage.wet) ** 2
        view.content_mg = None if view.tare_mg is None else view.level_mg - view.tare_mg
        view.noise_mg, view.interval_s = noise.sigma, noise.interval_s
        view.same_count, view.p_same = noise.same_count, noise.p_same


STEPS = {
    TrackState.WAITING: Machine._wait,
    TrackState.STEADY: Machine._steady,
    TrackState.DISTURBED: Machine._disturbed,
    TrackState.OFF: Machine._off,
    TrackState.SILENT: Machine._silent,
    TrackState.FROZEN: Machine._thaw,
}
"""What a second means in each state."""


def _gain(kind: ContainerKind, density: float | None) -> tuple[float, float]:
    """Mass that settles for each mg the scale shows, and its relative uncertainty where density is unknown.

    A container brim-full of water loses the water each particle displaces: shown = m (1 - 1/density).
    """
    if kind is not ContainerKind.BRIM_FULL:
        return 1.0, 0.0
    if density is None or density <= 1.0:
        return 1.0, 0.25  # ores and metals of 2.6 to 8.9 g/cm3 show 62 to 89 % of their mass
    return 1.0 / (1.0 - 1.0 / density), 0.0
