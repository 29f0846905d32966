"""Water that a draining container holds for a while, learned from how the weight falls after a stop.

Product falls into a basket or bag with water that takes seconds to minutes to run out. At a steady rate the
container so holds ``omega`` seconds' worth of flow in free water, which is counted, for it is weighed; when
the flow stops the weight falls by omega * rate. Taken along by each container that is changed, it adds up:
delivered is too high by omega * ``wet``, where ``wet`` is the sum of the rates at which containers left
plus the rate at which the present one fills.

Until such a fall was seen omega is taken for 3 s with a standard uncertainty of 6 s (common practice, no
source: free water of 10 to 30 % that runs out in 10 to 60 s). A fall after an abrupt stop shows omega;
a slow stop hides part of the fall behind the last product, so it only shows the least omega can be.
"""

from __future__ import annotations

from logger.core.track.history import History

GUESS_S, GUESS_U_S = 3.0, 6.0
MOST_S = 40.0
FILL_S = 25.0  # time constant with which the present container's water follows the rate
STOPPED_S = 90  # no new peak for so long: the flow has stopped, and most of the water is out


class Drainage:
    """``active``: the container drains. Masses in mg, rates in mg/s."""

    def __init__(self, active: bool) -> None:
        self.active = active
        self.omega_s = GUESS_S if active else 0.0
        self.u_omega_s = GUESS_U_S if active else 0.0
        self.fills = 0.0  # rate in the present container's water
        self.left = 0.0  # sum of the rates at which containers left
        self._last: float | None = None
        self._top = self._low = self._sharpest = 0.0
        self._top_s = self._last_s = 0

    @property
    def wet(self) -> float:
        return self.left + self.fills

    def changed(self) -> None:
        """The container left with its water."""
        self.left += self.fills
        self.fills = 0.0

    def broken(self) -> None:
        """The level moved for another reason."""
        self._last = None

    def follow(self, now_s: int, mass: float, noise: float, history: History) -> None:
        """Take a second's level as mass; ``noise``: its standard uncertainty."""
        if not self.active:
            return
        last = self._last
        if last is None:
            self._last = self._top = self._low = mass
            self._last_s = now_s
            self._top_s, self._sharpest = now_s, 0.0
            return
        passed_s = max(1, now_s - self._last_s)
        rate = (mass - last) / passed_s  # what came while nothing was weighed came evenly
        self._last, self._last_s = mass, now_s
        self.fills = max(0.0, rate + (self.fills - rate) * (1.0 - 1.0 / FILL_S) ** passed_s)
        if mass >= self._top:
            self._top = self._low = mass
            self._top_s, self._sharpest = now_s, 0.0
            return
        self._low = min(self._low, mass)
        self._sharpest = max(self._sharpest, last - mass)
        fall = self._top - self._low - 2.0 * noise
        if now_s - self._top_s == STOPPED_S or (now_s - self._top_s) % 120 == 0:
            self._learn(fall, noise, history)

    def _learn(self, fall: float, noise: float, history: History) -> None:
        if self._sharpest > max(0.4 * fall, 3.0 * noise):
            return  # something was taken out
        # The rate that filled it: the largest of late, for a stop may be slow and the peak come after it.
        ends = range(self._top_s - 30, max(self._top_s - 450, history.fine_s + 120), -60)
        rate = max(((history.at(end) - history.at(end - 120)) / 120.0 for end in ends), default=0.0)
        if rate * 2.0 < noise:
            return  # two seconds' worth would not be seen
        seen = min(max(fall, 0.0) / rate, MOST_S)
        late = (history.at(self._top_s) - history.at(self._top_s - 30)) / 30.0
        if late > 0.7 * rate:
            self.omega_s, self.u_omega_s = seen, max(1.5, 0.3 * seen)
        elif 1.3 * seen > self.omega_s:  # a third more than it showed: between nothing hidden and half
            self.omega_s, self.u_omega_s = min(1.3 * seen, MOST_S), max(2.5, 0.6 * seen)
