"""Between the test bay and the peers: what a scale showed, and alarms that the bay's own scorer can judge."""

from __future__ import annotations

import numpy as np

from tests.bench.peers.contract import LEARN_S, Stream
from tests.bench.testbay.play import Alarm, Played
from tests.bench.testbay.score import Scored, Scorer
from tests.bench.testbay.trace import Trace


def streams(trace: Trace) -> dict[str, Stream]:
    """What each outlet's scale showed, by outlet; lines of overload are no readings."""
    found = {}
    for outlet in trace.plan.outlets:
        lines = trace.lines[outlet.name]
        good = lines.status == 0
        found[outlet.name] = Stream(lines.at_ns[good] * 1e-9, lines.kg()[good], outlet.scale.resolution_kg)
    return found


def feed_stream(trace: Trace) -> Stream:
    """What was used of the feed, with each refill taken out as it truly was, and what was shown during it."""
    lines, plan = trace.lines["feed"], trace.plan
    at_s, added = lines.at_ns * 1e-9, np.zeros(len(lines))
    good = lines.status == 0
    for e in trace.events:
        if e.kind == "refill":
            added += np.where(at_s > e.until_s, e.data["kg"], 0.0)
            good &= (at_s < e.at_s - 1.0) | (at_s > e.until_s + 3.0)
    used = added - lines.kg()
    return Stream(at_s[good], used[good], plan.feed_scale.resolution_kg, plan.target_kg_h / 3600.0)


def as_played(times: dict[str, list[float]]) -> Played:
    """A peer's alarms, by outlet or for the feed, as if the bay had raised them."""
    alarms = [
        Alarm("feed-drift" if subject == "feed" else "outlet-not-delivering", subject, at_s, at_s, "")
        for subject, each in times.items()
        for at_s in each
    ]
    return Played(sorted(alarms, key=lambda alarm: alarm.at_s), {}, {}, 0.0, 0)


class PeerScorer(Scorer):
    """The bay's scorer for a peer: it weighs nothing, and is asked from `LEARN_S` on."""

    def __init__(self, trace: Trace, played: Played) -> None:
        super().__init__(trace, played)
        hours = (self.plan.length_s - LEARN_S) / 3600.0
        self.out.outlet_h = hours * len(self.plan.outlets)
        self.out.station_h = hours
        if self.out.busy_h > 0.0:
            self.out.busy_h = self.out.outlet_h

    def _masses(self) -> None:
        pass


def judged(trace: Trace, played: Played) -> Scored:
    return PeerScorer(trace, played).score()


def at_feed_stops(trace: Trace, played: Played) -> tuple[int, int]:
    """(outlets called clogged, outlets) over all feed stops from `LEARN_S` on, till a minute after each."""
    called, all_of = 0, 0
    for e in trace.events:
        if e.kind != "feed-stop" or e.at_s < LEARN_S:
            continue
        for outlet in trace.plan.outlets:
            all_of += 1
            called += any(
                alarm.subject == outlet.name
                and alarm.kind in ("outlet-not-delivering", "outlet-slow")
                and e.at_s <= alarm.at_s <= e.until_s + 60.0
                for alarm in played.alarms
            )
    return called, all_of
