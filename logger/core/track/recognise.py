"""How an episode ends: what was judged is done to the account, entered in the ledger and told."""

from __future__ import annotations

from logger.core.description import FeedKind
from logger.core.track.changes import CATCH_S, Do, Verdict
from logger.core.track.core import LINGER, LINGER_S, LINGER_SCOOPED_S, REJOIN_S, REVIEW_S, Core
from logger.core.track.episode import Episode, Plateau
from logger.core.track.ledger import Record
from logger.core.track.pour import AFTER, NEEDED, PATIENCE_S, find_pour, unusual, weigh_pour
from logger.core.track.rate import Rate
from logger.core.track.scoops import LEAST, MOST, refill
from logger.core.track.view import Recognised, TrackState

FALLS, FALLS_S = 3, 120  # so many falls of a hopper within so many seconds are scoops


class Recogniser(Core):
    """Acts on verdicts."""

    def _settle(self, e: Episode, f: Plateau, verdict: Verdict, tol: float) -> list[Recognised]:
        """Act on what was judged."""
        e.flat_s += 1
        linger_s = LINGER_SCOOPED_S if self._feed is FeedKind.TUB else LINGER_S
        if verdict.do is Do.WAIT or (verdict.what in LINGER and e.flat_s < linger_s):
            return []
        step = f.level - e.level
        if verdict.do is Do.OFF:
            if not e.off:
                e.off, e.off_level, e.off_s = True, f.level, f.now_s
            e.off_level = min(e.off_level, f.level)
            self._enter(TrackState.OFF, f.now_s)
            event = Recognised(verdict.what, e.start_s, f.now_s, step)
            return [self._note(event, e, f, 0.0)] if verdict.what else []
        if verdict.what in ("step-up", "surge", "bump") and self._feed is None:
            record = self._matching(surplus := step * self._account.gain - e.credit)
            if verdict.what == "bump" and surplus < self._by_chance(e, f):
                record = None
            if record is not None:
                return self._caught(e, f, record)
        if verdict.what == "scoop" and self._feed is FeedKind.HOPPER:
            if self._rejoined(e, f, tol):
                verdict = Verdict(Do.KEEP, "bump")
            else:
                self._fed_by_scoop(f.now_s)
        if verdict.do is Do.SPLICE and self._rejoined(e, f, tol):
            verdict = Verdict(Do.KEEP, "bump" if not e.off else "container-back")
        if verdict.do is Do.KEEP:
            return self._kept(e, f, verdict, step)
        return self._spliced(e, f, verdict, step)

    def _kept(self, e: Episode, f: Plateau, verdict: Verdict, step: float) -> list[Recognised]:
        self._account.keep(e)
        scooped = self._feed is FeedKind.TUB and -step > LEAST * self._rate.scoop_mg and not e.silent
        if scooped:
            self._rate.scoop(min(-step, MOST * self._rate.scoop_mg))
            self._scooped_s = f.now_s
        if e.off:
            self._know.pan = e.off_level
        fell_s = e.fell_s(f.now_s, f.level, max(0.3 * abs(step), 30_000.0))
        self._land(e, f)
        if scooped:
            self._account.step(e.start_s, fell_s, self._account.delivered(self._level))
            self._scoops.note(fell_s, -step)
        if verdict.what in ("scoop", "rest", "silence") and not self._sayings:
            return []
        mass = self._account.delivered(self._level) - e.delivered
        u = 0.7 * abs(mass - e.credit) if e.off else 0.0
        self._account.var += u * u  # another container, about as heavy, would look the same
        event = Recognised(verdict.what, e.start_s, f.now_s, step, mass, u)
        return [self._note(event, e, f, mass, u)]

    def _spliced(self, e: Episode, f: Plateau, verdict: Verdict, step: float) -> list[Recognised]:
        if self._feed is FeedKind.TUB and verdict.what == "refill" and not e.silent:
            self._scooped_beside(e)
        credit, u = self._account.splice(e, f)
        tare, since_s = self.view.tare_mg, self._stood_s
        self._former = (e, f.now_s + REJOIN_S)
        self._account.drainage.broken()
        if verdict.tare == "new":
            self._account.drainage.changed()
            self.view.tare_mg = f.level
            self._know.learn_tare(f.level)
            self._stood_s = f.now_s
        elif verdict.tare == "moves" and self.view.tare_mg is not None:
            self.view.tare_mg += step
        if e.off:
            self._know.pan = e.off_level
        self._land(e, f)
        event = Recognised(verdict.what, e.start_s, f.now_s, step, credit, u, estimated=credit > 0.0)
        event = self._note(event, e, f, credit, u, tare=(tare, since_s))
        if self._feed is None and verdict.what.startswith("container"):
            record = self._ledger.get(event.number)
            if credit < 5.0 * self._account.gain * (6.0 * self._noise.q) ** 0.5:
                blind = (0.5 * credit) ** 2  # a pour would pass unseen, and count twice
                self._account.var += blind
                record.var += blind
                record.expected_var += blind
            self._credits = [*self._credits[-3:], record]
        elif self._feed is FeedKind.HOPPER and self._expected is None:
            self._review = (self._ledger.get(event.number), e.rate, e.u_rate)
        return [event]

    def _reviewed(self, now_s: int) -> None:
        """Half a minute after a refill the rate after it is known too: count the mean of both."""
        if self._review is None or now_s - self._review[0].to_s < REVIEW_S:
            return
        record, before, u_before = self._review
        self._review = None
        history = self._account.history
        after = (history.at(now_s - 1) - history.at(record.to_s)) / (now_s - 1 - record.to_s)
        seconds = record.to_s - record.from_s
        delta = (after - before) * seconds / 2.0
        # Nobody knows when it changed from one to the other.
        var = (delta * delta - (u_before * seconds) ** 2 / 2.0) if abs(delta) > u_before * seconds else 0.0
        record.counted += delta
        record.expected += delta
        record.expected_var += var
        record.estimated += delta
        record.var += var
        self._account.adjust(record.from_s, record.to_s, delta, var, delta)

    def _scooped_beside(self, e: Episode) -> None:
        """Credit a tub's refill with the scoops seen beside it, and with those that the pace misses."""
        rate, noise = self._rate, self._noise
        flat = max(4.0 * self._know.resolution, 6.0 * noise.sigma, 20_000.0)
        seen = refill(e.level, e.tail, noise.interval_s or 0.2, flat=flat, scoop=rate.scoop_mg)
        missed = max(0.0, e.own * seen.blind_s - 0.75 * rate.scoop_mg)
        e.credit, e.rate = seen.weighed + missed, 0.0
        # One may have been taken unseen while it was poured in, by a second pair of hands, or not.
        e.told_u = (0.2 * rate.scoop_mg**2 + missed**2 / 3.0 + 0.2 * missed * rate.scoop_mg) ** 0.5

    def _fed_by_scoop(self, now_s: int) -> None:
        """A hopper that falls in steps time and again is a tub that a person feeds from, not as told."""
        self._falls = [*(fall for fall in self._falls if now_s - fall <= FALLS_S), now_s]
        if len(self._falls) >= FALLS:
            self._feed = FeedKind.TUB
            self._rate = Rate(scoops=True)
            self.view.by_scoop = True

    def _land(self, e: Episode, f: Plateau) -> None:
        """Be steady again on the plateau."""
        late = f.ago_s
        self._pace = f.climb or self._slope()
        self._level = f.level + self._pace * late
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
        f = Plateau(e.off_level, self._noise.r, now_s - e.off_s + 1.0, now_s)
        credit, u = self._account.splice(e, f)
        step, tare = e.off_level - e.level, self.view.tare_mg
        if self.view.tare_mg is not None:
            self.view.tare_mg += step
        self._level, self._level_var = mean + 0.5 * self._slope(), self._noise.r + self._noise.q
        self._account.redraw(e.start_s, self._account.delivered(self._level))
        self._steady_again(now_s)
        event = Recognised("tare-pressed", e.start_s, e.off_s, step, credit, u, estimated=credit > 0.0)
        return [self._note(event, e, f, credit, u, tare=(tare, self._stood_s))]

    def _matching(self, mass: float) -> Record | None:
        """The latest estimate that a pour of ``mass`` may be the weighing of."""
        for record in reversed(self._credits):
            if 0.3 * record.estimated <= mass <= 2.5 * record.estimated:
                return record
        return None

    def _by_chance(self, e: Episode, f: Plateau) -> float:
        """What a bump's time may bring above the expectation (mg): three standard deviations."""
        return 3.0 * float((e.credit_u() ** 2 + self._account.gain**2 * (e.level_var + f.var)) ** 0.5)

    def _caught(self, e: Episode, f: Plateau, record: Record) -> list[Recognised]:
        """Caught product was poured in with a jump: the base holds, the estimate makes way."""
        self._account.keep(e)
        late = f.ago_s
        mass = (f.level - e.level) * self._account.gain - e.credit + e.rate * late
        self._land(e, f)
        return [self._replace(record, mass, e.start_s, f.now_s, e.credit_u() ** 2)]

    def _poured(self, now_s: int) -> list[Recognised]:
        """Caught product poured in too gently for the gate."""
        self._credits = [r for r in self._credits if r.estimated > 0.0 and now_s - r.to_s <= CATCH_S]
        if not self._credits:
            return []
        noise, gain = self._noise, self._account.gain
        means = noise.means(NEEDED)
        seen = find_pour(means, now_s, q=noise.q, r=noise.r, gain=gain)
        pour = self._pour
        if seen is not None and (pour is None or seen.clear >= pour.clear):
            self._pour = seen
            return []
        if pour is None or now_s - pour.end_s < AFTER + PATIENCE_S:
            return []
        self._pour = None
        pour = weigh_pour(means, now_s, pour, q=noise.q, r=noise.r, gain=gain)
        record = self._matching(pour.mass)
        if record is None or not unusual(self._account.history, pour):
            return []
        return [self._replace(record, pour.mass, pour.end_s - pour.width_s, pour.end_s, pour.var)]

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

    def _note(
        self,
        event: Recognised,
        e: Episode,
        f: Plateau,
        counted: float,
        u: float = 0.0,
        *,
        tare: tuple[float | None, int] | None = None,
    ) -> Recognised:
        """Enter an event in the ledger; ``tare``: the tare and age of the container before, where spliced."""
        account, now = self._account, self.view.tare_mg
        before, since_s = (now, self._stood_s) if tare is None else tare
        # What was weighed through ends at the level of now, what was spliced at the plateau.
        kept = tare is None and self._episode is None
        step = self._level - e.level if kept else event.step_mg
        record = Record(
            0, event.from_s, event.to_s, step * account.scale, e.credit if tare is None else counted, counted,
            u * u, counted if event.estimated else 0.0,
            shown=event.step_mg, expected_var=e.credit_u() ** 2 if tare is None else u * u,
            step_var=account.gain**2 * (e.level_var + f.var), spliced=tare is not None, after=f.level,
            tare_before=before, tare_found=now, tare=now, since_s=since_s, feed=self._feed is not None,
        )  # fmt: skip
        return self._ledger.enter(event, record)
