"""What came out since the run began is not what went in: something is missing, or there is too much.

Formula: gap = fed + on the deck at the start - on the deck now - sum of outlets - what was not caught. It
does not close when gap > `MOIST` fed + K u, or -gap > `MOIST` fed + `WATER` drained + K u; u is the standard
uncertainty of all of it (JCGM 100, 5.1.2), `drained` what stands in containers that drain. K = 4: by chance
once in 16 000 looks of a Gaussian, and the looks of one run are hardly independent of each other.
`MOIST`: the feed is weighed with a moisture of its own that nobody tells, and loses fines with the water.
`WATER`: drained sand still holds that much more. Both are common practice, no source; a loss that is smaller
than the water held is not seen, therefore, and only a weigh-up with moistures tells it.
Judged where the feed and every outlet are weighed and every container either drains or stands brim-full of
water, with its density told; in a run of `LEAST_S` and of `LAGS` lags at least; not while an outlet is
plugged.
Source: ours. Tuning: none but these.
False alarms: none in 24 station-hours (tests/bench/closure_bench.py, set tuning).
Raised once, restated every minute at most; clears below `BACK` of what it takes.
"""

from __future__ import annotations

from collections import deque
from math import sqrt
from typing import Any, NamedTuple

from logger.core.description import ContainerKind, Station
from logger.core.holdup import HoldUp, hold_up
from logger.core.rules.contract import Evidence, Judgement, StationNow
from logger.core.rules.expected import ExpectedFlow
from logger.core.rules.said import Said, Watch, minutes
from logger.core.tally import span_mass
from logger.core.track.view import TrackState

KIND = "masses-not-closing"
K = 4.0
MOIST = 0.03
WATER = 0.17
LEAST_S = 600
LAGS = 10
MOST_DECK = 0.10  # of what was fed; while more lies on the deck nothing can be said
EVERY_S = 30
RESTATE_S = 60
AFTER_S = 120  # so long after a plug let go it still comes
BACK = 0.6
AT_ONCE = 0.6  # of the gap, opened within two minutes: a single event, not a rate
KEPT = 480
PLUGGED = "outlet-not-delivering"
MISSING = (
    "Look for product beside the containers and for an outlet that is not weighed; check the outlets' scales "
    "with a test weight."
)
TOO_MUCH = (
    "See that no container keeps water that is told to drain, that no refill was missed, and check the "
    "feed's scale with a test weight."
)


class Gap(NamedTuple):
    """Masses in kg; ``limit_kg`` is what the gap may be to that side."""

    gap_kg: float
    u_kg: float
    limit_kg: float
    fed_kg: float
    out_kg: float
    deck_kg: float
    estimated_kg: float


