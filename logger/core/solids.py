"""How thick the feed comes onto the deck: solids / (solids + the water that comes with them), by mass.

Over a trailing span long enough to even out a feeder's pulses, or a hand's scoops. Source of the limit: a
table's feed should hold less than 35 % solids (Manser, Barley & Wills 1991). The source as summarised to us
does not say of what; it is taken by mass, as pulp is told in the trade (common practice, no source). A litre
of water is taken as a kilogram. What moisture the feed itself has is not known live: it is weighed as
solids, so that the true figure is somewhat lower.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt

from logger.core.rules.contract import StationNow
from logger.core.tally import span_mass
from logger.core.water import FEED, passed, whole

SPAN_S = 120
BY_SCOOP_S = 600
UNSEEN = 0.1  # of the span; while a meter was silent for longer nothing is told
LEAST_SHARE = 0.01  # a feed that is less than so much of the pulp is hardly one


@dataclass(frozen=True, slots=True)
class Solids:
    """The solids content of the feed, a mass fraction, over the last ``span_s``; None: it can't be told,
    and ``why`` says why not."""

    share: float | None
    u: float | None
    span_s: int
    feed_kg: float
    water_l: float
    why: str = ""


def span_s(station: StationNow) -> int:
    """How far back to look (s)."""
    return BY_SCOOP_S if station.by_scoop else SPAN_S


def solids(station: StationNow) -> Solids | None:
    """The solids content now; None where no meter measures the water that comes with the feed."""
    lines = zip(station.station.water, station.water, strict=False)
    feeding = [channel for line, channel in lines if line.goes_to == FEED]
    if not feeding:
        return None
    span, now_s = span_s(station), station.now_s
    waters = [passed(channel, now_s - span, now_s) for channel in feeding]
    mass = None if station.feed is None else span_mass(station.feed, now_s - span, now_s)
    if station.station.feed.channel is None or mass is None:
        return Solids(None, None, span, 0.0, 0.0, "the feed is not weighed")
    known = [water for water in waters if water is not None]
    if len(known) < len(waters) or any(water.unknown_s > UNSEEN * span for water in known):
        return Solids(None, None, span, mass.kg, 0.0, "not all of its water was measured")
    water, u_water = sum(whole(w)[0] for w in known), sqrt(sum(whole(w)[1] ** 2 for w in known))
    total = mass.kg + water
    if mass.kg <= 3.0 * mass.u_kg or water < 0.0 or mass.kg < LEAST_SHARE * total:
        return Solids(None, None, span, mass.kg, water, "no feed comes")
    share = mass.kg / total
    u = sqrt(((1.0 - share) * mass.u_kg) ** 2 + (share * u_water) ** 2) / total  # JCGM 100, 5.1.2
    return Solids(share, u, span, mass.kg, water)
