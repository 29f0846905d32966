"""A tabular CUSUM on what equal spans of time brought."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from tests.bench.peers.contract import Array, Stream, apart
from tests.bench.peers.tabular import passings

SPAN_S = 5
USUAL_S = 600


class Cusum:
    """Alarm when the low sum stands above h; then it starts anew.

    Its target is the mean of the ten minutes before, without the highest and lowest tenth, and k half of it:
    half the shift that is to be found, which is a stop.
    """

    name = "CUSUM"
    parameter = "h, in what a span usually brings"
    low, high = 0.05, 1e5
    own_unit = True

    def __init__(self, span_s: int = SPAN_S) -> None:
        self.span_s = span_s
        self.past = USUAL_S // span_s

    def look(self, stream: Stream) -> tuple[Array, Array]:
        """Times, and increments in units of what is usual."""
        at_s, came = stream.increments(self.span_s)
        if len(came) <= self.past:
            return at_s[:0], came[:0]
        past = np.sort(sliding_window_view(came, self.past)[:-1], axis=1)
        cut = self.past // 10
        usual = np.maximum(past[:, cut : self.past - cut].mean(axis=1), 0.01 * stream.d_kg)
        return at_s[self.past :], came[self.past :] / usual

    def alarms(self, looked: tuple[Array, Array], parameter: float) -> Iterator[float]:
        at_s, came = looked
        return apart(float(at_s[i]) for i in passings(0.5 - came, parameter))