class MassesNotClosing:
    """One for a station whose feed is weighed."""

    kind = KIND

    def __init__(self, station: Station, expected: ExpectedFlow, sure: float = K) -> None:
        if not 2.0 <= sure <= 20.0:
            raise ValueError(f"sure {sure:g} must lie between 2 and 20 standard uncertainties")
        self.sure = sure
        self._station = station
        self._expected = expected
        self._watch = Watch(expected)
        self._said = Said(KIND, "feed", station.feed.channel or "")
        self._never = _never(station)
        self._run_s: int | None = None
        self._before: HoldUp | None = None  # on the deck when the run began
        self._gaps: deque[tuple[int, float]] = deque(maxlen=KEPT)
        self._plugged_s: int | None = None  # when an outlet was last plugged
        self._told_s = 0

    def tick(self, now: StationNow) -> list[Judgement]:
        if not self._watch.tick(now) or now.run_since_s is None:
            self._run_s = None
            return self._said.clear(now.now_s, "The balance is no longer watched: the run ended.")
        if self._never:
            return []
        if self._run_s is None:
            self._before = self._deck(now)
            self._gaps.clear()
        self._run_s = now.run_since_s
        if any(kind == PLUGGED for kind, _ in now.active):
            self._plugged_s = now.now_s
        if now.beat_s % EVERY_S or self._held(now):
            return []
        gap = self._gap(now)
        if gap is None or gap.deck_kg > MOST_DECK * gap.fed_kg:
            return []
        self._gaps.append((now.now_s, gap.gap_kg))
        return self._judge(now, gap)

    def _judge(self, now: StationNow, gap: Gap) -> list[Judgement]:
        share = abs(gap.gap_kg) / gap.limit_kg
        if self._said.active and share < BACK:
            return self._said.clear(now.now_s, "What came out agrees with what was fed again.")
        if not self._said.active and share < 1.0:
            return []
        if self._said.active and (share < 1.0 or now.now_s - self._told_s < RESTATE_S):
            return []
        self._told_s = now.now_s
        told = self._figures(gap)
        what, do = self._words(now, gap, told)
        if self._said.active:
            return self._said.restate(what, do, told)
        return self._said.say(True, now.run_since_s or now.now_s, what, do, told)

    # -- the balance -------------------------------------------------------------------------------

    def _deck(self, now: StationNow) -> HoldUp | None:
        return hold_up(now, self._expected, lambda _: False)

    def _gap(self, now: StationNow) -> Gap | None:
        """The balance of the run so far; None where a scale has said nothing yet."""
        start, end = now.run_since_s, now.now_s
        fed = None if now.feed is None or start is None else span_mass(now.feed, start, end)
        deck = self._deck(now)
        if fed is None or start is None or deck is None or fed.kg <= 0.0:
            return None
        out = drained = estimated = 0.0
        var = fed.u_kg**2 + deck.u_kg**2
        for outlet in now.outlets:
            mass = None if outlet.now is None else span_mass(outlet.now, start, end)
            if mass is None:
                return None
            out += mass.kg + mass.not_caught_kg
            var += mass.u_kg**2 + mass.u_not_caught_kg**2
            estimated += mass.estimated_kg + mass.not_caught_kg
            drained += mass.kg if outlet.outlet.container.kind is ContainerKind.DRAINS else 0.0
        before = 0.0
        if self._before is not None:
            before = self._before.kg
            var += self._before.u_kg**2
        gap = fed.kg + before - deck.kg - out
        allowed = MOIST * fed.kg + (WATER * drained if gap < 0.0 else 0.0)
        u = sqrt(var)
        return Gap(gap, u, allowed + self.sure * u, fed.kg, out, deck.kg, estimated + fed.estimated_kg)

    def _held(self, now: StationNow) -> str:
        """Why the balance is not judged now; ""."""
        if self._never or now.run_since_s is None:
            return self._never or "no run is open"
        pasts = self._expected.outlets
        slowest = max((past.scores.slowest_s for past in pasts if past is not None), default=0)
        least = max(LEAST_S, LAGS * slowest)
        if now.now_s - now.run_since_s < least:
            return f"the run is younger than {minutes(least)}: what is on its way is too large a part"
        if self._plugged_s is not None and now.now_s - self._plugged_s < AFTER_S:
            return "an outlet is plugged, or was just now: what it holds back is not known"
        return "" if _all_steady(now) else "a scale is disturbed or silent, or has no container on it"

    # -- words -------------------------------------------------------------------------------------

    def _figures(self, gap: Gap) -> dict[str, Any]:
        side = "missing_kg" if gap.gap_kg > 0.0 else "too_much_kg"
        return {
            side: round(abs(gap.gap_kg), 4),
            "u_kg": round(gap.u_kg, 4),
            "limit_kg": round(gap.limit_kg, 4),
            "percent_of_feed": round(100.0 * abs(gap.gap_kg) / gap.fed_kg, 2),
            "u_percent": round(100.0 * gap.u_kg / gap.fed_kg, 2),
            "fed_kg": round(gap.fed_kg, 4),
            "out_kg": round(gap.out_kg, 4),
            "on_deck_kg": round(gap.deck_kg, 4),
            "estimated_kg": round(gap.estimated_kg, 4),
        }

    def _words(self, now: StationNow, gap: Gap, told: dict[str, Any]) -> tuple[str, str]:
        missing = gap.gap_kg > 0.0
        size = f"{abs(gap.gap_kg) / gap.fed_kg:.1%} (u {gap.u_kg / gap.fed_kg:.1%})"
        what = f"{size} of what was fed in this run did not come out"
        if not missing:
            what = f"{size} more came out in this run than was fed"
        opened = self._opened(gap.gap_kg)
        if opened is not None:
            told["opened_s_ago"] = now.now_s - opened
            cause = (
                "spilled then, or a change was misread"
                if missing
                else "a refill or a change was misread then"
            )
            what += f": most of it opened at once {minutes(now.now_s - opened)} ago, so {cause}."
        elif gap.estimated_kg > 0.5 * abs(gap.gap_kg):
            what += ": as much was only estimated while no container stood there."
        elif missing:
            what += ": it grows with the feed, so product runs beside, or a scale is off."
        else:
            what += ": it grows with the feed, so water is weighed as product, or a scale is off."
        return what, MISSING if missing else TOO_MUCH

    def _opened(self, gap_kg: float) -> int | None:
        """When most of the gap opened within two minutes; None where it did not."""
        gaps = list(self._gaps)
        for (_, before), (at_s, after) in zip(gaps, gaps[4:], strict=False):
            if (after - before) / gap_kg >= AT_ONCE:
                return at_s
        return None

    def evidence(self, subject: str, now: StationNow) -> Evidence | None:
        """What is missing or too much (kg) beside what that takes: see `Evidence`."""
        if subject != "feed":
            return None
        held = self._never or self._watch.why_not(now) or self._held(now)
        gap = None if self._never or now.run_since_s is None else self._gap(now)
        if gap is None:
            return Evidence(KIND, subject, "kg", quiet_because=held or "a scale has said nothing yet")
        if gap.deck_kg > MOST_DECK * gap.fed_kg:
            held = held or "too large a part of the feed is still on the deck"
        return Evidence(
            KIND, subject, "kg", abs(gap.gap_kg), gap.limit_kg,
            quiet_because=held, extra=self._figures(gap),
        )  # fmt: skip


def _all_steady(now: StationNow) -> bool:
    channels = [now.feed, *(outlet.now for outlet in now.outlets)]
    tracks = [None if channel is None else channel.track for channel in channels]
    return all(track is not None and track.view.state is TrackState.STEADY for track in tracks)


def _never(station: Station) -> str:
    """Why the balance of a station can't be judged at all; ""."""
    for outlet in station.outlets:
        kind = outlet.container.kind
        if outlet.channel is None:
            return f"outlet {outlet.name} is not weighed"
        if kind is ContainerKind.RETAINS:
            return f"the container of {outlet.name} keeps its water, which is weighed with the product"
        if kind is ContainerKind.UNKNOWN:
            return f"it is not told whether the container of {outlet.name} keeps water"
        if kind is ContainerKind.BRIM_FULL and not outlet.solids_density:
            return f"the density of what settles in the container of {outlet.name} is not told"
    return ""
