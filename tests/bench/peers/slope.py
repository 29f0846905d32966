"""The slope of the weight over a sliding window, beside what is usual."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from tests.bench.peers.contract import Array, Stream, edges

USUAL_S = 600  # "usual" is the median slope of the ten minutes before the window


class Slope:
    """Alarm when the least-squares slope over the window falls short of the usual one by a part of it."""

    parameter = "shortfall of the slope, as a part of the usual slope"
    low, high = 0.01, 1000.0
    own_unit = True

    def __init__(self, window_s: int) -> None:
        if window_s < 5:
            raise ValueError(f"window {window_s} s must be 5 s or more")
        self.window_s = window_s
        self.name = f"slope {window_s} s"

    def look(self, stream: Stream) -> tuple[Array, Array]:
        """Times and shortfalls; -inf where there is no slope, or none that is usual."""
        at_s, mean = stream.seconds()
        if len(at_s) <= self.window_s + USUAL_S:
            return at_s, np.full(len(at_s), -np.inf)
        slope = self.slopes(at_s, mean)
        short = np.full(len(slope), -np.inf)
        begin = self.window_s + USUAL_S
        found = np.flatnonzero(np.isfinite(slope))
        known = np.interp(np.arange(len(slope)), found, slope[found])  # silence does not make it forget
        windows = sliding_window_view(known, USUAL_S)[: len(slope) - begin, ::10]
        usual = np.median(windows, axis=1)  # ten seconds apart: enough for a median
        with np.errstate(invalid="ignore", divide="ignore"):
            short[begin:] = np.where(usual > 0.0, 1.0 - slope[begin:] / usual, -np.inf)
        return at_s, np.where(np.isfinite(short), short, -np.inf)

    def slopes(self, at_s: Array, mean: Array) -> Array:
        """Least squares over each window, by running sums; seconds without readings are left out."""
        there = np.isfinite(mean)
        y = np.where(there, mean, 0.0)

        def within(x: Array) -> Array:
            total = np.concatenate([[0.0], np.cumsum(x)])
            w = self.window_s
            return np.concatenate([np.full(w - 1, np.nan), total[w:] - total[:-w]])

        n, st, sy = within(there.astype(float)), within(there * at_s), within(y)
        stt, sty = within(there * at_s * at_s), within(y * at_s)
        with np.errstate(invalid="ignore", divide="ignore"):
            slope = (n * sty - st * sy) / (n * stt - st * st)
        return np.where(n >= 0.5 * self.window_s, slope, np.nan)

    def alarms(self, looked: tuple[Array, Array], parameter: float) -> Iterator[float]:
        at_s, short = looked
        return edges(at_s, short > parameter)
