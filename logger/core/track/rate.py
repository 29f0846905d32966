"""The rate of delivery: over a window just long enough, and what to expect while nothing is weighed."""

from __future__ import annotations

from itertools import pairwise

from logger.core.track.history import History

WINDOWS_S = (10, 20, 40, 80, 160, 320)
GOOD = 0.10  # relative standard uncertainty that is good enough to stop lengthening the window
OWN_S = (20, 40, 80, 160)
_BLOCK_S = 30
_EXPECT_S = 60.0  # memory of the ratio between own and expected rate


class Rate:
    """Delivered mass over a window, divided by it (mg/s).

    Mass in lumps is a random walk about its mean, so the difference of the two ends is the best estimate
    there is: u^2 = (q W + 2 P) / W^2, with q the variance a second and P that of a level. For scoops of
    mass s: (s^2/6 + s rate W / 10) / W^2, a scoop more or less at either end and sizes that vary.
    """

    def __init__(self, scoops: bool) -> None:
        self.mg_s = 0.0
        self.u_mg_s = 0.0
        self.window_s = 0.0
        self.scoop_mg = 500_000.0 if scoops else 0.0
        self._first = 3 if scoops else 0
        self._own = self._given = 0.0
        self._seen = 0

    def update(self, history: History, delivered: float, q: float, level_var: float, steady_s: float) -> None:
        """Choose the window; ``steady_s`` is how long there has been anything to see."""
        fine, n = history.fine[0], len(history.fine[0])
        for window in WINDOWS_S[self._first :]:
            w = min(window, n - 1)
            if w < 2:
                return
            rate = (delivered - fine[n - 1 - w]) / w
            if self.scoop_mg:
                var = self.scoop_mg * (self.scoop_mg / 6.0 + 0.1 * abs(rate) * w)
            else:
                var = q * w + 2.0 * level_var
            u = var**0.5 / w
            if u < GOOD * abs(rate) or w < window or w > steady_s:
                break
        self.mg_s, self.u_mg_s, self.window_s = rate, u, float(w)

    def lumps(self, q: float) -> float:
        """Variance a second of what arrives: scoops are even in mass, and come evenly."""
        return 0.2 * self.scoop_mg * abs(self.mg_s) if self.scoop_mg else q

    def scoop(self, mass: float) -> None:
        """Learn what a scoop weighs (mg)."""
        self.scoop_mg += 0.1 * (mass - self.scoop_mg)

    def compare(self, expected: float | None) -> None:
        """Learn, while undisturbed, how the own rate stands to the expected one."""
        if expected is None:
            self._seen = 0
            return
        self._seen += 1
        gain = max(1.0 / self._seen, 1.0 / _EXPECT_S)
        self._own += (self.mg_s - self._own) * gain
        self._given += (expected - self._given) * gain

    def own(self, history: History, second: int, q: float, level_var: float) -> tuple[float, float]:
        """Mean rate before ``second`` and its standard uncertainty.

        Over the longest window that still agrees with the shorter ones, so that a rate that has just changed
        is not averaged away; but no more than what the last ten minutes know, for after a clog a surge
        is no rate to expect.
        """
        reach = min(second, history.last_s or second) - history.fine_s
        mean = u = 0.0
        for window in OWN_S[1 if self.scoop_mg else 0 :]:
            if window > reach and u:
                break
            w = max(2, min(window, reach))
            rate = (history.at(second) - history.at(second - w)) / w
            u_rate = (q * w + 2.0 * level_var) ** 0.5 / w
            if u and abs(rate - mean) > 3.0 * (u * u - u_rate * u_rate) ** 0.5:
                break
            mean, u = rate, u_rate
        if reach >= 5 * _BLOCK_S:
            marks = [history.at(second - _BLOCK_S * i) for i in range(1, min(20, reach // _BLOCK_S) + 1)]
            usual = max((a - b) / _BLOCK_S for a, b in pairwise(marks))
            if mean > 2.0 * max(0.0, usual) + 3.0 * u:
                return max(0.0, usual), max(u, 0.4 * usual)
        return max(0.0, mean), u

    def expect(self, own: float, expected: float | None) -> float:
        """The rate to count with now: the fold's expectation, corrected by how this outlet answered to it."""
        if expected is None:
            return own
        if self._seen < 30 or self._given <= 0.0:
            return max(0.0, expected)
        return max(0.0, expected) * min(1.5, max(0.0, self._own / self._given))
