"""A scale that keeps showing the very same number although something should move it.

Formula: n identical readings in a row, with a chance p (learned while nothing flowed) that a reading repeats
the one before, are -n log p nats of oddness; above `THRESHOLD` the scale counts as frozen. Where p is near 1
(a scale much steadier than its own step) this says nothing, and only the track's own word counts. Source:
likelihood of a Bernoulli run. Tuning: 40 nats, because vibration that beats with the readings makes runs
longer than independent readings would be; while product is expected the track itself says `frozen` at 16.
False alarms: none by noise, as far as simulated bays tell.
"""

from __future__ import annotations

from logger.core.description import Channel
from logger.core.rules.contract import ChannelNow, Judgement
from logger.core.rules.said import Said, frozen_score, minutes
from logger.core.track.view import TrackState

KIND = "instrument-frozen"
THRESHOLD = 40.0


class InstrumentFrozen:
    """One for each scale."""

    kind = KIND

    def __init__(self, channel: Channel, threshold: float = THRESHOLD) -> None:
        if not 4.0 <= threshold <= 200.0:
            raise ValueError(f"threshold {threshold:g} nats must lie between 4 and 200")
        self.threshold = threshold
        self._said = Said(KIND, channel.name, channel.name)

    def tick(self, now_s: int, channel: ChannelNow) -> list[Judgement]:
        track = channel.track
        if track is None:
            return []
        view = track.view
        if view.state in (TrackState.SILENT, TrackState.WAITING):
            return []
        name, said = channel.channel.name, self._said
        score = frozen_score(channel)
        if view.state is TrackState.FROZEN or score > self.threshold:
            for_s = view.same_count * view.interval_s
            what = (
                f"{name} has shown the same weight for {minutes(for_s)}, {view.same_count} readings in a row."
            )
            do = "Touch the scale: if the number does not move, switch it off and on."
            told = {"same": view.same_count, "nats": round(score, 1)}
            return said.say(True, int(now_s - for_s), what, do, told)
        if score < 0.1 * self.threshold:
            return said.clear(now_s, f"{name} moves again.")
        return []
