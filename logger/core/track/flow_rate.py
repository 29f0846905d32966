"""The rate of a flow meter: a short mean of what it shows, or of a total over a window just long enough."""

from __future__ import annotations

from math import sqrt

from logger.core.track.history import History

WINDOWS_S = (5, 10, 20, 40, 80, 160, 320)
GOOD = 0.02  # relative standard uncertainty that is good enough to stop lengthening the window
MEAN_S = 5
USUAL_S = 600.0


class FlowRate:
    """``l_min`` is None where it is not known.

    Of a flow: the mean of the last `MEAN_S` seconds; u^2 = d^2/12 + s^2/n. Of a total with step d: the
    difference over a window W, u = d/sqrt(6)/W (JCGM 100, F.2.2.1: a digital indication of step d has
    d/sqrt(12), and two are differenced); the window is the shortest whose u is 2 % of the rate, or of
    what usually flows, so that a stop of the flow is seen as soon as a change of it.
    """

    def __init__(self) -> None:
        self.l_min: float | None = None
        self.u_l_min = 0.0
        self.window_s = 0.0
        self.last_l_min = 0.0  # as last known
        self.usual_l_min = 0.0
        self._seen = 0
        self._second = 0
        self._sum = 0.0
        self._count = 0
        self._recent: list[tuple[int, float]] = []  # (second, mean of its readings)

    def shown(self, second: int, l_min: float) -> None:
        """A flow was shown."""
        if second != self._second:
            self._close()
            self._second, self._sum, self._count = second, 0.0, 0
        self._sum += l_min
        self._count += 1

    def _close(self) -> None:
        if self._count:
            self._recent = [*self._recent[1 - MEAN_S :], (self._second, self._sum / self._count)]
            self._count = 0

    def silent(self) -> None:
        """Nothing is known any more."""
        self.l_min, self.u_l_min = None, 0.0
        self._recent, self._count = [], 0

    def from_flow(self, now_s: int, resolution_l_min: float) -> None:
        """The rate of a meter that shows a flow."""
        self._close()
        means = [mean for second, mean in self._recent if now_s - second <= MEAN_S]
        if not means and self._recent:
            means = [self._recent[-1][1]]  # one that speaks seldom
        if not means:
            return
        n = len(means)
        rate = sum(means) / n
        var = sum((mean - rate) ** 2 for mean in means) / (n - 1) if n > 1 else 0.0
        self._set(rate, sqrt(resolution_l_min**2 / 12.0 + var / n), float(n))

    def from_total(self, history: History, step_l: float, interval_s: float) -> None:
        """The rate of a meter that shows a total, from its history."""
        newest, oldest = history.last_s, history.fine_s
        if newest is None or newest - oldest < 2:
            return
        tolerance = GOOD * self.usual_l_min
        for window in WINDOWS_S:
            w = min(window, newest - oldest)
            heard = w - (history.at(newest, 3) - history.at(newest - w, 3))
            if w < 2.0 * interval_s or heard < 0.5 * w:
                continue
            rate = 60.0 * (history.at(newest) - history.at(newest - w)) / heard
            u = 60.0 * step_l / sqrt(6.0) / heard
            self._set(rate, u, float(w), learn=False)
            if u <= max(tolerance, GOOD * abs(rate)) or w < window:
                break
        if self.l_min is not None:
            self._learn(self.l_min)

    def _set(self, rate: float, u: float, window_s: float, *, learn: bool = True) -> None:
        self.l_min, self.u_l_min, self.window_s = rate, u, window_s
        self.last_l_min = max(0.0, rate)
        if learn:
            self._learn(rate)

    def _learn(self, rate: float) -> None:
        self._seen += 1
        self.usual_l_min += (max(0.0, rate) - self.usual_l_min) * max(1.0 / self._seen, 1.0 / USUAL_S)
