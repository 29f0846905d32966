"""The account of one channel: mass counted so far, its variance and its estimated part.

While nothing disturbs the scale, delivered = carried + gain * sign * (level - base): the error of the level
does not accumulate. A disturbance either keeps the base (weighed through) or moves it (a splice): then what
is believed to have passed meanwhile is added to ``carried`` and its variance to ``var``.
"""

from __future__ import annotations

from logger.core.track.drainage import Drainage
from logger.core.track.episode import Episode, Plateau
from logger.core.track.history import History


class Account:
    """All in mg (mg2). ``gain`` turns a change the scale shows into mass; ``sign`` is -1 for a feed."""

    def __init__(self, gain: float, sign: int, gain_u: float, drains: bool, history_s: int) -> None:
        self.scale = gain * sign
        self.gain = gain
        self.gain_u = gain_u  # relative standard uncertainty of the gain
        self.base = 0.0
        self.carried = 0.0
        self.var = 0.0
        self.estimated = 0.0
        self.drainage = Drainage(drains)
        self.history = History(history_s)

    def delivered(self, level: float) -> float:
        return self.carried + self.scale * (level - self.base)

    def rebase(self, level: float, delivered: float) -> None:
        """From now on the mass is ``delivered`` plus what the scale gains over ``level``."""
        self.base, self.carried = level, delivered

    def delivered_at(self, second: float) -> float:
        """Mass delivered at a second, less the water that has drained since or will."""
        mass = self.history.at(second)
        omega = self.drainage.omega_s
        return mass - omega * self.history.at(second, 3) if omega else mass

    def splice(self, e: Episode, f: Plateau) -> tuple[float, float]:
        """Move the base to the plateau, counting the expected mass: that and its uncertainty."""
        late = f.ago_s
        credit = e.credit - e.rate * min(late, e.seconds)
        u = e.credit_u(max(0.0, e.seconds - late))
        self.rebase(f.level, e.delivered + credit)
        self.var = e.var + u * u + self.gain**2 * (e.level_var + f.var)
        self.estimated = e.estimated + credit
        return credit, u

    def keep(self, e: Episode) -> None:
        """The base of the episode's beginning holds: all was weighed."""
        self.base, self.carried, self.var, self.estimated = e.base, e.carried, e.var, e.estimated

    def redraw(self, start_s: int, delivered: float) -> None:
        """Let the history run straight from ``start_s`` to what is believed now."""
        self.history.rewrite(start_s, (delivered, self.var, self.estimated, self.drainage.wet))

    def step(self, start_s: int, at_s: int, delivered: float) -> None:
        """Let the history stay as it was at ``start_s`` and step, in the second before ``at_s``, to what is
        believed now."""
        history = self.history
        history.rewrite(start_s, history.row(start_s), start_s + 1)
        values = (delivered, self.var, self.estimated, self.drainage.wet)
        history.rewrite(max(start_s, at_s - 1), values, at_s)

    def adjust(self, from_s: float, to_s: float, delta: float, var: float, estimated: float) -> None:
        """A correction: mass from ``to_s`` on changes by ``delta``, growing from ``from_s``."""
        self.carried += delta
        self.var += var
        self.estimated += estimated
        for column, change in enumerate((delta, var, estimated)):
            if change:
                self.history.shift(column, from_s, to_s, change)
