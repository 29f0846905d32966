"""A scale that keeps showing the very same number although something should move it.

Formula: n identical readings in a row are -n log p nats of oddness (`said.frozen_score`); frozen above
`THRESHOLD`, and only where the row is also `TIMES` as long as the longest that this scale showed before.
Where p is near 1 (a scale much steadier than its own step) nothing can be told: a stopped outlet looks the
same. Source: likelihood of a Bernoulli run. Tuning: 16 nats; vibration that beats with the readings makes
rows longer than independent readings would, hence the comparison with the scale's own past. False alarms:
see tests/bench.
"""

from __future__ import annotations

from logger.core.description import Channel
from logger.core.rules.contract import ChannelNow, Evidence, Judgement
from logger.core.rules.said import Said, frozen_score, minutes
from logger.core.track.view import TrackState

KIND = "instrument-frozen"
THRESHOLD = 16.0  # nats
TIMES = 3.0
LEARN_S = 120  # seconds of readings before the scale's own longest row counts for anything


class InstrumentFrozen:
    """One for each scale."""

    kind = KIND

    def __init__(self, channel: Channel, threshold: float = THRESHOLD) -> None:
        if not 4.0 <= threshold <= 200.0:
            raise ValueError(f"threshold {threshold:g} nats must lie between 4 and 200")
        self.threshold = threshold
        self._said = Said(KIND, channel.name, channel.name)
        self._row = self._longest = self._seen_s = 0

    def tick(self, now_s: int, channel: ChannelNow) -> list[Judgement]:
        track = channel.track
        if track is None:
            return []
        view = track.view
        if view.state in (TrackState.SILENT, TrackState.WAITING):
            return []
        said, name = self._said, channel.channel.name
        if view.same_count < self._row and not said.active:  # a row ended, and the scale was well
            self._longest = max(self._longest, self._row)
        self._row = view.same_count
        self._seen_s += 1
        score = frozen_score(channel)
        if score > self.threshold and self._seen_s > LEARN_S and self._row > TIMES * self._longest:
            for_s = view.same_count * view.interval_s
            what = (
                f"{name} has shown the same weight for {minutes(for_s)}, {view.same_count} readings in a row."
            )
            do = "Touch the scale: if the number does not move, switch it off and on."
            told = {"same": view.same_count, "nats": round(score, 1)}
            return said.say(True, int(now_s - for_s), what, do, told)
        if score < 0.25 * self.threshold:
            return said.clear(now_s, f"{name} moves again.")
        return []

    def evidence(self, now_s: int, channel: ChannelNow) -> Evidence | None:
        """How odd the row of equal readings is (nats): see `Evidence`."""
        del now_s
        track = channel.track
        if track is None:
            return None
        score, held = frozen_score(channel), ""
        if track.view.state in (TrackState.SILENT, TrackState.WAITING):
            held = "nothing is read"
        elif score > self.threshold and self._row <= TIMES * self._longest:
            held = f"this scale showed rows of {self._longest} equal readings before"
        extra = {"same": track.view.same_count, "longest_before": self._longest}
        return Evidence(
            KIND, channel.channel.name, "nats", score, self.threshold, quiet_because=held, extra=extra
        )
