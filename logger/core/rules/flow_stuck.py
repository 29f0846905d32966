"""A flow meter that keeps showing the very same number although water flickers.

Formula: n identical numbers in a row are -n log p nats of oddness, p the chance that a number repeats the
one before it, learned from the meter's own past (Laplace's estimate (s + 1) / (n + 2), so that it is never
0); stuck above `THRESHOLD`, and only where the row is also `TIMES` as long as the longest that this meter
showed before. Source: likelihood of a Bernoulli run. Tuning: 16 nats, as for a scale (`instrument_frozen`).
Not judged: a number of zero (a closed valve looks the same), a meter that shows a total (there the same
number means that nothing flows, which its band tells), one whose p is above `STEADIEST` (much steadier than
its own digit, nothing can be told), and the first `LEARN` readings.
False alarms: none in 60 hours of simulated bays (tests/bench/rules_bench.py).
Clears with the first other number.
"""

from __future__ import annotations

from math import log

from logger.core.description import Channel
from logger.core.rules.contract import ChannelNow, Evidence, Judgement
from logger.core.rules.said import Said, minutes
from logger.core.track.flow_view import FlowState

KIND = "flow-stuck"
THRESHOLD = 16.0  # nats
TIMES = 2.0
LEARN = 120  # readings before the meter's own past counts for anything
STEADIEST = 0.97
DO = "Turn the valve a little: if the number does not move, switch the meter off and on, and look inside it."


class FlowStuck:
    """One for each flow meter."""

    kind = KIND

    def __init__(self, channel: Channel, threshold: float = THRESHOLD) -> None:
        if not 4.0 <= threshold <= 200.0:
            raise ValueError(f"threshold {threshold:g} nats must lie between 4 and 200")
        self.threshold = threshold
        self._said = Said(KIND, channel.name, channel.name)
        self._row = self._longest = 0
        self._pairs = self._same = 0  # up to the present row

    def tick(self, now_s: int, channel: ChannelNow) -> list[Judgement]:
        flow = channel.flow
        if flow is None or flow.view.state is not FlowState.SPEAKING:
            return []
        view, said, name = flow.view, self._said, channel.channel.name
        if view.total or view.shown == 0:
            self._row = 0
            return said.clear(now_s, f"{name} moves again.")
        if view.same_count < self._row and not said.active:  # a row ended, and the meter was well
            self._longest = max(self._longest, self._row)
        if view.same_count <= 1 and not said.active:
            self._pairs, self._same = view.pairs, view.same
        self._row = view.same_count
        if view.same_count <= 1:
            return said.clear(now_s, f"{name} moves again.")
        nats = -self._row * log(self._p)
        if nats < self.threshold or self._not_judged():
            return []
        for_s = self._row * (view.interval_s or 1.0)
        what = f"{name} has shown the same flow for {minutes(for_s)}, {self._row} readings in a row."
        told = {"same": self._row, "longest_before": self._longest, "nats": round(nats, 1)}
        return said.say(True, int(now_s - for_s), what, DO, told)

    @property
    def _p(self) -> float:
        """The chance that a number repeats the one before it."""
        return (self._same + 1.0) / (self._pairs + 2.0)

    def _not_judged(self) -> str:
        """Why the row says nothing; ""."""
        if self._pairs < LEARN:
            return "how often this meter repeats a number is not known yet"
        if self._p > STEADIEST:
            return "this meter is much steadier than its last digit"
        if self._row <= TIMES * self._longest:
            return f"this meter showed rows of {self._longest} equal numbers before"
        return ""

    def evidence(self, now_s: int, channel: ChannelNow) -> Evidence | None:
        """How odd the row of equal numbers is (nats): see `Evidence`."""
        del now_s
        flow = channel.flow
        if flow is None:
            return None
        held = ""
        if flow.view.state is not FlowState.SPEAKING:
            held = "nothing is read"
        elif flow.view.total:
            held = "it shows a total, which stands still where nothing flows"
        elif flow.view.shown == 0:
            held = "it shows no flow, as with a closed valve"
        nats = -self._row * log(self._p)
        held = held or (self._not_judged() if nats >= self.threshold or self._pairs < LEARN else "")
        extra = {"same": self._row, "longest_before": self._longest}
        return Evidence(
            KIND, channel.channel.name, "nats", nats, self.threshold, quiet_because=held, extra=extra
        )
