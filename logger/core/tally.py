"""The tally of a span: mass to each outlet, feed used, yields, what is still on the deck, and water.

A tally is a difference of the tracks' cumulative masses at two times, so a run whose start or end is
corrected afterwards needs nothing folded again. Standard uncertainties: the levels at both ends, and
what was added by splices (container changes, refills, silence) between them; JCGM 100, 5.1.2.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from math import sqrt
from typing import Any

from logger.core.description import ContainerKind, FeedKind
from logger.core.holdup import HoldUp
from logger.core.rules.contract import ChannelNow, StationNow
from logger.core.water import WaterTally, water_tally

MG = 1e6  # mg in a kg

FILLING = 0.25
"""Share of the feed on the deck above which nothing is told by difference yet."""

SAYS = {
    ContainerKind.DRAINS: "wet",
    ContainerKind.BRIM_FULL: "solids",
    ContainerKind.RETAINS: "with water",
    ContainerKind.UNKNOWN: "as shown",
}


@dataclass(frozen=True, slots=True)
class Mass:
    """A mass (kg) with its standard uncertainty and the part of it that was expected, not weighed.

    ``not_caught_kg`` came besides while, as a person said, no container stood there: expected, not weighed.
    """

    kg: float
    u_kg: float
    estimated_kg: float = 0.0
    not_caught_kg: float = 0.0
    u_not_caught_kg: float = 0.0


@dataclass(frozen=True, slots=True)
class OutletTally:
    name: str
    channel: str | None
    delivered: Mass | None  # None: not weighed and not determinable
    by_difference: bool
    says: str
    share: float | None  # yield: product / feed
    u_share: float | None


@dataclass(frozen=True, slots=True)
class Tally:
    feed: Mass | None
    outlets: tuple[OutletTally, ...]
    hold_up_kg: float | None
    water: tuple[WaterTally, ...] = ()
    deck: HoldUp | None = None  # how sure the hold-up is, where it is judged live and was not said

    def to_json(self) -> dict[str, Any]:
        """The form that `tallydeck replay --tally` writes; a contract with those who script."""
        return {
            "feed_kg": None if self.feed is None else round(self.feed.kg, 6),
            "feed_u_kg": None if self.feed is None else round(self.feed.u_kg, 6),
            "hold_up_kg": None if self.hold_up_kg is None else round(self.hold_up_kg, 6),
            "hold_up": hold_up_json(self.deck),
            "outlets": {(o.channel or o.name): _outlet_json(o) for o in self.outlets},
            "water": {w.line.name: w.to_json() for w in self.water},
        }


@dataclass(frozen=True, slots=True)
class SaidMasses:
    """What was said of a run's masses: products weighed by hand, by outlet, and what stayed on the deck."""

    by_hand: Mapping[str, Mass] = field(default_factory=dict)
    hold_up_kg: float | None = None


def hold_up_json(deck: HoldUp | None) -> dict[str, Any] | None:
    """How sure the hold-up is: its standard uncertainty and 95 % interval, kg."""
    if deck is None:
        return None
    return {
        "kg": round(deck.kg, 6),
        "u_kg": round(deck.u_kg, 6),
        "low_kg": round(deck.low_kg, 6),
        "high_kg": round(deck.high_kg, 6),
    }


def _outlet_json(outlet: OutletTally) -> dict[str, Any]:
    mass = outlet.delivered
    return {
        "name": outlet.name,
        "weighed": outlet.channel is not None or outlet.says == "weighed by hand",
        "by_difference": outlet.by_difference,
        "says": outlet.says,
        "delivered_kg": None if mass is None else round(mass.kg, 6),
        "u_kg": None if mass is None else round(mass.u_kg, 6),
        "estimated_kg": None if mass is None else round(mass.estimated_kg, 6),
        "not_caught_kg": None if mass is None else round(mass.not_caught_kg, 6),
        "yield": None if outlet.share is None else round(outlet.share, 6),
        "u_yield": None if outlet.u_share is None else round(outlet.u_share, 6),
    }


def span_mass(channel: ChannelNow, from_s: int, to_s: int) -> Mass | None:
    """Mass counted on a channel between two station seconds; None before its first reading."""
    track = channel.track
    if track is None or channel.readings == 0:
        return None
    mg, u_mg, estimated_mg = track.tally(from_s, to_s)
    beside_mg, u_beside_mg = track.not_caught(from_s, to_s)
    return Mass(mg / MG, u_mg / MG, max(0.0, estimated_mg) / MG, max(0.0, beside_mg) / MG, u_beside_mg / MG)


