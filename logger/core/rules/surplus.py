"""An outlet that delivers more than its share: how odd that is, and what came over a longer time.

The mirror image of `notice.evidence`: lumps of exponential mass arriving at random have
log E exp(u X) / E X = u / (1 - phi u / 2), so that Chernoff's bound on the chance that a stream which ought
to bring A brings D > A is exp(-max_u [u D - A k - c^2 A^2 k^2 / 2 - V u^2 / 2]), k = u / (1 - phi u / 2);
V is the variance of D by reading noise, c the relative wander of A. Source: our own derivation from
Chernoff's bound (Chernoff 1952, from memory).
"""

from __future__ import annotations

from math import sqrt

from logger.core.rules.contract import OutletNow
from logger.core.rules.expected import ExpectedFlow

WANDER_LEAST = 0.10  # slow surging sets the tail of false alarms, as of `outlet_not_delivering`
STEPS = 40


def surplus_nats(
    expected_mg: float, delivered_mg: float, variance_mg2: float, phi_mg: float, wander: float = 0.0
) -> float:
    """How much (in nats) a surplus speaks against an outlet that delivers as expected; 0 where D <= A.

    The maximum of a concave function of u below 2 / phi, by golden section; any u gives a lower bound.
    """
    if delivered_mg <= expected_mg or expected_mg < 0.0:
        return 0.0
    half_phi = 0.5 * max(phi_mg, 1e-9)
    spread = 0.5 * (wander * expected_mg) ** 2

    def found(u: float) -> float:
        k = u / (1.0 - half_phi * u)
        return u * delivered_mg - expected_mg * k - spread * k * k - 0.5 * variance_mg2 * u * u

    low, high = 0.0, (1.0 - 1e-9) / half_phi
    ratio = (sqrt(5.0) - 1.0) / 2.0
    a, b = high - ratio * (high - low), low + ratio * (high - low)
    at_a, at_b = found(a), found(b)
    for _ in range(STEPS):
        if at_a >= at_b:
            high, b, at_b = b, a, at_a
            a = high - ratio * (high - low)
            at_a = found(a)
        else:
            low, a, at_a = a, b, at_b
            b = low + ratio * (high - low)
            at_b = found(b)
    return max(at_a, at_b, 0.0)


def most_between(expected: ExpectedFlow, number: int, from_s: int, to_s: int) -> float:
    """The most mass (mg) that any lag still credible lets one expect of an outlet in up to 720 s."""
    past = expected.outlets[number]
    most = expected.expected_between(number, from_s, to_s)
    if past is None or past.share is None or not expected.weighed:
        return max(most, 0.0)
    passed = max([expected.spread.passed(model, from_s, to_s) for model in past.scores.credible])
    return max(most, past.share * passed, 0.0)


class Since:
    """What an outlet delivered against what was due since a second, through whatever disturbed its scale.

    Delivered is the track's own account, with what it credits to changes of containers. `short_mg` is what
    is missing (negative: a surplus), `u_mg` its standard uncertainty: readings and splices, lumps, and the
    wander of the share. Nothing may teach the share meanwhile (`Lessons.hold`).
    """

    def __init__(self, expected: ExpectedFlow, number: int, from_s: int) -> None:
        self._expected = expected
        self._number = number
        self.from_s = self._to_s = from_s
        self.expected_mg = self.delivered_mg = 0.0
        self.most_short_mg = 0.0
        self.most_short_s = from_s
        self._u_mg = 0.0

    def take(self, now_s: int, outlet: OutletNow) -> None:
        """Go on to ``now_s``."""
        past = self._expected.outlets[self._number]
        if past is None or outlet.now is None or outlet.now.track is None:
            return
        while self._to_s < now_s:
            end = min(now_s, self._to_s + 600)
            self.expected_mg += self._expected.expected_between(self._number, self._to_s, end)
            self._to_s = end
        self.delivered_mg, self._u_mg, _ = outlet.now.track.tally(self.from_s, now_s)
        if self.short_mg > self.most_short_mg:
            self.most_short_mg, self.most_short_s = self.short_mg, now_s

    @property
    def short_mg(self) -> float:
        return self.expected_mg - self.delivered_mg

    @property
    def u_mg(self) -> float:
        past = self._expected.outlets[self._number]
        phi_mg = 0.0 if past is None else past.lumps.phi_mg
        wander = max(WANDER_LEAST, self._expected.wander(self._number))
        lumps = phi_mg * max(self.expected_mg, 0.0)
        return sqrt(self._u_mg**2 + lumps + (wander * self.expected_mg) ** 2)
