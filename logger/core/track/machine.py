"""The states of a track, one step a state, and how an episode begins and ends.

While steady, a second in which nothing jumps updates a level: a Kalman filter with ``q`` from the product's
lumps and ``r`` from the noise. A jump that product cannot make begins an *episode*: the account stands still
as it was before (the last half second is distrusted, for a hand moves before the weight does), mass
is carried by expectation, and when the readings lie flat again `changes.judge` says what it was.
"""

from __future__ import annotations

from logger.core.track.changes import KG, judge
from logger.core.track.episode import Episode, plateau
from logger.core.track.recognise import Recogniser
from logger.core.track.view import Recognised, TrackState


class Machine(Recogniser):
    """One step a state."""

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
        self._stood_s = now_s
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
        self._past = [*self._past[-2:], (level, self._level_var, n, self._pace)]
        # The trend is as doubtful as the level's last move was unlike it.
        var = self._level_var + noise.q + 0.25 * (self._pace - slope) ** 2
        total = var + noise.r + 1e-9
        gain, surprise = var / total, mean - 0.5 * slope - level
        if surprise * surprise > 16.0 * total:  # a surge, or its end: follow
            gain = max(gain, 0.8)
        self._level = level + slope + gain * surprise
        self._level_var = var * (1.0 - gain)
        self._pace = self._level - level
        noise.steady(mean, high - low, n, rate=slope, idle=self._idle())
        if self._credits:
            return self._poured(now_s)
        if self._review is not None:
            self._reviewed(now_s)
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
            e.flat_s = 0
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
        if self._feed is not None or self._away_s is not None or now_s - e.off_s < 5:
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


STEPS = {
    TrackState.WAITING: Machine._wait,
    TrackState.STEADY: Machine._steady,
    TrackState.DISTURBED: Machine._disturbed,
    TrackState.OFF: Machine._off,
    TrackState.SILENT: Machine._silent,
    TrackState.FROZEN: Machine._thaw,
}
"""What a second means in each state."""
