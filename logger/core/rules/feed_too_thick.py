"""The feed comes onto the deck with too little water: more solids than the limit.

Formula: solids / (solids + water), by mass, over the last two minutes (ten, where a person feeds by scoop:
`core.solids`), lies above the limit by `SURE` standard uncertainties for `AFTER_S`; it clears when it lies
below the limit for as long. Source of the limit: under 35 % solids for a table (Manser, Barley & Wills
1991), unless another is told. Tuning: 2 u, so that a figure near the limit is no alarm. Suppressed while
the feed stands. False alarms: not measured; the moisture of the feed itself makes it come early.
"""

from __future__ import annotations

from logger.core.description import Station
from logger.core.rules.contract import Evidence, Judgement, StationNow
from logger.core.rules.expected import ExpectedFlow
from logger.core.rules.said import Said, Watch, minutes
from logger.core.solids import Solids, solids, span_s

KIND = "feed-too-thick"
AFTER_S = 20
SURE = 2.0


class FeedTooThick:
    """One for a station whose feed is weighed, and the water that comes with it measured."""

    kind = KIND

    def __init__(self, station: Station, expected: ExpectedFlow, sure: float = SURE) -> None:
        if not 0.0 <= sure <= 10.0:
            raise ValueError(f"sure {sure:g} must lie between 0 and 10 standard uncertainties")
        self.sure = sure
        self._limit = station.feed.most_solids
        self._watch = Watch(expected)
        self._said = Said(KIND, "feed", station.feed.channel or "")
        self._other_since_s: int | None = None

    def tick(self, now: StationNow) -> list[Judgement]:
        watched = self._watch.tick(now)
        if not watched:
            self._other_since_s = None
            return self._said.clear(now.now_s, "The feed is no longer watched: the run ended.")
        if self._watch.fed_s is None or now.now_s - self._watch.fed_s < span_s(now):
            return []  # the first water came before the first feed
        pulp = solids(now)
        stopped = now.feed_stopped_since_s is not None
        if pulp is None or pulp.share is None or pulp.u is None:
            if stopped:
                return self._said.clear(now.now_s, "The feed stopped.")
            return []
        return self._judge(now.now_s, pulp, pulp.share, pulp.u, stopped)

    def _judge(self, now_s: int, pulp: Solids, share: float, u: float, stopped: bool) -> list[Judgement]:
        said, limit = self._said, self._limit
        thick = share > limit + self.sure * u
        fine = share < limit
        if (said.active and not fine) or (not said.active and not thick):
            self._other_since_s = None
            return self._say(now_s, pulp, share, u, stopped) if said.active else []
        if self._other_since_s is None:
            self._other_since_s = now_s
        if now_s - self._other_since_s < AFTER_S:
            return []
        if not said.active:
            return self._say(now_s, pulp, share, u, stopped)
        self._other_since_s = None
        return said.clear(now_s, f"The feed holds {share:.0%} solids again, below {limit:.0%}.")

    def _say(self, now_s: int, pulp: Solids, share: float, u: float, stopped: bool) -> list[Judgement]:
        since = self._said.since_s if self._said.active else self._other_since_s
        self._other_since_s = None
        what = (
            f"The feed is too thick: {share:.0%} solids over {minutes(pulp.span_s)}, above {self._limit:.0%}."
        )
        told = {
            "solids": round(share, 4),
            "u": round(u, 4),
            "limit": self._limit,
            "fed_kg": round(pulp.feed_kg, 3),
            "water_l": round(pulp.water_l, 2),
            "moisture": "of the feed itself not counted",
        }
        do = "Give the feed more water, or feed less; see that the feed water runs."
        by = "feed-stopped" if stopped else ""
        return self._said.say(True, since or now_s, what, do, told, suppressed_by=by)

    def evidence(self, subject: str, now: StationNow) -> Evidence | None:
        """Solids by mass (%) beside the limit and how sure it must be: see `Evidence`."""
        if subject != "feed":
            return None
        held, pulp = self._watch.why_not(now), solids(now)
        if pulp is None or pulp.share is None or pulp.u is None:
            held = held or "how much feed and water came is not known"
            return Evidence(KIND, subject, "%", quiet_because=held)
        if not held and now.feed_stopped_since_s is not None:
            held = "the feed stopped"
        asked = 100.0 * (self._limit + self.sure * pulp.u)
        extra = {"u_percent": round(100.0 * pulp.u, 2), "limit_percent": 100.0 * self._limit}
        return Evidence(
            KIND,
            subject,
            "%",
            100.0 * pulp.share,
            asked,
            window_s=int(pulp.span_s),
            quiet_because=held,
            extra=extra,
        )
