"""How strongly the feed beats at periods of 5 to 100 s, beside its own past: for an auger, say, with a lump.

Power of a period P over a stretch of T s is |sum f(t) exp(-2 pi i t / P)|^2 / T, f being the feed second by
second and T whole periods (Schuster 1898, from memory): a variance with two degrees of freedom, which lumps
and readings give the same mean at every period, and a beat of amplitude A adds A^2 T / 4 to. So what a
period's own past lacks in stretches the other periods lend (`LENT` stretches' worth).
"""

from __future__ import annotations

from collections import deque
from functools import cache
from math import cos, exp, pi, sin, sqrt

from logger.core.rules.feed_scatter import KNOWN, MEMORY_S, OLD_S, Pulses, ratio_nats
from logger.core.rules.past import Past

PERIODS_S = (5, 6, 7, 8, 10, 12, 14, 17, 20, 24, 29, 35, 42, 50, 60, 72, 86, 100)
LEAST_S = 90  # a stretch lasts so long at least
CYCLES = 4  # and so many periods
COUNTS = (2, 3, 4, 6)
LENT = 8.0


class Beat:
    """One period: the powers of the last ten minutes, and their past."""

    def __init__(self, period_s: int) -> None:
        self.period_s = period_s
        self.stretch_s = period_s * max(CYCLES, -(-LEAST_S // period_s))
        self.recent: deque[tuple[int, float, float]] = deque(maxlen=OLD_S // self.stretch_s + 2)
        self.weight = self.sum_power = self.sum_rate = 0.0

    def take(self, past: Past, end_s: int) -> None:
        """Take the stretch that ended then; it must be undisturbed."""
        start = end_s - self.stretch_s
        rate = past.got(start, end_s) / self.stretch_s
        turns, x, y = _turns(self.period_s), 0.0, 0.0
        for k in range(self.stretch_s):
            moved = past.got(start + k, start + k + 1) - rate
            turn = turns[k % self.period_s]
            x, y = x + moved * turn[0], y + moved * turn[1]
        self.recent.append((end_s, (x * x + y * y) / self.stretch_s, rate))

    def remember(self, before_s: int) -> None:
        """Take what ended before that second into the past."""
        keep = exp(-self.stretch_s / MEMORY_S)
        while self.recent and self.recent[0][0] < before_s:
            _, power, rate = self.recent.popleft()
            self.weight = self.weight * keep + 1.0
            self.sum_power = self.sum_power * keep + power
            self.sum_rate = self.sum_rate * keep + rate

    def look(self, count: int, level: float) -> Pulses | None:
        """The last ``count`` stretches beside the past; ``level`` (mg^2/s) is the power at other periods."""
        if len(self.recent) < count or self.weight < 0.5 * KNOWN or self.sum_rate <= 0.0:
            return None
        latest = list(self.recent)[-count:]
        v1, rate = sum(p for _, p, _ in latest) / count, sum(r for _, _, r in latest) / count
        usual_rate = self.sum_rate / self.weight
        if rate <= 0.0:
            return None
        more = max(rate / usual_rate, 1.0) ** 2
        v2 = max((self.sum_power + LENT * level) / (self.weight + LENT) * more, 1.0)
        nats = ratio_nats(2.0 * count, v1, 2.0 * (self.weight + LENT), v2)
        now = 2.0 * sqrt(max(v1 - v2, 0.0) / self.stretch_s) / rate
        usual = 2.0 * sqrt(max(v2 - level * more, 0.0) / self.stretch_s) / rate
        rest = (v1 * count - max(power for _, power, _ in latest)) / (count - 1)
        return Pulses(nats, True, self.period_s, self.stretch_s * count, now, usual, rest / v2)


@cache
def _turns(period_s: int) -> list[tuple[float, float]]:
    return [(cos(2.0 * pi * k / period_s), sin(2.0 * pi * k / period_s)) for k in range(period_s)]


def usual_level(beats: list[Beat]) -> float | None:
    """The median of the usual powers over all periods known (mg^2/s): what lumps and readings give."""
    known = sorted(each.sum_power / each.weight for each in beats if each.weight >= 0.5 * KNOWN)
    return known[len(known) // 2] if known else None
