"""Nothing stands on an outlet's scale although product is expected there.

Formula: the track has been `off` for `AFTER_S`, and product is expected (or it is not known whether); where
the rate is known, until so much may have fallen beside that an empty scale and one that catches it can be
told apart: `LOST_MG`, and twice `APART` standard uncertainties of a difference of two levels. Not said while
the scale gains clearly, by `APART` of these: then a container stands there, and its tare was pressed. The
level is the mean of ten seconds; u^2 = 2 (sigma^2 / n + d^2 / 12) (JCGM 100, F.2.2.1).
Where a person said that the container is away it is suppressed by design: he knows, and what comes is
counted as not caught. Source: none; a change of containers takes well under a minute and a half (common
practice). False alarms: 3 in 60 hours of simulated bays (tests/bench/rules_bench.py; it was tuned on just
these), each after a tare was pressed, two of them at a plugged outlet: that looks the same as no container.
A change that takes longer is one, and worth the reminder: what flows meanwhile is only estimated.
"""

from __future__ import annotations

from collections import deque
from math import sqrt

from logger.core.description import Station
from logger.core.rules.container_near_full import shown_mg
from logger.core.rules.contract import ChannelNow, Evidence, Judgement, OutletNow, StationNow
from logger.core.rules.expected import ExpectedFlow
from logger.core.rules.said import Said, Watch, kg_h, minutes
from logger.core.track.view import TrackState

KIND = "container-missing"
AFTER_S = 90
LOST_MG = 45_000.0
MEAN_S = 10
APART = 5.0
GAINS = 0.4
DO = "Put a container there; if one stands there, its tare was pressed: say that it was set."


class Gain:
    """What a scale gained since it seemed empty: the mean of the last ten seconds less that of the first."""

    def __init__(self) -> None:
        self._begin(0)

    def _begin(self, since_s: int) -> None:
        self.since_s = since_s
        self._first: list[float] = []
        self._last: deque[float] = deque(maxlen=MEAN_S)
        self.due_mg = 0.0  # expected meanwhile, as the scale would show it
        self.rate_known = True

    def take(self, outlet: OutletNow, channel: ChannelNow) -> None:
        """Take a second in which the track is off."""
        view = channel.track.view if channel.track is not None else None
        if view is None:
            return
        if view.state_since_s != self.since_s:
            self._begin(view.state_since_s)
        if len(self._first) < MEAN_S:
            self._first.append(view.level_mg)
        self._last.append(view.level_mg)
        self.rate_known = self.rate_known and outlet.expected_mg_s is not None
        self.due_mg += shown_mg(outlet.expected_mg_s or 0.0, outlet.outlet)

    @property
    def mg(self) -> float:
        if len(self._last) < MEAN_S:
            return 0.0
        return sum(self._last) / len(self._last) - sum(self._first) / len(self._first)


class ContainerMissing:
    """Judges all weighed outlets of a station."""

    kind = KIND

    def __init__(self, station: Station, expected: ExpectedFlow, after_s: int = AFTER_S) -> None:
        if not 5 <= after_s <= 3600:
            raise ValueError(f"after_s {after_s} must lie between 5 and 3600 s")
        self.after_s = after_s
        self._watch = Watch(expected)
        self._said = [Said(KIND, outlet.name, outlet.channel or "") for outlet in station.outlets]
        self._gains = [Gain() for _ in station.outlets]

    def tick(self, now: StationNow) -> list[Judgement]:
        watched = self._watch.tick(now)
        found: list[Judgement] = []
        for number, (said, outlet) in enumerate(zip(self._said, now.outlets, strict=True)):
            channel = outlet.now
            if channel is None or channel.track is None:
                continue
            if channel.track.view.state is not TrackState.OFF or not watched:
                found += said.clear(now.now_s, f"Outlet {said.subject} has its container again.")
                continue
            self._gains[number].take(outlet, channel)
            found += self._judge(number, outlet, channel, now)
        return found

    def _judge(self, number: int, outlet: OutletNow, channel: ChannelNow, now: StationNow) -> list[Judgement]:
        said, gain = self._said[number], self._gains[number]
        view = channel.track.view if channel.track is not None else None
        if view is None:
            return []
        off_s, rate = now.now_s - view.state_since_s, outlet.expected_mg_s
        flows = now.feed_stopped_since_s is None and (rate is None or rate > 0.0)
        if off_s < self.after_s or not flows or not self._empty(gain, channel, known=rate is not None):
            return []
        what = f"No container seems to stand on the scale of {said.subject} for {minutes(off_s)}."
        if rate is not None:
            what += " Product falls beside it."
        told: dict[str, object] = {"off_s": off_s, "gained_kg": round(gain.mg / 1e6, 4)}
        if rate is not None:
            told["due_kg"] = round(gain.due_mg / 1e6, 4)
            told["lost_kg_h"] = kg_h(rate)
        by = "container-away" if view.away_since_s is not None else ""
        return said.say(True, view.state_since_s, what, DO, told, suppressed_by=by)

    @staticmethod
    def _empty(gain: Gain, channel: ChannelNow, *, known: bool) -> bool:
        """Whether the scale shows that it catches nothing of what comes."""
        track = channel.track
        noise_mg = 0.0 if track is None else track.view.noise_mg
        interval_s = 1.0 if track is None else max(track.view.interval_s, 0.05)
        d = channel.channel.resolution_kg * 1e6
        u = sqrt(2.0 * (noise_mg**2 * interval_s / MEAN_S + d * d / 12.0))
        if not known or not gain.rate_known:
            return gain.mg < APART * u
        return gain.due_mg >= max(LOST_MG, 2.0 * APART * u) and gain.mg < min(APART * u, GAINS * gain.due_mg)

    def evidence(self, subject: str, now: StationNow) -> Evidence | None:
        """For how long (s) the scale has seemed empty: see `Evidence`."""
        number = next((k for k, o in enumerate(now.outlets) if o.outlet.name == subject), None)
        channel = None if number is None else now.outlets[number].now
        if number is None or channel is None or channel.track is None:
            return None
        view, gain = channel.track.view, self._gains[number]
        off = view.state is TrackState.OFF
        off_s = float(now.now_s - view.state_since_s) if off else 0.0
        known = now.outlets[number].expected_mg_s is not None
        held = self._watch.why_not(now)
        if not held and off and now.feed_stopped_since_s is not None:
            held = "no feed comes"
        elif not held and off and view.away_since_s is not None:
            held = "a person said that it is away"
        elif not held and off and not self._empty(gain, channel, known=known):
            held = "the scale may yet be catching what comes, or too little came to tell"
        due, came = (gain.due_mg, gain.mg) if off else (None, None)
        return Evidence(
            KIND, subject, "s", off_s, float(self.after_s), expected_mg=due, came_mg=came, quiet_because=held
        )
