"""The simpler ways on the feed: what was used of it, beside what it is set to; either way off counts.

They are given more than in life: refills are taken out as they truly were (`adapt.feed_stream`). What is to
be found is a change by a tenth, so that half of it is let pass where a chart asks for that.
"""

from __future__ import annotations

from collections.abc import Iterator
from heapq import merge

import numpy as np

from tests.bench.peers.contract import Array, Peer, Stream, apart, edges
from tests.bench.peers.detectors import AdwinPeer, PageHinkleyPeer
from tests.bench.peers.slope import Slope
from tests.bench.peers.tabular import passings
from tests.bench.peers.timer import Timer

SLACK = 0.05
SETTLED_S = 200.0  # what came before is no steady feed yet


class FeedSlope(Slope):
    """Alarm when the slope over the window is off the target by a part of it, either way."""

    parameter = "how far the slope is off, as a part of the target"

    def look(self, stream: Stream) -> tuple[Array, Array]:
        at_s, mean = stream.seconds()
        off = np.abs(self.slopes(at_s, mean) / stream.target_kg_s - 1.0)
        return at_s, np.where(np.isfinite(off), off, -np.inf)

    def alarms(self, looked: tuple[Array, Array], parameter: float) -> Iterator[float]:
        return edges(looked[0], looked[1] > parameter)


class FeedCusum:
    """Two tabular CUSUMs, one for each way off; each starts anew behind its alarm."""

    name = "CUSUM"
    parameter = "h, in what a span brings at the target"
    low, high = 0.05, 1e5
    own_unit = True

    def __init__(self, span_s: int = 5) -> None:
        self.span_s = span_s

    def look(self, stream: Stream) -> tuple[Array, Array]:
        at_s, came = stream.increments(self.span_s)
        late = at_s > SETTLED_S
        return at_s[late], came[late] / (stream.target_kg_s * self.span_s) - 1.0

    def alarms(self, looked: tuple[Array, Array], parameter: float) -> Iterator[float]:
        at_s, off = looked
        low, high = passings(-off - SLACK, parameter), passings(off - SLACK, parameter)
        return apart(float(at_s[i]) for i in merge(low, high))


FEED_PEERS: dict[str, Peer] = {
    peer.name: peer
    for peer in (
        Timer(),
        FeedSlope(60),
        FeedSlope(120),
        FeedCusum(),
        PageHinkleyPeer(delta=SLACK, mode="both"),
        AdwinPeer(both=True),
    )
}
