"""The bay as the fold needs to know it: plain frozen values, made from the TOML by `logger.settings`.

Masses in kg, rates in kg/h, flows in L/min, densities in g/cm3, times in s, shares as fractions of 1.
None always means "not told": the fold then learns it, derives it, or goes without.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum


class ContainerKind(StrEnum):
    """What a container does with the water that comes with the product."""

    DRAINS = "drains"  # basket, bag, holed pail: the scale shows wet solids
    BRIM_FULL = "brim-full"  # stands full of water and overflows: the scale shows m(1 - rho_w/rho_s)
    RETAINS = "retains"  # keeps everything: water is weighed with the solids
    UNKNOWN = "unknown"  # not told: masses are shown as the scale shows them, and marked


class FeedKind(StrEnum):
    HOPPER = "hopper"  # stands on a scale, feeds by itself, is refilled from time to time
    TUB = "tub"  # stands on a scale, a person feeds from it by scoop
    UNWEIGHED = "unweighed"


class ZeroTracking(StrEnum):
    ON = "on"
    OFF = "off"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True)
class Container:
    kind: ContainerKind = ContainerKind.UNKNOWN
    tare_kg: float | None = None  # usual tare
    tare_low_kg: float | None = None  # the range tares vary in
    tare_high_kg: float | None = None
    full_kg: float | None = None  # what the scale shows (gross) when the container must be changed


@dataclass(frozen=True, slots=True)
class Channel:
    """One stream of readings. ``quantity`` is ``mass`` or ``flow``.

    A flow channel shows a flow ("L/min"), a running total ("L", "m3", "gal") or a count ("pulse").
    """

    name: str
    quantity: str = "mass"
    unit: str | None = None  # the unit it is set to; another one is an alarm
    resolution_kg: float = 0.005  # for a flow: L/min; where ``unit`` is one of volume: L
    capacity_kg: float | None = None
    zero_tracking: ZeroTracking = ZeroTracking.UNKNOWN
    shows: str = "gross"  # or "net"
    interval_s: float | None = None  # expected time between readings; learned where not told
    instrument: str | None = None
    pulses_per_l: float | None = None  # of a flow channel whose readings are counts (unit "pulse")
    wraps_at: int | None = None  # of a totaliser: the number after its highest one, in its last digit
    most_l_min: float | None = None  # more than this a flow can't be
    accuracy: float | None = None  # of a flow meter: its limits of error, as a fraction of the reading
    accuracy_class: str | None = None  # of a scale, by OIML R 76: I, II, III or IIII
    verification_interval_kg: float | None = None  # e; None: the resolution
    tolerance_kg: float | None = None  # the bay's own limit for a check weight
    repeatability_kg: float | None = None  # standard deviation of one load put on again and again


@dataclass(frozen=True, slots=True)
class Feed:
    kind: FeedKind = FeedKind.UNWEIGHED
    channel: str | None = None
    target_kg_h: float | None = None
    band: float = 0.10  # half width of the band around the target, as a fraction of it
    solids_density: float | None = None
    most_solids: float = 0.35  # more solids by mass in the feed pulp is too thick; see `core.solids`


@dataclass(frozen=True, slots=True)
class Outlet:
    name: str
    channel: str | None = None  # None: not weighed
    container: Container = field(default_factory=Container)
    solids_density: float | None = None
    lag_s: float | None = None  # from feed to outlet, where it is known
    expected_share: float | None = None  # expected yield
    expected_grade: float | None = None  # mass fraction of the station's component
    expected_grade_u: float | None = None  # its standard uncertainty
    members: tuple[str, ...] = ()  # the outlets that stand together on its scale, where they are several


@dataclass(frozen=True, slots=True)
class Water:
    name: str
    channel: str
    low_l_min: float | None = None
    high_l_min: float | None = None
    goes_to: str = "deck"  # "deck": wash water; "feed": it comes onto the deck with the feed


@dataclass(frozen=True, slots=True)
class Station:
    name: str
    feed: Feed
    outlets: tuple[Outlet, ...]
    water: tuple[Water, ...] = ()
    component: str | None = None  # the component that matters, e.g. "bronze"
    feed_grade: float | None = None  # expected grade of the feed
    feed_grade_u: float | None = None


@dataclass(frozen=True, slots=True)
class Bay:
    name: str
    stations: tuple[Station, ...]
    channels: tuple[Channel, ...]
    units: str = "kg"  # people's unit: "kg" or "lb"
    time_zone: str = "UTC"
    shifts: tuple[tuple[int, int], ...] = ()  # (start, end) in minutes after local midnight

    def channel(self, name: str) -> Channel:
        """The channel of that name; KeyError where there is none."""
        for channel in self.channels:
            if channel.name == name:
                return channel
        raise KeyError(name)
