"""Page-Hinkley and ADWIN as PyPI `river` (BSD-3-Clause) has them, on what equal spans of time brought."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from river.drift import ADWIN, PageHinkley

from tests.bench.peers.contract import LEARN_S, Stream, apart

Looked = tuple[list[float], list[float]]


def in_units_of_usual(stream: Stream, span_s: int) -> Looked:
    """Increments over the feed's target, or the mean of those before `LEARN_S` (a fifth off either end)."""
    at_s, came = stream.increments(span_s)
    if stream.target_kg_s > 0.0:
        late = at_s > 200.0
        return at_s[late].tolist(), (came[late] / (stream.target_kg_s * span_s)).tolist()
    early = np.sort(came[(at_s > 200.0) & (at_s < LEARN_S)])
    cut = len(early) // 5
    usual = float(early[cut : len(early) - cut].mean()) if len(early) > 2 * cut else 0.0
    late = at_s > 200.0  # the first minutes are no flow yet
    return at_s[late].tolist(), (came[late] / max(usual, 0.01 * stream.d_kg)).tolist()


class PageHinkleyPeer:
    """Downward changes of the mean. ``delta``, what is let pass, is half of what usually comes.

    With `river`'s own 0.005 nine of ten full clogs were missed at this rate of false alarms.
    """

    name = "Page-Hinkley"
    parameter = "threshold, in what a span usually brings"
    low, high = 0.1, 1e6
    own_unit = True

    def __init__(self, span_s: int = 5, delta: float = 0.5, mode: str = "down") -> None:
        self.span_s, self.delta, self.mode = span_s, delta, mode

    def look(self, stream: Stream) -> Looked:
        return in_units_of_usual(stream, self.span_s)

    def alarms(self, looked: Looked, parameter: float) -> Iterator[float]:
        return apart(self._raised(looked, parameter))

    def _raised(self, looked: Looked, parameter: float) -> Iterator[float]:
        detector = PageHinkley(delta=self.delta, threshold=parameter, mode=self.mode)
        for at_s, x in zip(*looked, strict=True):
            detector.update(x)
            if detector.drift_detected:
                yield at_s


class AdwinPeer:
    """Alarm when the window is cut and its mean is lower than before; looks at every second (clock 1)."""

    name = "ADWIN"
    parameter = "-log10 of delta"
    low, high = 0.01, 300.0
    own_unit = False

    def __init__(self, span_s: int = 1, both: bool = False) -> None:
        self.span_s, self.both = span_s, both

    def look(self, stream: Stream) -> Looked:
        return in_units_of_usual(stream, self.span_s)

    def alarms(self, looked: Looked, parameter: float) -> Iterator[float]:
        return apart(self._raised(looked, parameter))

    def _raised(self, looked: Looked, parameter: float) -> Iterator[float]:
        detector = ADWIN(delta=10.0**-parameter, clock=1)
        for at_s, x in zip(*looked, strict=True):
            before = detector.estimation
            detector.update(x)
            if detector.drift_detected and (self.both or detector.estimation < before):
                yield at_s
