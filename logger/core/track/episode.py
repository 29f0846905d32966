"""What is remembered of a disturbance while it lasts, and the flat stretch that ends it."""

from __future__ import annotations

from dataclasses import dataclass, field

WANDER = 0.12  # relative standard uncertainty of an expected rate: feeds and splits wander over minutes


@dataclass(slots=True)
class Episode:
    """A disturbance: the account as it stood before, and what was seen since. Masses in mg.

    ``credit`` is the mass expected to have passed since ``start_s``, ``rate`` the rate expected now
    (mg/s), ``u_rate`` its standard uncertainty and ``q`` the variance a second from lumps.
    """

    start_s: int
    level: float
    level_var: float
    delivered: float
    var: float
    estimated: float
    base: float
    carried: float
    rate: float
    u_rate: float
    q: float
    silent: bool = False
    own: float = 0.0  # the outlet's own rate before
    seconds: float = 0.0
    credit: float = 0.0
    low: float = 0.0
    high: float = 0.0
    dip: float = 0.0  # lowest reading between the last plateau and now
    off: bool = False  # the scale was seen empty
    off_level: float = 0.0  # and showed this
    off_s: int = 0
    flat_s: int = 0  # seconds for which the readings have been flat
    tail: list[int] = field(default_factory=list)
    means: list[float] = field(default_factory=list)  # of the latest seconds
    spans: list[float] = field(default_factory=list)
    steepest: float = 0.0  # largest rise from one second's mean to the next
    told_u: float | None = None  # standard uncertainty of a credit that was found in another way

    def credit_u(self, seconds: float | None = None) -> float:
        """Standard uncertainty of the credit: lumps, the rate's own, and its wander."""
        if self.told_u is not None:
            return self.told_u
        t = self.seconds if seconds is None else seconds
        return float((self.q * t + (self.u_rate * t) ** 2 + (WANDER * self.credit) ** 2) ** 0.5)

    def fell_s(self, now_s: int, level: float, near: float) -> int:
        """The second by whose end the weight had fallen to where it stayed since."""
        held = 0
        for mean, span in zip(reversed(self.means), reversed(self.spans), strict=True):
            if abs(mean - level) > near or span > 2.0 * near:
                break
            held += 1
        return now_s - held

    def take(self, values: list[int]) -> None:
        """Remember a second's readings."""
        low, high = min(values), max(values)
        self.low, self.high, self.dip = min(self.low, low), max(self.high, high), min(self.dip, low)
        mean = sum(values) / len(values)
        self.steepest = max(self.steepest, mean - (self.means[-1] if self.means else self.level))
        self.means.append(mean)
        self.spans.append(float(high - low))
        self.tail.extend(values)
        if len(self.tail) > 400:
            del self.tail[:200]
        if len(self.means) > 60:
            del self.means[:30], self.spans[:30]


@dataclass(frozen=True, slots=True)
class Plateau:
    """A flat stretch: its level (mg), the variance of that, how long ago its centre was, and now.

    ``climb`` (mg/s) is not 0 where it is not flat but rises as evenly as only pouring product does.
    """

    level: float
    var: float
    ago_s: float
    now_s: int
    climb: float = 0.0


FLAT_S = 1.5
MOST_CLIMB = 1e6  # mg/s: a surge of a kilogram a second is more than any deck lets go of


def plateau(
    e: Episode, now_s: int, interval_s: float, *, flat: float, noise_var: float, sign: int
) -> Plateau | None:
    """The flat or evenly climbing stretch the episode ends in, if it does.

    1.5 s of readings that lie within ``flat`` of a straight line, which may climb in the product's
    direction (``sign``). Where the readings scatter more than was learned, five seconds of like means
    and spans are taken for flat as well.
    """
    step = interval_s or 0.2
    need = max(3, int(FLAT_S / step + 0.999))
    if len(e.tail) < need:
        return None
    tail = e.tail[-need:]
    middle = (need - 1) / 2.0
    mean = sum(tail) / need
    tilt = sum((i - middle) * x for i, x in enumerate(tail)) * 12.0 / (need * (need * need - 1.0))
    rest = [x - mean - tilt * (i - middle) for i, x in enumerate(tail)]
    climbed = tilt * need
    if max(rest) - min(rest) <= flat and -flat < climbed * sign < MOST_CLIMB * FLAT_S:
        climb = tilt / step if abs(climbed) > flat else 0.0
        return Plateau(mean, noise_var, step * need / 2.0, now_s, climb)
    means, spans = e.means[-5:], e.spans[-5:]
    if len(e.means) < 8:
        return None
    wide = max(spans)
    if min(spans) < 0.4 * wide or max(means) - min(means) > 0.3 * wide:
        return None
    return Plateau(sum(means) / 5.0, wide * wide / 80.0, 2.5, now_s)
