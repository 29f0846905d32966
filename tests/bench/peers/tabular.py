"""The tabular CUSUM (Page 1954, from memory; form of the NIST/SEMATECH e-Handbook 6.3.2.3)."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass
class TabularCusum:
    """high = max(0, high + x - target - k), low = max(0, low + target - k - x); a signal above h.

    ``k`` (half the shift that is to be found) and ``h`` in the unit of x. `run_lengths.cusum_arl` says how
    often it cries wolf on independent Gaussian samples. ``high_since`` and ``low_since`` count the samples
    up to when each sum last stood at zero: the usual estimate of when a change came.
    """

    target: float
    k: float
    h: float
    high: float = 0.0
    low: float = 0.0
    high_since: int = 0
    low_since: int = 0
    count: int = 0

    def __post_init__(self) -> None:
        if self.k < 0.0 or self.h <= 0.0:
            raise ValueError(f"k {self.k:g} must be 0 or more, h {self.h:g} above 0")

    def add(self, x: float) -> int:
        """Take one sample; 1 where the high sum stands above h, -1 where the low one does, else 0."""
        self.high = max(0.0, self.high + x - self.target - self.k)
        self.low = max(0.0, self.low + self.target - self.k - x)
        self.count += 1
        if self.high == 0.0:
            self.high_since = self.count
        if self.low == 0.0:
            self.low_since = self.count
        return 1 if self.high > self.h else -1 if self.low > self.h else 0


def passings(steps: NDArray[np.float64], h: float) -> Iterator[int]:
    """Where S = max(0, S + step) stands above h; it starts anew from 0 behind each.

    The same as a loop over `TabularCusum.add`: S is the running total less the least total so far.
    """
    begin = 0
    while begin < len(steps):
        total = np.cumsum(steps[begin:])
        above = total - np.minimum(np.minimum.accumulate(total), 0.0) > h
        first = int(above.argmax())
        if not above[first]:
            return
        yield begin + first
        begin += first + 1
