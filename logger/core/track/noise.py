"""How much a scale's readings scatter, and how lumpily mass arrives, learned while it runs.

Model of the one-second means z: a random walk with drift (product in lumps, variance ``q`` a second)
plus noise of variance ``r`` (resolution, vibration). A second difference over a lag l removes any
steady rate: Var(z[k] - 2 z[k-l] + z[k-2l]) = 2 q l + 6 r. Two lags tell q and r apart. A vibration of
4-5 Hz sampled at 5 Hz aliases to a slow beat that stays within one second almost still, so the scatter of
readings within a second understates the noise; the differences over three seconds hold the beat, unless it
is slower still. That is learned while nothing flows, from means 11 and 20 s apart.
"""

from __future__ import annotations

from operator import eq

# Mean range of n normal values in units of their standard deviation (control chart constant d2; memory).
_D2 = (1.0, 1.0, 1.128, 1.693, 2.059, 2.326, 2.534, 2.704, 2.847, 2.970, 3.078)
_SHORT, _LONG = 3, 8  # lags in seconds
_SLOW = (11, 20)
_MEMORY = 240  # seconds over which variances are averaged
_CLIP = 9.0  # a squared residual counts at most this many times the present variance


class Noise:
    """All in mg: ``sigma`` of one reading, ``r`` of a second's mean and ``q`` a second as variances.

    ``lump_mg`` is the assumed dispersion of the product's lumps before there is evidence: 6 g (assumed).
    """

    def __init__(self, resolution_mg: float, interval_s: float | None, lump_mg: float = 6000.0) -> None:
        self.floor = resolution_mg * resolution_mg / 12.0  # variance of a digital reading of that step
        self.lump_mg = lump_mg
        self.within = self.floor
        self.r = self.floor
        self.q = 0.0
        self.sigma = (2.0 * self.floor) ** 0.5
        self.interval_s = interval_s or 0.0
        self.same_count = 0
        self.p_same = 0.0
        self._told = interval_s is not None
        self._means: list[float] = []
        self.beat = 0.0  # variance of a level beyond r that a few seconds do not average out
        self.beat4 = self.beat12 = 0.0  # what of it is left in a mean over 4 and over 12 s
        self._slow4 = self._slow12 = 0.0
        self._slow4_count = self._slow12_count = 0
        self._slow, self._slow_count = 0.0, 0
        self._short = self._long = 6.0 * self.floor
        self._count = 0
        self._span_n = 0
        self._pairs = self._same = 0.0
        self._last: int | None = None

    def timing(self, count: int) -> None:
        """Learn the interval between readings from how many came in a second."""
        if count and not self._told:
            seen = 1.0 / count
            self.interval_s += (seen - self.interval_s) * (0.05 if self.interval_s else 1.0)

    def repeats(self, values: list[int], idle: bool) -> None:
        """Count identical readings in a row; while nothing flows, learn how often one repeats."""
        first, n = values[0], len(values)
        if values.count(first) == n:
            self.same_count = self.same_count + n if first == self._last else n
        else:
            last, run = values[-1], 0
            for value in reversed(values):
                if value != last:
                    break
                run += 1
            self.same_count = run
        if idle and n > 1:
            self._pairs = self._pairs * 0.999 + n - 1
            self._same = self._same * 0.999 + sum(map(eq, values, values[1:]))
            if self._pairs > 100:
                self.p_same = self._same / self._pairs
        self._last = values[-1]

    def steady(self, mean: float, span: float, count: int, *, rate: float, idle: bool) -> None:
        """Learn from an undisturbed second: its mean, its span, and the rate (mg/s) at the time."""
        if count > 1:
            sd = max(0.0, span - abs(rate) * (1.0 - 1.0 / count)) / (_D2[count] if count < 11 else 3.2)
            self._span_n += 1
            gain = max(1.0 / self._span_n, 1.0 / _MEMORY)
            self.within += (min(sd * sd, 25.0 * self.within + self.floor) - self.within) * gain
        means = self._means
        means.append(mean)
        n = len(means)
        if n > 2 * _LONG:
            self._count += 1
            gain = max(1.0 / (self._count + 4), 1.0 / _MEMORY)
            e = mean - 2.0 * means[n - 1 - _SHORT] + means[n - 1 - 2 * _SHORT]
            self._short += (min(e * e, _CLIP * self._short) - self._short) * gain
            e = mean - 2.0 * means[n - 1 - _LONG] + means[n - 1 - 2 * _LONG]
            self._long += (min(e * e, _CLIP * self._long) - self._long) * gain
            if idle and n > 2 * _SLOW[1] and n % 4 == 0:
                self._learn_slow(mean, means)
            if n > 200:
                del means[: n - 2 * _SLOW[1] - 1]
        self._split(abs(rate))

    def _learn_slow(self, mean: float, means: list[float]) -> None:
        for lag in _SLOW:
            e = mean - 2.0 * means[-1 - lag] + means[-1 - 2 * lag]  # blind to a trend
            self._slow_count += 1
            gain = max(1.0 / self._slow_count, 0.02)
            self._slow += (min(e * e / 6.0, _CLIP * max(self._slow, self.r)) - self._slow) * gain
        self.beat = max(0.0, self._slow - self.r) if self._slow_count > 8 else 0.0
        n = len(means)
        a, b, c = (sum(means[n - 4 * k - 4 : n - 4 * k]) / 4.0 for k in range(3))
        self._slow4_count += 1
        gain = max(1.0 / self._slow4_count, 0.02)
        self._slow4 += ((a - 2.0 * b + c) ** 2 / 6.0 - self._slow4) * gain
        left = max(0.0, min(self._slow4 - self.r / 4.0, self.beat))
        self.beat4 = left if self._slow4_count > 4 else self.beat
        if n >= 36:
            a, b, c = (sum(means[n - 12 * k - 12 : n - 12 * k]) / 12.0 for k in range(3))
            self._slow12_count += 1
            gain = max(1.0 / self._slow12_count, 0.02)
            self._slow12 += ((a - 2.0 * b + c) ** 2 / 6.0 - self._slow12) * gain
        left = max(0.0, min(self._slow12 - self.r / 12.0, self.beat4))
        self.beat12 = left if self._slow12_count > 4 else self.beat4

    def _split(self, rate: float) -> None:
        """Divide the two variances into lumps and noise; before there is evidence lean on the assumption."""
        q = max(0.0, (self._long - self._short) / (2.0 * (_LONG - _SHORT)))
        trust = self._count / (self._count + 60.0)
        q = trust * q + (1.0 - trust) * rate * self.lump_mg
        self.r = max((self._short - 2.0 * _SHORT * q) / 6.0, 0.1 * self.within, 0.25 * self.floor)
        # However still it was, the level's memory stays short: four seconds at most.
        self.q = max(q, 0.1 * rate * self.lump_mg, 0.08 * self.r)
        self.sigma = (max(self.within, self.floor) + self.r) ** 0.5

    def means(self, count: int) -> list[float]:
        """The latest one-second means of this undisturbed stretch, oldest first."""
        return self._means[-count:]

    def broken(self) -> None:
        """The stretch ended: differences must not reach across it."""
        self._means.clear()
