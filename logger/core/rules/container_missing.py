"""Nothing stands on an outlet's scale although product is expected there.

Formula: the track has been `off` for `AFTER_S`, and product is expected (or it is not known whether); where
the rate is known, until `LOST_MG` may have fallen beside. Where a person said that the container is away it
is suppressed by design: he knows, and what comes is counted as not caught.
Source: none; a change of containers takes well under a minute and a half (common practice). A container whose
tare was pressed looks like none until the scale has gained what its track takes for product: 30 g at most, so
half as much again is waited for. False alarms: a change that takes longer is one, and worth the reminder:
what flows meanwhile is only estimated.
"""

from __future__ import annotations

from logger.core.description import Station
from logger.core.rules.contract import Judgement, StationNow
from logger.core.rules.expected import ExpectedFlow
from logger.core.rules.said import Said, Watch, kg_h, minutes
from logger.core.track.view import TrackState

KIND = "container-missing"
AFTER_S = 90
LOST_MG = 45_000.0


class ContainerMissing:
    """Judges all weighed outlets of a station."""

    kind = KIND

    def __init__(self, station: Station, expected: ExpectedFlow, after_s: int = AFTER_S) -> None:
        if not 5 <= after_s <= 3600:
            raise ValueError(f"after_s {after_s} must lie between 5 and 3600 s")
        self.after_s = after_s
        self._watch = Watch(expected)
        self._said = [Said(KIND, outlet.name, outlet.channel or "") for outlet in station.outlets]

    def tick(self, now: StationNow) -> list[Judgement]:
        watched = self._watch.tick(now)
        found: list[Judgement] = []
        for said, outlet in zip(self._said, now.outlets, strict=True):
            if outlet.now is None or outlet.now.track is None:
                continue
            view = outlet.now.track.view
            if view.state is not TrackState.OFF or not watched:
                found += said.clear(now.now_s, f"Outlet {said.subject} has its container again.")
                continue
            off_s = now.now_s - view.state_since_s
            rate = outlet.expected_mg_s
            flows = now.feed_stopped_since_s is None and (rate is None or rate > 0.0)
            late = off_s >= self.after_s and (rate is None or rate * off_s >= LOST_MG)
            if late and flows:
                what = f"No container seems to stand on the scale of {said.subject} for {minutes(off_s)}."
                if rate is not None:
                    what += " Product falls beside it."
                told: dict[str, object] = {"off_s": off_s}
                if rate is not None:
                    told["lost_kg_h"] = kg_h(rate)
                found += said.say(
                    True,
                    view.state_since_s,
                    what,
                    "Put a container there; if one stands there, its tare was pressed: say that it was set.",
                    told,
                    suppressed_by="container-away" if view.away_since_s is not None else "",
                )
        return found
