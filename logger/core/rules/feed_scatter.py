"""How much what is fed in blocks of 3 to 48 s scatters, beside the feed's own past: for irregular pulses.

d = (x2 - x1)^2 / 2 of two neighbouring blocks is a variance with one degree of freedom that a slow drift does
not touch (Allan 1966, from memory). Lumps are no Gaussian noise: each d counts for 2 / (relative variance of
the d, or of the means of four) degrees of freedom, as learned, and for one at most. What the scale's own
noise grew by is allowed for, and so is a higher mean.
"""

from __future__ import annotations

from collections import deque
from math import exp, log, sqrt
from typing import NamedTuple

BLOCKS_S = (3, 6, 12, 24, 48)
COUNTS = (3, 4, 6, 8, 12, 16, 24, 32, 48, 64, 96)
OLD_S = 600
MEMORY_S = 7200.0
KNOWN = 6.0  # of the past before anything is judged
NOISE = 3.0  # a second difference of levels has 6 times their variance, and d is half of its square
GAUSSIAN = 2.0  # relative variance of a square of a Gaussian
ASSUMED = 4.0  # before it is learned
PRIOR = 10.0  # pairs that the assumption is worth


def ratio_nats(f1: float, v1: float, f2: float, v2: float) -> float:
    """Likelihood ratio (nats) of two variances with f1 and f2 degrees of freedom; 0 where v1 is not more.

    1/2 [(f1 + f2) ln v - f1 ln v1 - f2 ln v2], v their pooled mean: Bartlett 1937, from memory.
    """
    if v1 <= v2 or v2 <= 0.0:
        return 0.0
    v = (f1 * v1 + f2 * v2) / (f1 + f2)
    return 0.5 * ((f1 + f2) * log(v) - f1 * log(v1) - f2 * log(v2))


class Pulses(NamedTuple):
    """What was found: ``now`` and ``usual`` relative to the mean; ``times`` the ratio of variances
    without the largest, because a feed that changed its mean is no pulse."""

    nats: float
    periodic: bool
    block_s: int  # length of a block, or the period
    window_s: int
    now: float
    usual: float
    times: float


class Pair(NamedTuple):
    end_s: int
    d_mg2: float
    mean_mg: float  # of its two blocks
    noise_mg2: float


class Scatter:
    """One length of blocks: the pairs of the last ten minutes, and the past they came after."""

    def __init__(self, block_s: int) -> None:
        self.block_s = block_s
        self.recent: deque[Pair] = deque(maxlen=OLD_S // (2 * block_s) + 2)
        self.weight = self.sum_d = self.sum_dd = self.sum_mean = self.sum_noise = 0.0
        self._four: list[float] = []
        self._fours = self._sum_four = 0.0  # of squared means of four, relative

    def remember(self, before_s: int) -> None:
        """Take pairs that ended before that second into the past."""
        while self.recent and self.recent[0].end_s < before_s:
            pair = self.recent.popleft()
            keep = exp(-2.0 * self.block_s / MEMORY_S)
            self.weight = self.weight * keep + 1.0
            self.sum_d = self.sum_d * keep + pair.d_mg2
            self.sum_dd = self.sum_dd * keep + pair.d_mg2**2
            self.sum_mean = self.sum_mean * keep + pair.mean_mg
            self.sum_noise = self.sum_noise * keep + pair.noise_mg2
            self._four.append(pair.d_mg2)
            if len(self._four) == 4:
                of_usual = sum(self._four) / 4.0 * self.weight / max(self.sum_d, 1.0)
                self._fours = self._fours * keep**4 + 1.0
                self._sum_four = self._sum_four * keep**4 + (of_usual - 1.0) ** 2
                self._four.clear()

    def _worth(self) -> float:
        """Degrees of freedom of a pair."""
        mean = self.sum_d / self.weight
        single = self.sum_dd / self.weight / max(mean * mean, 1.0) - 1.0
        odd = (single * self.weight + ASSUMED * PRIOR) / (self.weight + PRIOR)
        fours = 4.0 * self._sum_four
        together = (fours + ASSUMED * PRIOR / 4.0) / (self._fours + PRIOR / 4.0)
        return GAUSSIAN / max(odd, together, GAUSSIAN)

    def look(self, count: int) -> Pulses | None:
        """The last ``count`` pairs beside the past; None where there are not enough of either."""
        if len(self.recent) < count or self.weight < KNOWN or self.sum_mean <= 0.0:
            return None
        pairs = list(self.recent)[-count:]
        v1, mean = sum(p.d_mg2 for p in pairs) / count, sum(p.mean_mg for p in pairs) / count
        noise = sum(p.noise_mg2 for p in pairs) / count - self.sum_noise / self.weight
        usual_mean = self.sum_mean / self.weight
        more = max(mean / usual_mean, 1.0)
        v2 = self.sum_d / self.weight * more * more + NOISE * max(noise, 0.0)
        worth = self._worth()
        nats = ratio_nats(worth * count, v1, worth * self.weight, max(v2, 1.0))
        now = sqrt(v1) / max(mean, 1.0)
        # A step of the feed is in one pair alone.
        rest = (v1 * count - max(p.d_mg2 for p in pairs)) / (count - 1)
        span_s = 2 * self.block_s * count
        return Pulses(nats, False, self.block_s, span_s, now, sqrt(v2) / usual_mean, rest / max(v2, 1.0))
