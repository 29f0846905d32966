"""What a scale shows with nothing on it has moved: its zero drifted, or something lies on the pan.

Formula: p is the mean of what it shows over `REST_S` quiet seconds while no container stands on it. It moved
when |p - p0| exceeds max(1.5 d, K u sqrt(2)) + `LEFT_MG`, p0 what it showed empty before and u the standard
uncertainty of such a mean: d^2 / 12, the readings' noise by a second each, and a slow beat (JCGM 100, 5.1.2).
K = 4.5: by chance once in 150 000 changes, were it Gaussian. Source: ours.
It is judged once a container stands there again, and only if that shows `SURE_MG` more when empty: a scale
that was tared with a container on it shows nothing too. A pan that shows less than nothing by as much was
tared away with a container, and what it shows then moves with every container that is tared: not judged.
Where it shows 0 again it was zeroed, and that is the new past.
`LEFT_MG` is what a wet container leaves on a pan (common practice, no source).
What it means: a mass weighed from before the drift to after it is wrong by as much; a container change starts
from what the scale shows then.
False alarms: none in 119 scale-hours (tests/bench/closure_bench.py, tuning).
Clears when it shows empty what it did before, or 0.
"""

from __future__ import annotations

from math import sqrt

from logger.core.description import Channel
from logger.core.rules.contract import ChannelNow, Evidence, Judgement
from logger.core.rules.said import Said
from logger.core.track.view import TrackState, View

KIND = "zero-drifted"
K = 4.5
STEPS = 1.5  # of the display
LEFT_MG = 5_000.0
SURE_MG = 100_000.0
REST_S = 4
DO = "Take everything off, wipe the pan, see that nothing touches it, and set it to zero with nothing on it."


class ZeroDrifted:
    """One for each scale."""

    kind = KIND

    def __init__(self, channel: Channel, sure: float = K) -> None:
        if not 2.0 <= sure <= 20.0:
            raise ValueError(f"sure {sure:g} must lie between 2 and 20 standard uncertainties")
        self.sure = sure
        self._said = Said(KIND, channel.name, channel.name)
        self._d_mg = channel.resolution_kg * 1e6
        self._means: list[float] = []  # of the last seconds without a container
        self._seen: tuple[int, float, float] | None = (
            None  # when, what it showed, its uncertainty; not yet sure
        )
        self._empty: tuple[int, float, float] | None = None
        self._before: tuple[int, float, float] | None = None
        self._tared = False

    def tick(self, now_s: int, channel: ChannelNow) -> list[Judgement]:
        track = channel.track
        if track is None:
            return []
        view = track.view
        if view.state is TrackState.OFF:
            if self._means == []:
                self._seen = None
            self._look_at_pan(now_s, view)
            return []
        self._means = []
        seen = self._seen
        if seen is None or view.tare_mg is None or view.state is not TrackState.STEADY:
            return []
        self._seen = None
        if view.tare_mg - seen[1] < SURE_MG:
            return []  # a tare was pressed, or an empty container stood there
        return self._judge(seen, channel.channel.name)

    def _look_at_pan(self, now_s: int, view: View) -> None:
        self._means = [*self._means[-(REST_S - 1) :], view.level_mg]
        if len(self._means) < REST_S:
            return
        one, four, _ = view.beat_mg2
        noise = view.noise_mg**2
        if max(self._means) - min(self._means) > max(2.0 * self._d_mg, 4.0 * sqrt(noise + one)):
            return
        u = sqrt(self._d_mg**2 / 12.0 + noise / REST_S + four)
        self._seen = (now_s, sum(self._means) / REST_S, u)

    def _judge(self, seen: tuple[int, float, float], name: str) -> list[Judgement]:
        at_s, shown, u = seen
        self._tared = shown <= -SURE_MG
        if self._tared:
            return []
        before, self._empty = self._before, seen
        limit = self.limit_mg(u)
        if before is None or abs(shown) <= limit - LEFT_MG:
            self._before = seen
            return self._said.clear(at_s, f"{name} shows nothing with nothing on it.")
        off = shown - before[1]
        if abs(off) <= (0.5 if self._said.active else 1.0) * limit:
            if not self._said.active:
                self._before = (at_s, before[1], before[2])
            return self._said.clear(at_s, f"Empty, {name} shows what it did before again.")
        way = "more" if off > 0.0 else "less"
        what = (
            f"With nothing on it {name} shows {abs(off) / self._d_mg:.0f} steps of its display {way} than it "
            "did: its zero moved, or something lies on it. What it weighed meanwhile may be wrong by as much."
        )
        told = {
            "off_kg": round(off / 1e6, 6),
            "u_kg": round(sqrt(2.0) * u / 1e6, 6),
            "limit_kg": round(limit / 1e6, 6),
            "empty_kg": round(shown / 1e6, 6),
            "empty_before_kg": round(before[1] / 1e6, 6),
        }
        return self._said.restate(what, DO, told) or self._said.say(True, before[0], what, DO, told)

    def limit_mg(self, u_mg: float) -> float:
        """By so much (mg) what it shows empty may differ from before."""
        return max(STEPS * self._d_mg, self.sure * sqrt(2.0) * u_mg) + LEFT_MG

    def evidence(self, now_s: int, channel: ChannelNow) -> Evidence | None:
        """By how much (g) it shows more or less with nothing on it than before: see `Evidence`."""
        name, empty, before = channel.channel.name, self._empty, self._before
        if channel.track is None:
            return None
        if self._tared:
            held = "a container was tared away at the scale, so that what it shows empty says nothing"
        else:
            held = "" if empty is not None else "it was not yet seen without a container"
        if empty is None or before is None:
            return Evidence(KIND, name, "g", quiet_because=held)
        limit = self.limit_mg(empty[2])
        extra = {"seen_s_ago": now_s - empty[0], "empty_kg": round(empty[1] / 1e6, 6)}
        off = abs(empty[1] - before[1])
        return Evidence(KIND, name, "g", off / 1e3, limit / 1e3, quiet_because=held, extra=extra)
