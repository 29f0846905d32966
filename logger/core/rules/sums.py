"""Cumulative sums that look for a shortfall from every second at once: CUSUM, one for each tilt u.

For lumps of exponential mass that arrive at random, exp(A k(u) - u D), k = u / (1 + phi u / 2), has the
mean 1 while the stream flows as expected (A expected, D delivered): Chernoff's bound, and Wald's martingale.
So for one u the sum of (a k - u d) over seconds, set back to nought whenever it falls below it, is a CUSUM
(Page 1954, from memory), and looks at windows of every length at once. Which u speaks loudest depends on how
much was blocked and on phi and the reading noise, so a bank of them is kept. Kept are the masses A and D, not
the sums, so that phi may be learned meanwhile.
"""

from __future__ import annotations

from math import sqrt

TILTS = 9
BACK_S = 3  # a disturbance is seen up to so late
_KEPT = BACK_S + 1


class Sums:
    """One outlet's bank. Masses in mg, tilts in 1/mg."""

    def __init__(self) -> None:
        self._phi = self._var = 0.0
        self.tilts: list[float] = []
        self._pulls: list[float] = []  # k(u)
        self.expected = [0.0] * TILTS
        self.delivered = [0.0] * TILTS
        self.since_s = [0] * TILTS
        self._past: list[tuple[list[float], list[float], list[int]]] = []

    def clear(self) -> None:
        """Begin anew: nothing from before counts."""
        self.expected = [0.0] * TILTS
        self.delivered = [0.0] * TILTS
        self._past.clear()

    def back(self) -> None:
        """The latest seconds turn out to be disturbed: forget them."""
        if self._past:
            self.expected, self.delivered, self.since_s = self._past[0]
            self._past.clear()

    def suit(self, phi_mg: float, variance_mg2: float) -> None:
        """Choose tilts that suit lumps of ``phi_mg`` and a variance of D by reading noise."""
        if abs(phi_mg - self._phi) < 0.05 * self._phi and abs(variance_mg2 - self._var) < 0.1 * self._var:
            return
        self._phi, self._var = phi_mg, variance_mg2
        noise = sqrt(max(variance_mg2, 1.0))
        low = min(0.3 / phi_mg, 2.0 / noise)
        high = max(min(30.0 / phi_mg, 5.0 / noise), 4.0 * low)
        step = (high / low) ** (1.0 / (TILTS - 1))
        self.tilts = [low * step**k for k in range(TILTS)]
        self._pulls = [u / (1.0 + 0.5 * phi_mg * u) for u in self.tilts]

    def add(self, now_s: int, expected_mg: float, delivered_mg: float) -> None:
        """Take the second that ended."""
        self._past.append((self.expected[:], self.delivered[:], self.since_s[:]))
        if len(self._past) > _KEPT:
            del self._past[0]
        a, d, since = self.expected, self.delivered, self.since_s
        for k, u in enumerate(self.tilts):
            pull = self._pulls[k]
            expected, delivered = a[k] + expected_mg, d[k] + delivered_mg
            if expected * pull > u * delivered:
                if a[k] == 0.0 and d[k] == 0.0:
                    since[k] = now_s - 1
                a[k], d[k] = expected, delivered
            else:
                a[k] = d[k] = 0.0

    def begun(self, nats: float) -> list[int]:
        """Since when the sums that reach ``nats`` have grown, each second once; [] where none does."""
        found: list[int] = []
        for u, pull, a, d, start in zip(  # before the first `suit` there are no tilts
            self.tilts, self._pulls, self.expected, self.delivered, self.since_s, strict=False
        ):
            if a * pull - u * d >= nats and start not in found:
                found.append(start)
        return found
