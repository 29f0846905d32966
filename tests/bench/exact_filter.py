"""The best that can be done about a stop, by brute force: a Bayes filter over the true level.

Before the stop lumps arrive at random (compound Poisson), afterwards fewer or none; readings show the level
with Gaussian noise, rounded. The filter keeps two densities of the level on a grid: f, that nothing has
happened, and g, the sum over all earlier times at which it may have happened, each weighed by the likelihood
of all readings. g's total R is the Shiryaev-Roberts statistic, whose mean in control grows by one a reading:
an alarm at R = A comes falsely once in A readings or more, whatever the distributions (Pollak 1985, from
memory), so nothing needs to be calibrated. It is asymptotically the best there is, as CUSUM is.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammaincc, ndtr

Array = NDArray[np.float64]
CELLS = 96  # of a sixth to an eighth of the noise: six standard deviations to either side
FFT = 1024


@dataclass(frozen=True)
class Cell:
    """An outlet and its scale: rate, dispersion of the lumps, noise, resolution, reading interval.

    Lumps have gamma masses: of ``shape`` 1 exponential, above more alike, below more unlike.
    """

    rate_kg_h: float
    phi_g: float
    sigma_g: float
    d_g: float
    interval_s: float = 0.2
    blocked: float = 1.0
    shape: float = 1.0

    @property
    def lump_g(self) -> float:
        """The mean lump: phi = E X^2 / E X = mean (1 + 1 / shape)."""
        return self.phi_g / (1.0 + 1.0 / self.shape)

    @property
    def grid_g(self) -> float:
        return float(np.sqrt(self.sigma_g**2 + self.d_g**2 / 12.0)) / 7.0


def _arrivals(cell: Cell, rate_kg_h: float) -> Array:
    """What one interval brings, as the spectrum of its distribution over the grid."""
    lump_g, g, shape = cell.lump_g, cell.grid_g, cell.shape
    edges = np.arange(FFT + 1) * g
    # each lump is shared between the two cells beside it so that its mean stays
    x = edges * shape / lump_g
    tail = lump_g * gammaincc(shape + 1.0, x) - edges * gammaincc(shape, x)  # E max(X - edge, 0)
    part = np.diff(tail) / g
    one = np.empty(FFT)
    one[0] = 1.0 + part[0]
    one[1:] = np.diff(part)
    count = rate_kg_h / 3.6 * cell.interval_s / lump_g
    return np.exp(count * (np.fft.rfft(one) - 1.0))


def delays_s(
    cell: Cell, hours: float, runs: int, seed: int, before_s: float = 90.0, after_s: float = 900.0
) -> Array:
    """Seconds from the stop to the alarm in each run: negative before it, infinite where none came.

    ``hours``: between false alarms.
    """
    rng = np.random.default_rng(seed)
    g, d = cell.grid_g, cell.d_g
    flowing = _arrivals(cell, cell.rate_kg_h)
    stopped = _arrivals(cell, (1.0 - cell.blocked) * cell.rate_kg_h)
    limit = hours * 3600.0 / cell.interval_s
    level = rng.uniform(0.0, d, runs)
    centre = np.round(level / g).astype(int) - CELLS // 2
    f = np.full((runs, CELLS), 1.0 / CELLS)
    s = np.zeros((runs, CELLS))
    change = round(before_s / cell.interval_s)
    found = np.full(runs, np.inf)
    alive = np.ones(runs, bool)
    for n in range(1, change + round(after_s / cell.interval_s)):
        level = level + _came(rng, cell, runs, n > change)
        z = np.round((level + rng.normal(0.0, cell.sigma_g, runs)) / d) * d
        now = np.round(z / g).astype(int) - CELLS // 2
        after = _moved(f + s, stopped, now - centre)  # a change may come at any reading
        f, centre = _moved(f, flowing, now - centre), now
        x = (centre[:, None] + np.arange(CELLS)) * g
        off = (z[:, None] - x) / cell.sigma_g
        half = 0.5 * d / cell.sigma_g
        seen = ndtr(off + half) - ndtr(off - half)
        f, s = f * seen, after * seen
        total = f.sum(axis=1, keepdims=True)
        f, s = f / total, s / total
        over = alive & (s.sum(axis=1) >= limit)
        found[over] = (n - change) * cell.interval_s
        alive &= ~over
        if not alive.any():
            break
    return found


def _came(rng: np.random.Generator, cell: Cell, runs: int, stopped: bool) -> Array:
    rate = cell.rate_kg_h * ((1.0 - cell.blocked) if stopped else 1.0)
    counts = rng.poisson(rate / 3.6 * cell.interval_s / cell.lump_g, runs)
    return np.where(counts > 0, rng.gamma(np.maximum(counts, 1) * cell.shape, cell.lump_g / cell.shape), 0.0)


def _moved(density: Array, spectrum: Array, by: NDArray[np.int_]) -> Array:
    """A density after one interval's arrivals, on the window of cells that has moved ``by`` so many."""
    whole = np.fft.irfft(np.fft.rfft(density, FFT, axis=1) * spectrum, FFT, axis=1)
    at = by[:, None] + np.arange(CELLS)
    inside = (at >= 0) & (at < FFT - CELLS)
    return np.where(inside, np.maximum(np.take_along_axis(whole, np.clip(at, 0, FFT - 1), 1), 0.0), 0.0)
