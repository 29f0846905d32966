"""The pace of feeding by hand: how far what was fed lately is ahead of its target, or behind it.

ahead(t) = ahead(t - 1) exp(-1 s / `MEMORY_S`) + fed in that second - target x 1 s. It forgets with a time
constant of four minutes, so that an old debt is not chased for ever: who fed a tenth too slowly all along
is shown 24 s behind, and no more. While the feed is paused, as said or as judged, nothing is owed.

How a tone is meant (whoever makes one): silent at 0, that is within the dead band, half a scoop either way,
because between two scoops nobody can be nearer; rising in pitch the further behind, falling the further
ahead; full at `FULL_S` of feeding beyond the dead band. The figure for it is `tone`, -1 (far behind) to
+1 (far ahead). The spans are assumed, no source.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from math import exp
from statistics import median
from typing import Any

from logger.core.description import Station
from logger.core.rules.contract import StationNow
from logger.core.rules.expected import ExpectedFlow
from logger.core.rules.lags import MASK
from logger.core.rules.said import Watch
from logger.core.units import kg_to

MEMORY_S = 240.0
FULL_S = 60.0
SCOOP_MG = 600_000.0  # before three were seen; assumed, no source
QUIET_S = 2
MG = 1e6


@dataclass(frozen=True, slots=True)
class Pace:
    """``ahead_kg`` and ``ahead_s`` (of feeding at the target) are negative when behind.

    ``tone`` lies between -1 (far behind) and +1 (far ahead), 0 within ``dead_band_kg``. ``owes``: False
    while the feed is paused and nothing is owed.
    """

    ahead_kg: float
    ahead_s: float
    tone: float
    dead_band_kg: float
    owes: bool

    @property
    def state(self) -> str:
        """``behind``, ``ahead``, ``on-pace`` or ``paused``."""
        if not self.owes:
            return "paused"
        if self.tone == 0.0:
            return "on-pace"
        return "ahead" if self.tone > 0.0 else "behind"


def pace_json(pace: Pace | None, unit: str) -> dict[str, Any] | None:
    """The form of the picture; ``words`` are for people, in the bay's ``unit``."""
    if pace is None:
        return None
    return {
        "state": pace.state,
        "ahead_kg": round(pace.ahead_kg, 4),
        "ahead_s": round(pace.ahead_s, 1),
        "tone": round(pace.tone, 4),
        "dead_band_kg": round(pace.dead_band_kg, 4),
        "words": words(pace, unit),
    }


def words(pace: Pace, unit: str) -> str:
    """E.g. "1.2 kg behind, about 40 s of feeding"."""
    if pace.state == "paused":
        return "paused: nothing is owed"
    if pace.state == "on-pace":
        return "on pace, within half a scoop"
    mass = kg_to(abs(pace.ahead_kg), unit)
    seconds = abs(pace.ahead_s)
    about = round(seconds) if seconds < 20 else 5 * round(seconds / 5)
    return f"{mass:.1f} {unit} {pace.state}, about {about} s of feeding"


class PaceFold:
    """Ticked once a second, after the expected flow. Needs a weighed feed and its target."""

    def __init__(self, station: Station, expected: ExpectedFlow) -> None:
        target = station.feed.target_kg_h
        self._target_mg_s = None if target is None else target / 3.6e-3
        self._expected = expected
        self._watch = Watch(expected)
        self._keep = exp(-1.0 / MEMORY_S)
        self._ahead_mg = 0.0
        self._last_mg: float | None = None
        self._now_s = 0
        self._owes = False
        self._first = False  # the first scoop of a run is still to come
        self._scoops: deque[float] = deque(maxlen=9)
        self._scoop_mg = 0.0  # of the scoop that is being emptied
        self._quiet_s = 0

    def tick(self, now: StationNow) -> None:
        """Take the second that ended."""
        target = self._target_mg_s
        spread = self._expected.spread
        if target is None or spread.began_s is None:
            return
        # The feed's own account, net of what was only credited; later knowledge of a scoop comes with it.
        total = spread.feed[now.now_s & MASK]
        passed_s = now.now_s - self._now_s
        before, self._last_mg, self._now_s = self._last_mg, total, now.now_s
        began = self._watch.fed_s
        watched = self._watch.tick(now)
        if before is None or passed_s != 1 or not watched:
            self._ahead_mg, self._owes = 0.0, False
            return
        fed = total - before
        if began is None:
            self._ahead_mg, self._first = 0.0, True
        self._mind_scoop(fed)
        self._owes = now.feed_stopped_since_s is None and now.paused_since_s is None
        self._ahead_mg = self._ahead_mg * self._keep + fed - (target if self._owes else 0.0)

    def _mind_scoop(self, fed_mg: float) -> None:
        """Learn how much a scoop holds: what comes between two stretches of quiet."""
        sd = (2.0 * self._expected.feed.reading_var_mg2) ** 0.5
        target = self._target_mg_s or 0.0
        if self._expected.feed.lost_s is None and abs(fed_mg) <= max(3.0 * sd, 0.2 * target):
            self._quiet_s += 1
            if self._quiet_s >= QUIET_S:
                if self._scoop_mg > 2.0 * target:  # more than two seconds' worth of feed
                    self._scoops.append(self._scoop_mg)
                    if self._first:  # half a scoop either way is the best there is
                        self._ahead_mg -= 0.5 * self._scoop_mg
                    self._first = False
                self._scoop_mg = 0.0
            return
        self._quiet_s = 0
        self._scoop_mg += fed_mg

    def pace(self, now: StationNow) -> Pace | None:
        """The pace now; None where a person does not feed by scoop, or no target or feed is known."""
        target = self._target_mg_s
        if target is None or self._watch.fed_s is None or not now.by_scoop:
            return None
        scoop = median(self._scoops) if len(self._scoops) >= 3 else SCOOP_MG
        band = 0.5 * scoop
        beyond = max(abs(self._ahead_mg) - band, 0.0)
        tone = min(beyond / (FULL_S * target), 1.0) if self._owes else 0.0
        return Pace(
            self._ahead_mg / MG,
            self._ahead_mg / target,
            -tone if self._ahead_mg < 0.0 < tone else tone,
            band / MG,
            self._owes,
        )
