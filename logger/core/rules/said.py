"""What the rules share: saying only what changed, whether a run is watched, plain words for rates."""

from __future__ import annotations

from collections.abc import Mapping
from math import erf, log, sqrt
from typing import Any

from logger.core.rules.contract import ChannelNow, Judgement, StationNow
from logger.core.rules.expected import ExpectedFlow

FLICKER = 0.6  # of a track's noise, from reading to reading; assumed, no source


class Said:
    """One subject's standing judgement; `say` answers it only where it changed."""

    def __init__(self, kind: str, subject: str, channel: str) -> None:
        self.kind, self.subject, self.channel = kind, subject, channel
        self.active = False
        self.suppressed = False
        self.since_s = 0
        self._last: Judgement | None = None

    def say(
        self,
        active: bool,
        since_s: int,
        what: str,
        do: str,
        evidence: Mapping[str, Any] | None = None,
        *,
        suppressed_by: str = "",
    ) -> list[Judgement]:
        """The judgement, if it differs from the one said last; []."""
        suppressed = active and suppressed_by != ""
        if (active, suppressed) == (self.active, self.suppressed):
            return []
        told = dict(evidence or {})
        if suppressed:
            told["suppressed_by"] = suppressed_by
        self.active, self.suppressed, self.since_s = active, suppressed, since_s
        self._last = Judgement(
            self.kind, self.subject, self.channel, active, since_s, what, do, told, suppressed=suppressed
        )
        return [self._last]

    def excuse(self, by: str) -> list[Judgement]:
        """What stands is suppressed by design, or, with "", is so no longer; [] where nothing changes."""
        last = self._last
        if last is None or not self.active or self.suppressed == bool(by):
            return []
        evidence = {key: value for key, value in last.evidence.items() if key != "suppressed_by"}
        return self.say(True, self.since_s, last.what, last.do, evidence, suppressed_by=by)

    def restate(self, what: str, do: str, evidence: Mapping[str, Any]) -> list[Judgement]:
        """What stands holds on, and more is known of it; [] where nothing stands, or nothing is new."""
        last = self._last
        if last is None or not self.active or (last.what, last.evidence) == (what, dict(evidence)):
            return []
        told = dict(evidence)
        if "suppressed_by" in last.evidence:
            told["suppressed_by"] = last.evidence["suppressed_by"]
        self._last = Judgement(
            self.kind, self.subject, self.channel, True, self.since_s, what, do, told,
            suppressed=self.suppressed,
        )  # fmt: skip
        return [self._last]

    def clear(self, now_s: int, what: str) -> list[Judgement]:
        """The condition ended."""
        return self.say(False, now_s, what, "Nothing to do.")


class Watch:
    """Whether a station is to be watched: feed has been seen, and the run has not ended.

    A station at which nobody ever opens a run is watched from its first feed on.
    """

    def __init__(self, expected: ExpectedFlow) -> None:
        self._expected = expected
        self._ran = False
        self.fed_s: int | None = None  # since when feed (or, unweighed, product) was seen

    def tick(self, now: StationNow) -> bool:
        """Whether to judge this second."""
        if now.run_since_s is not None:
            self._ran = True
        elif self._ran:
            self.fed_s = None
        if self._ran and now.run_since_s is None:
            return False
        if self.fed_s is None and feed_seen(self._expected, now.now_s):
            self.fed_s = now.now_s
        return self.fed_s is not None

    def why_not(self, now: StationNow) -> str:
        """Why this second is not judged, as the last tick found; "" where it is."""
        if self._ran and now.run_since_s is None:
            return "no run is open"
        return "nothing was fed yet" if self.fed_s is None else ""


def feed_seen(expected: ExpectedFlow, now_s: int) -> bool:
    """Whether something clearly flowed within the last half minute, by the feed or else by the outlets."""
    pasts = [expected.feed] if expected.weighed else [past for past in expected.outlets if past is not None]
    for past in pasts:
        if past.began_s is None or past.good_since_s is None:
            continue
        start = max(now_s - 30, past.began_s, past.good_since_s)
        if past.got(start, now_s) > 8.0 * (2.0 * past.reading_var_mg2) ** 0.5:
            return True
    return False


def frozen_score(channel: ChannelNow) -> float:
    """-n log p(same): how odd it is, in nats, that the last n readings were all the same.

    p is the chance that was learned while nothing flowed, or that of a weight in the middle of a division,
    erf(d / (2 sqrt(2) sigma)), where a quiet scale repeats itself most, if that is more. Sigma is taken as
    `FLICKER` of the track's noise, which holds slow beats and lumps too. 0: nothing can be said, because p
    is not known yet or near 1.
    """
    track = channel.track
    if track is None:
        return 0.0
    view = track.view
    if view.p_same <= 0.0 or view.noise_mg <= 0.0:
        return 0.0
    d = channel.channel.resolution_kg * 1e6
    p = max(view.p_same, erf(d / (2.0 * sqrt(2.0) * FLICKER * view.noise_mg)))
    if p >= 0.97:
        return 0.0
    return -view.same_count * log(p)


def kg_h(rate_mg_s: float) -> float:
    """A rate (kg/h) for evidence, three significant figures; sentences carry no unit of mass, kg or lb."""
    return float(f"{rate_mg_s * 3.6e-3:.3g}")


def minutes(seconds: float) -> str:
    """A time for people."""
    return f"{seconds:.0f} s" if seconds < 120 else f"{seconds / 60:.0f} min"