def tally(
    station: StationNow, from_s: int, to_s: int, said: SaidMasses | None = None, deck: HoldUp | None = None
) -> Tally:
    """The tally of a span; what lay on the deck at either end is allowed for, by the feed then.

    What was ``said`` counts before what is judged: the hold-up, and outlets without a scale. ``deck`` is
    what was judged live to lie there at the end, where that is known.
    """
    said = said or SaidMasses()
    feed = None if station.feed is None else span_mass(station.feed, from_s, to_s)
    masses = [
        said.by_hand.get(o.outlet.name) if o.now is None else span_mass(o.now, from_s, to_s)
        for o in station.outlets
    ]
    before, hold_up = _hold_up(station, from_s), _hold_up(station, to_s)
    if said.hold_up_kg is not None:
        hold_up, deck = said.hold_up_kg, None
    elif deck is not None:
        hold_up = deck.kg
    missing = [i for i, mass in enumerate(masses) if mass is None and station.outlets[i].now is None]
    rest = _by_difference(feed, masses, missing, (before or 0.0, hold_up or 0.0, deck))
    complete = all(m is not None for m in masses)
    total = sum(m.kg for m in masses if m is not None)
    total_var = sum(m.u_kg**2 for m in masses if m is not None)
    outlets = []
    for i, o in enumerate(station.outlets):
        difference = rest is not None and i == missing[0]
        mass = rest if difference else masses[i]
        share, u_share = None, None
        if mass is not None and feed is not None and station.feed is not None:
            lag_s = round(o.lag_s or 0.0)
            share, u_share = _ratio(mass, span_mass(station.feed, from_s - lag_s, to_s - lag_s) or feed)
        elif mass is not None and complete and total > 0:
            share = mass.kg / total
            others = max(0.0, total_var - mass.u_kg**2)
            u_share = sqrt((1 - share) ** 2 * mass.u_kg**2 + share**2 * others) / total
        says = SAYS[o.outlet.container.kind] if o.now is not None else "by difference"
        if o.now is None and mass is not None and not difference:
            says = "weighed by hand"
        outlets.append(
            OutletTally(
                o.outlet.name,
                None if o.now is None else o.now.channel.name,
                mass,
                difference,
                says,
                share,
                u_share,
            )
        )
    fed = None if feed is None else (feed.kg, feed.u_kg)
    return Tally(feed, tuple(outlets), hold_up, water_tally(station, from_s, to_s, fed), deck)


def _ratio(part: Mass, whole: Mass) -> tuple[float | None, float | None]:
    """part / whole and its standard uncertainty, the two independent (JCGM 100, 5.1.6)."""
    if whole.kg <= max(0.0, 3 * whole.u_kg):
        return None, None
    share = part.kg / whole.kg
    return share, sqrt(part.u_kg**2 + (share * whole.u_kg) ** 2) / whole.kg


def _by_difference(
    feed: Mass | None,
    masses: list[Mass | None],
    missing: list[int],
    on_deck: tuple[float, float, HoldUp | None],
) -> Mass | None:
    """What the one outlet without a scale must have got; None where it can't be told."""
    before_kg, hold_up_kg, deck = on_deck
    weighed = [m for m in masses if m is not None]
    if feed is None or len(missing) != 1 or len(weighed) != len(masses) - 1:
        return None
    if max(before_kg, hold_up_kg) > FILLING * feed.kg:
        return None  # what lies on the deck is hardly known, and would swamp the rest
    kg = feed.kg + before_kg - hold_up_kg - sum(m.kg + m.not_caught_kg for m in weighed)
    # The split and lag of what is on the deck are hardly known, but the same at both ends.
    u_hold = 0.3 * abs(hold_up_kg - before_kg) + 0.1 * max(before_kg, hold_up_kg)
    if deck is not None:
        u_hold = deck.u_kg + 0.1 * before_kg
    u_kg = sqrt(feed.u_kg**2 + sum(m.u_kg**2 + m.u_not_caught_kg**2 for m in weighed) + u_hold**2)
    return Mass(kg, u_kg, feed.estimated_kg + sum(m.estimated_kg for m in weighed))


def _hold_up(station: StationNow, at_s: int) -> float | None:
    """Feed of the last lag of each outlet, which can't have arrived yet (kg); None without feed or lags."""
    feed = station.feed
    if feed is None or feed.track is None or station.station.feed.kind is FeedKind.UNWEIGHED:
        return None
    known = [(o.share, o.lag_s) for o in station.outlets if o.lag_s is not None]
    if not known:
        return None
    told = sum(share or 0.0 for share, _ in known)
    held = 0.0
    for share, lag_s in known:
        used = span_mass(feed, at_s - round(lag_s), at_s)
        part = (share or 0.0) / told if told > 0 else 1.0 / len(known)
        held += part * (0.0 if used is None else used.kg)
    return held
