"""What every simpler way keeps to: the readings of one outlet in, the times of its alarms out.

Each is built as a person would build it who has the weight of one container and an afternoon: it knows
nothing of the feed, of containers that are changed or of elbows, and it has one parameter that is tuned.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

LEARN_S = 600.0  # each may look so long before it is asked
SAME_S = 60.0  # an alarm that comes back so soon after it ended is the same


@dataclass(frozen=True)
class Stream:
    """The readings of one outlet: times (s), masses shown (kg), the scale's resolution (kg).

    ``target_kg_s`` is what the feed is set to, where the stream is what was used of the feed; else 0.
    """

    at_s: Array
    kg: Array
    d_kg: float
    target_kg_s: float = 0.0

    def seconds(self) -> tuple[Array, Array]:
        """Ends of whole seconds and the mean shown in each; NaN where nothing came."""
        bins = self.at_s.astype(np.int64)
        count = np.bincount(bins)
        with np.errstate(invalid="ignore"):
            mean = np.bincount(bins, self.kg) / count
        return np.arange(1.0, len(count) + 1.0), mean

    def increments(self, span_s: int) -> tuple[Array, Array]:
        """Ends of spans and what each brought (kg), from means of a second.

        What came over silent spans is one span's mean.
        """
        at_s, mean = self.seconds()
        at_s, mean = at_s[span_s - 1 :: span_s], mean[span_s - 1 :: span_s]
        there = np.isfinite(mean)
        return at_s[there][1:], np.diff(mean[there]) * (span_s / np.diff(at_s[there]))


class Peer(Protocol):
    """One simpler way. The larger ``parameter``, the fewer alarms."""

    name: str
    parameter: str  # what is tuned, in words
    low: float
    high: float
    own_unit: bool  # each outlet has a unit of its own for the parameter (`calibrate`)

    def look(self, stream: Stream) -> Any:
        """All that does not depend on the parameter."""
        ...

    def alarms(self, looked: Any, parameter: float) -> Iterator[float]:
        """Times (s) at which it says that the outlet does not deliver, from `LEARN_S` on, one by one."""
        ...


def edges(at_s: Array, over: NDArray[np.bool_]) -> Iterator[float]:
    """When a condition begins to hold, from `LEARN_S` on; what returns within `SAME_S` is the same alarm."""
    return apart(at_s[over].tolist())


def apart(times: Iterable[float]) -> Iterator[float]:
    """Alarms from `LEARN_S` on, without those that come within `SAME_S` of the one before."""
    before_s = -np.inf
    for at_s in times:
        if at_s < LEARN_S:
            continue
        if at_s - before_s > SAME_S:
            yield at_s
        before_s = at_s
